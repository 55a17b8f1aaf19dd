"""Random simulated captures with everything wrong at once, against their truth.

Run: ``.venv/bin/python benchmarks/captures.py [CAPTURES]``. For each: bytes balance, and received,
lost, duplicate and late frames are exactly those of the truth, in every stream and boot.
"""

from __future__ import annotations

import json
import sys
import time
from collections import Counter
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as arrow

from nodeday.config.study import Study
from nodeday.layouts import load_layout
from nodeday.stages.frames.decode import Decoder
from nodeday.stages.frames.scan import scan
from nodeday.stages.frames.validate import Spoken
from nodeday.stages.simulate.scenario import random_scenario
from nodeday.stages.simulate.session import simulate_session
from nodeday.stages.simulate.truth import Truth

ROOT = Path(__file__).parents[1]


def compared(frames: pd.DataFrame, truth: Truth, tally: Counter[str]) -> list[str]:
    """What is otherwise than in the truth; ``tally`` counts what was compared."""
    wrong = []
    for key, sent in truth.streams.items():
        node, stream = key.split("/")
        own = frames[(frames.node == node) & (frames.stream == stream)]
        copies = own.status.isin(["duplicate", "conflict"])
        found = {
            "received": int((~copies).sum()),
            "duplicates": int((own.status == "duplicate").sum()),
            "late": int((own.status == "late").sum()),
        }
        true = {
            "received": int(sent.received.sum()),
            "duplicates": truth.duplicates[key],
            "late": truth.late[key],
        }
        distinct, heard = own[~copies], np.unique(sent.boot[sent.received])
        lost = [int(np.ptp(rows.seq)) + 1 - len(rows) for _, rows in distinct.groupby("boot")]
        runs = [
            int(np.ptp(sent.seq[at])) + 1 - int(at.sum())
            for at in (sent.received & (sent.boot == boot) for boot in heard)
        ]
        wrong += [
            f"{key} {name}: {found[name]}, truly {true[name]}" for name in found if found[name] != true[name]
        ]
        if lost != runs:
            wrong.append(f"{key} lost by boot: {lost}, truly {runs}")
        tally.update(true | {"lost": sum(runs)})
    return wrong


def main() -> int:
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 2000
    layout = load_layout(ROOT / "config" / "layouts" / "beltframe.yaml")
    nodes = Study(ROOT).nodes_of("S01-clean")
    spoken = [Spoken(layout, np.array(sorted(nodes)))]
    tally, failed, begin = Counter[str](), 0, time.perf_counter()
    for seed in range(count):
        raw, truth = simulate_session(random_scenario(seed), layout, nodes)
        decoder = Decoder([layout], {address: node.node for address, node in nodes.items()})
        found = [decoder.decode(block) for block in scan([raw], spoken)]
        frames = arrow.concat_tables([each.frames for each in found]).to_pandas()
        rejected = sum(reject.end - reject.start for each in found for reject in each.rejects)
        wrong = compared(frames, truth, tally)
        if int(frames.length.sum()) + rejected != len(raw):
            wrong.append("bytes do not balance")
        tally.update(bytes=len(raw), rejected_bytes=rejected)
        failed += bool(wrong)
        for each in wrong:
            print(f"seed {seed}: {each}")
    print(f"{count} captures, {failed} with a difference, {time.perf_counter() - begin:.0f} s")
    print(", ".join(f"{name} {n}" for name, n in tally.items()))
    figures = {"captures": count, "with a difference": failed, **tally}
    Path(__file__).with_suffix(".json").write_text(json.dumps(figures, indent=1) + "\n")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
