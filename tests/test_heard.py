"""Frames by stream against pandas' own grouping of the same table, whatever the pieces it is read in."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as arrow
import pytest
from conftest import valid_rows
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from nodeday.schemas import TABLES, codes

from nodeday.core.errors import ContractError
from nodeday.layouts import Channel, Kind
from nodeday.storage import row_groups, tables
from nodeday.storage.frames import STATUS, distinct_frames, frame_stamps, received_frames

COLUMNS = ["capture", "boot", "seq", "ticks", "hub_ns", "mark_utc_ns", "rssi_dbm", "samples"]
STREAMS = (("heart", "ecg", 3), ("wrist", "acc", 5), ("wrist", "temp", 3), ("hub", "mark", 0))
"""Node, stream and bytes of a payload."""


def frames_of(seed: int, count: int) -> pd.DataFrame:
    """Rows of table ``frames`` in order of capture; some of a second capture, marks at odd nanoseconds."""
    rng = np.random.default_rng(seed)
    which = rng.integers(0, len(STREAMS), count).tolist()
    marks = [
        1_784_005_200_000_000_001 + 7 * at if STREAMS[k][0] == "hub" else None for at, k in enumerate(which)
    ]
    counters = ("seq_raw", "seq", "ticks_raw", "ticks", "hub_ns")
    wide = {name: rng.integers(0, 2**40, count) for name in counters}
    none = np.full(count, np.nan, np.float32)
    return tables.build(
        TABLES["frames"],
        {
            "capture": rng.integers(0, 2, count).astype(np.int16),
            "offset": np.arange(count),
            "length": np.full(count, 9, np.int32),
            "kind": np.array(which, np.int32),
            "node": [STREAMS[k][0] for k in which],
            "stream": [STREAMS[k][1] for k in which],
            "boot": rng.integers(0, 3, count).astype(np.int32),
            **wide,
            "mark_utc_ns": pd.array(marks, "Int64"),
            "rssi_dbm": np.where(rng.random(count) < 0.2, none, -60).astype(np.float32),
            "lqi": none,
            "battery_v": none,
            "samples": np.array([STREAMS[k][2] for k in which], np.int32),
            "payload": pd.array([rng.bytes(STREAMS[k][2]) for k in which], pd.ArrowDtype(arrow.binary())),
            "status": rng.choice(STATUS, count),
        },
    )


def kind_of(size: int) -> Kind:
    channel = Channel(name="x", unit="g")
    return Kind(kind=1, stream="s", rate_hz=10, samples=size, bits=8, channels=(channel,))


KINDS = {(node, stream): kind_of(size) for node, stream, size in STREAMS if size}


def stored(folder: Path, frames: pd.DataFrame) -> Path:
    tables.write(folder / "frames.parquet", TABLES["frames"], frames)
    return folder / "frames.parquet"


@settings(deadline=None, max_examples=20, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.integers(0, 2**32 - 1), st.integers(0, 90), st.integers(1, 40))
def test_streams_are_what_grouping_the_table_gives(tmp_path, seed, count, piece):
    frames = frames_of(seed, count)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(row_groups, "READ_ROWS", piece)
        found = received_frames(stored(tmp_path, frames), COLUMNS, payloads=KINDS)
    groups = {key: own for key, own in frames.groupby(["node", "stream"], observed=True) if len(own)}
    assert (found.rows, list(found.streams)) == (count, sorted(groups))
    assert set(found.payloads) == set(groups) & set(KINDS)
    for key, own in groups.items():
        columns = found.streams[key]
        assert columns["row"].tolist() == own.index.tolist()
        assert [STATUS[at] for at in columns["status"]] == own["status"].tolist()
        for name in COLUMNS:
            if name != "mark_utc_ns":
                assert columns[name].dtype == own[name].dtype
                np.testing.assert_array_equal(columns[name], own[name].to_numpy())
        if key in KINDS:
            assert [bytes(each) for each in found.payloads[key][:]] == own["payload"].tolist()
    for name in ("hub_ns", "capture"):
        assert found.in_order(name).tolist() == frames[name].tolist()
    marks = frames[frames["mark_utc_ns"].notna() & frames["status"].isin(["good", "late"])]
    # No float on the way: these instants end in odd nanoseconds, which a double cannot hold.
    assert found.marks[0].tolist() == marks.index.tolist()
    assert found.marks[1].tolist() == marks["mark_utc_ns"].tolist()


def test_rows_of_the_first_capture_are_counted_for_themselves(tmp_path):
    frames = frames_of(1, 60)
    for each in (frames, frames.assign(capture=np.zeros(60, np.int16))):
        first, mine = (
            received_frames(stored(tmp_path, each), ["capture"]).first_capture(),
            each["capture"] == 0,
        )
        rows = np.flatnonzero(mine)
        assert first.holds(np.arange(60)).tolist() == mine.tolist()
        assert first.place(rows).tolist() == list(range(len(rows)))
        assert np.arange(60)[first.mine].tolist() == rows.tolist()


def test_only_distinct_frames_of_the_wanted_streams_are_heard(tmp_path):
    frames, wanted = frames_of(2, 80), {("wrist", "acc"): kind_of(5), ("trunk", "acc"): kind_of(5)}
    found = distinct_frames(stored(tmp_path, frames), wanted)
    own = frames[(frames["stream"] == "acc") & frames["status"].isin(codes.DISTINCT)]
    assert list(found) == [("wrist", "acc")]
    waiting = found["wrist", "acc"]
    got = waiting.read()
    assert waiting.samples == own["samples"].sum()
    assert got.seq.tolist() == own["seq"].tolist()
    assert got.again.tolist() == (own["capture"] > 0).tolist()
    assert got.trusted.tolist() == (own["status"] != "inconsistent").tolist()
    assert [bytes(each) for each in got.payload[:]] == own["payload"].tolist()


def test_a_payload_of_another_length_is_refused(tmp_path):
    with pytest.raises(ContractError, match="payloads of unequal length") as error:
        received_frames(stored(tmp_path, frames_of(3, 40)), COLUMNS, payloads={("wrist", "acc"): kind_of(4)})
    assert "node wrist, stream acc" in str(error.value)
    assert "4 bytes each" in str(error.value)


def test_stamps_are_of_distinct_frames_that_hold_samples(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """In pieces that know not all nodes; one node was never heard with samples, and so is not there."""
    monkeypatch.setattr(row_groups, "READ_ROWS", 30)
    draw, n = np.random.default_rng(11), 240
    node, like = np.repeat(["heart", "wrist", "hub"], n // 3), valid_rows(TABLES["frames"], 1)
    rows = tables.build(
        TABLES["frames"],
        {name: like[name].repeat(n) for name in like}
        | {
            "node": node,
            "stream": draw.choice(["ecg", "acc"], n),
            "offset": np.arange(n),
            "status": draw.choice(list(STATUS), n),
            "boot": draw.integers(0, 3, n).astype(np.int32),
            "seq": draw.permutation(n),
            "ticks": draw.permutation(n),
            "samples": np.where(node == "hub", 0, draw.integers(0, 3, n)).astype(np.int32),
        },
    )
    tables.write(tmp_path / "frames.parquet", TABLES["frames"], rows)
    kept = rows[rows["status"].isin(codes.DISTINCT) & (rows["samples"] > 0)]
    found = frame_stamps(tmp_path / "frames.parquet")
    expected = dict(list(kept.groupby(["node", "stream"], observed=True)))
    assert set(found) == set(expected) == {(a, b) for a in ("heart", "wrist") for b in ("ecg", "acc")}
    for key, own in expected.items():
        for name in ("boot", "seq", "ticks"):
            assert getattr(found[key], name).tolist() == own[name].tolist(), (key, name)
        assert found[key].samples == own["samples"].sum()
