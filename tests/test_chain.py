"""The first stages against the simulator's truth: nothing more lost than was, and nothing less."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as arrow
import pytest

from nodeday.config.models import Node
from nodeday.config.study import Study
from nodeday.layouts import load_layout
from nodeday.stages.frames.containers import PIECE
from nodeday.stages.frames.decode import Decoder
from nodeday.stages.frames.scan import scan
from nodeday.stages.frames.validate import Spoken
from nodeday.stages.loss.gaps import gaps_of
from nodeday.stages.simulate.scenario import random_scenario
from nodeday.stages.simulate.session import simulate_session

ROOT = Path(__file__).parents[1]
LAYOUT = load_layout(ROOT / "config" / "layouts" / "beltframe.yaml")
NODES: dict[int, Node] = Study(ROOT).nodes_of("S01-clean")
CAPTURES = 200


def decoded(raw: bytes) -> tuple[pd.DataFrame, int]:
    """Frames of a capture, and the bytes of everything that is none."""
    decoder = Decoder([LAYOUT], {address: node.node for address, node in NODES.items()})
    spoken = [Spoken(LAYOUT, np.array(sorted(NODES)))]
    rows, rejected = [], 0
    for block in scan((raw[at : at + PIECE] for at in range(0, len(raw), PIECE)), spoken):
        found = decoder.decode(block)
        rows.append(found.frames)
        rejected += sum(each.end - each.start for each in found.rejects)
    return arrow.concat_tables(rows).to_pandas(), rejected


def differences(frames: pd.DataFrame, truth) -> list[str]:  # type: ignore[no-untyped-def]
    """What the decoded frames say otherwise than the truth, a sentence each; best empty."""
    wrong = []
    distinct = frames[~frames.status.isin(["duplicate", "conflict"])]
    for key, sent in truth.streams.items():
        node, stream = key.split("/")
        rows = distinct[(distinct.node == node) & (distinct.stream == stream)]
        heard = np.unique(sent.boot[sent.received])
        if len(heard) != rows.boot.nunique():
            wrong.append(f"{key}: {rows.boot.nunique()} boots, truly {len(heard)}")
            continue
        for boot, (_, own) in zip(heard, rows.groupby("boot"), strict=True):
            true = sent.seq[(sent.boot == boot) & sent.received]
            found = np.sort(own.seq)
            if not np.array_equal(found - found[0], true - true[0]):
                wrong.append(f"{key} boot {boot}: {len(own)} frames, truly {len(true)}, or elsewhere")
                continue
            # The first number heard is known modulo the counter only; gaps count from it.
            gaps = gaps_of(found)
            runs = [(first, stop) for b, first, stop in sent.lost_runs() if b == boot]
            shift = int(found[0] - true[0])
            if runs != list(zip(gaps.seq_from - shift, gaps.seq_to - shift, strict=True)):
                wrong.append(f"{key} boot {boot}: {len(gaps.seq_from)} gaps, truly {len(runs)}, or elsewhere")
    return wrong


@pytest.mark.parametrize("first", range(0, CAPTURES, 25))
def test_gaps_equal_the_truth_and_bytes_balance(first: int) -> None:
    wrong = []
    for seed in range(first, first + 25):
        raw, truth = simulate_session(random_scenario(seed), LAYOUT, NODES)
        frames, rejected = decoded(raw)
        if int(frames.length.sum()) + rejected != len(raw):
            wrong.append(f"seed {seed}: bytes do not balance")
        wrong += [f"seed {seed}: {each}" for each in differences(frames, truth)]
    assert not wrong, "\n".join(wrong)
