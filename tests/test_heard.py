"""Frames of a stream from one pass over their table, against a filter of pandas."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from conftest import valid_rows
from nodeday.schemas import TABLES
from nodeday.schemas.codes import DISTINCT, FRAME_STATUS

from nodeday import tables
from nodeday.heard import stamps


def test_stamps_are_of_distinct_frames_that_hold_samples(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """In pieces that know not all nodes; one node was never heard with samples, and so is not there."""
    monkeypatch.setattr(tables, "READ_ROWS", 30)
    draw, n = np.random.default_rng(11), 240
    node, like = np.repeat(["heart", "wrist", "hub"], n // 3), valid_rows(TABLES["frames"], 1)
    rows = tables.build(TABLES["frames"], {name: like[name].repeat(n) for name in like} | {
        "node": node, "stream": draw.choice(["ecg", "acc"], n), "offset": np.arange(n),
        "status": draw.choice(list(FRAME_STATUS), n), "boot": draw.integers(0, 3, n).astype(np.int32),
        "seq": draw.permutation(n), "ticks": draw.permutation(n),
        "samples": np.where(node == "hub", 0, draw.integers(0, 3, n)).astype(np.int32),
    })  # fmt: skip
    tables.write(tmp_path / "frames.parquet", TABLES["frames"], rows)
    kept = rows[rows["status"].isin(DISTINCT) & (rows["samples"] > 0)]
    found = stamps(tmp_path / "frames.parquet")
    expected = dict(list(kept.groupby(["node", "stream"], observed=True)))
    assert set(found) == set(expected) == {(a, b) for a in ("heart", "wrist") for b in ("ecg", "acc")}
    for key, own in expected.items():
        for name in ("boot", "seq", "ticks"):
            assert getattr(found[key], name).tolist() == own[name].tolist(), (key, name)
        assert found[key].samples == own["samples"].sum()
