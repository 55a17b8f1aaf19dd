"""Room `frames`: capture files in, tables ``frames`` and ``rejects`` out, every byte accounted for."""

from __future__ import annotations

import hashlib
import json
import os
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pandas as pd

from nodeday import tables
from nodeday.errors import ContractError
from nodeday.frames.decode import Decoder
from nodeday.frames.scan import BLOCK, Reject, scan
from nodeday.ledger import Ledger
from nodeday.schemas import TABLES
from nodeday.settings import Study

MIN_SHARE = 0.01
"""A capture less than this share of whose bytes are frames was not written in this layout."""


def run(study: Study, session: str) -> None:
    """Decode a session's capture; raise ContractError where no frame of the layout is in it."""
    layout, nodes = study.layout_of(session), study.nodes_of(session)
    paths = study.captures_of(session)
    decoder = Decoder(layout, {address: node.node for address, node in nodes.items()})
    reader = _Reader(paths)
    framed: Counter[str] = Counter()
    rejected: Counter[str] = Counter()
    with (
        tables.writer(tables.path(study.results, "frames", session), TABLES["frames"]) as frames,
        tables.writer(tables.path(study.results, "rejects", session), TABLES["rejects"]) as rejects,
    ):
        for block in scan(reader.pieces(), layout, nodes):
            rows = decoder.rows(block)
            frames.write(rows)
            for status, size in rows.groupby("status", observed=True)["length"].sum().items():
                framed[str(status)] += int(size)
            rejects.write(_reject_rows(block.rejects))
            for each in block.rejects:
                rejected[each.reason] += each.end - each.start
        if sum(framed.values()) < MIN_SHARE * reader.size:
            raise ContractError(
                f"only {sum(framed.values())} of {reader.size} bytes are frames of layout {layout.layout}",
                f"session {session}, {', '.join(str(path) for path in paths)}",
                remedy="Check the layout in config/sessions.tsv and the addresses in config/nodes.tsv.",
            )  # fmt: skip
        ledger = Ledger("frames", session)
        ledger.add("bytes", "capture", reader.size, **framed, **rejected)
        ledger.add("frames", "capture", decoder.found, rows=frames.rows)
    _record(study, session, reader.facts)
    ledger.close(study.results)


class _Reader:
    """Reads the files in order, in pieces, and knows each one's size and SHA-256 afterwards."""

    def __init__(self, paths: list[Path]) -> None:
        self.paths = paths
        self.size = 0
        self.facts: list[dict[str, str | int]] = []

    def pieces(self) -> Iterator[bytes]:
        for path in self.paths:
            digest, size = hashlib.sha256(), 0
            with path.open("rb") as file:
                while piece := file.read(BLOCK):
                    digest.update(piece)
                    size += len(piece)
                    yield piece
            self.size += size
            self.facts.append({"file": path.name, "bytes": size, "sha256": digest.hexdigest()})


def _reject_rows(rejects: list[Reject]) -> pd.DataFrame:
    return tables.build(
        TABLES["rejects"],
        {
            "capture": np.zeros(len(rejects), np.int16),
            "offset": np.array([each.start for each in rejects], np.int64),
            "length": np.array([each.end - each.start for each in rejects], np.int32),
            "reason": [each.reason for each in rejects],
        },
    )


def _record(study: Study, session: str, facts: list[dict[str, str | int]]) -> None:
    """Write down what the capture was at its first decoding; refuse one that changed since."""
    target = study.results / "captures" / f"{session}.json"
    if target.exists() and json.loads(target.read_text()) != facts:
        raise ContractError(
            "the capture differs from the one first decoded", f"session {session}",
            f"the SHA-256 in {target}", "Put the original back, or remove that file to accept the new one.",
        )  # fmt: skip
    target.parent.mkdir(parents=True, exist_ok=True)
    partial = target.with_suffix(".partial")
    partial.write_text(json.dumps(facts, indent=2) + "\n")
    os.replace(partial, target)
