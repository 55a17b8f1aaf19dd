"""Frames by stream against pandas' own grouping of the same rows, whatever the pieces they come in."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as arrow
import pyarrow.parquet as parquet
import pytest
from conftest import put
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from nodeday.schemas import TABLES, codes
from nodeday.schemas.compile import arrow_schema

from nodeday.core.errors import ContractError
from nodeday.layouts import Channel, Kind
from nodeday.storage import frame_writer, frames, payloads, tables
from nodeday.storage.frames import ABSENT, STATUS
from nodeday.storage.payloads import Payloads

STREAMS = (("heart", "ecg", 3), ("wrist", "acc", 5), ("wrist", "temp", 3), ("hub", "mark", 0))
"""Node, stream and bytes of a payload."""
GROUP = ["node", "stream"]
anything = settings(
    deadline=None, max_examples=20, suppress_health_check=[HealthCheck.function_scoped_fixture]
)


def rows_of(seed: int, count: int) -> pd.DataFrame:
    """Rows of table ``frames`` in order of capture, the last ones of a second capture, marks at odd ns."""
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
            "row": np.arange(count),
            "capture": np.sort(rng.integers(0, 2, count)).astype(np.int16),
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


def write(results: Path, rows: pd.DataFrame, piece: int = 1000) -> None:
    """The rows of session S1, so many at a time."""
    stored = arrow.Table.from_pandas(rows, preserve_index=False).cast(arrow_schema(TABLES["frames"]))
    with frame_writer.writing(results, "S1") as out:
        for at in range(0, len(rows), piece):
            out.write(stored.slice(at, piece))
        assert out.rows == len(rows)


@anything
@given(st.integers(0, 2**32 - 1), st.integers(0, 90), st.integers(1, 40), st.integers(1, 20))
def test_streams_are_what_grouping_the_rows_gives(
    tmp_path: Path, seed: int, count: int, piece: int, buffer: int
) -> None:
    rows = rows_of(seed, count)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(frame_writer, "BUFFER_ROWS", buffer)
        patch.setattr(frame_writer, "BUFFER_PARTS", 3)
        patch.setattr(payloads, "CACHED_GROUPS", 2)
        write(tmp_path, rows, piece)
        groups = {key: own for key, own in rows.groupby(GROUP, observed=True) if len(own)}
        found = frames.columns_of(tmp_path, "S1")
        assert list(found) == frames.streams(tmp_path, "S1") == sorted(groups)
        for key, own in groups.items():
            source = frames.path(tmp_path, "S1", key)
            with parquet.ParquetFile(source) as file:
                sizes = [file.metadata.row_group(each).num_rows for each in range(file.num_row_groups)]
            assert sizes[:-1] == [buffer] * (len(sizes) - 1)
            assert [STATUS[at] for at in found[key]["status"]] == own["status"].tolist()
            for name in set(TABLES["frames"].names) - {"status", "payload", "mark_utc_ns", *GROUP}:
                assert found[key][name].dtype == own[name].dtype
                np.testing.assert_array_equal(found[key][name], own[name].to_numpy())
            # No float on the way: these instants end in odd nanoseconds, which a double cannot hold.
            assert found[key]["mark_utc_ns"].tolist() == own["mark_utc_ns"].fillna(ABSENT).tolist()
            assert frames.first_capture(found[key]).stop == (own["capture"] == 0).sum()
            if own["samples"].iloc[0]:
                payload = Payloads(source, kind_of(int(own["samples"].iloc[0])))
                wanted = np.random.default_rng(seed).permutation(len(own))
                assert [bytes(each) for each in payload[wanted]] == own["payload"].iloc[wanted].tolist()
                assert payload[wanted[:0]].shape == (0, own["samples"].iloc[0])
    pd.testing.assert_frame_equal(frames.table(tmp_path, "S1"), rows, check_categorical=False)


def test_marks_are_those_that_stand_in_place(tmp_path: Path) -> None:
    rows = rows_of(1, 80)
    write(tmp_path, rows)
    own = rows[rows["node"] == "hub"].reset_index(drop=True)
    good = own[own["status"].isin(["good", "late"])]
    columns = frames.columns_of(tmp_path, "S1")
    at, utc_ns = frames.marks_of(columns["hub", "mark"])
    assert at.tolist() == good.index.tolist()
    assert utc_ns.tolist() == good["mark_utc_ns"].tolist()
    assert not len(frames.marks_of(columns["heart", "ecg"])[0])


def test_the_folder_reads_as_one_data_set(tmp_path: Path) -> None:
    rows = rows_of(2, 80)
    write(tmp_path, rows)
    found = pd.read_parquet(tmp_path / "frames").sort_values("row", ignore_index=True)
    assert set(found.pop("session")) == {"S1"}
    assert list(found) == TABLES["frames"].names
    assert found["row"].tolist() == list(range(80))
    for name in ("hub_ns", "payload", "status", "node"):
        assert found[name].tolist() == rows[name].tolist()


def test_rows_of_all_streams_that_meet_conditions_come_in_order_of_capture(tmp_path: Path) -> None:
    rows = rows_of(3, 80)
    write(tmp_path, rows)
    found = frames.table(tmp_path, "S1", ["node", "seq"], [("boot", "==", 1)])
    expected = rows.loc[rows["boot"] == 1, ["node", "seq"]].reset_index(drop=True)
    pd.testing.assert_frame_equal(found, expected, check_categorical=False)


def test_a_session_appears_whole_or_stays_as_it_was(tmp_path: Path) -> None:
    rows = rows_of(4, 80)
    write(tmp_path, rows)
    before = {path: path.read_bytes() for path in tmp_path.rglob("*.parquet")}
    with pytest.raises(ContractError, match="row never falls"):
        write(tmp_path, rows.iloc[::-1].reset_index(drop=True))
    assert {path: path.read_bytes() for path in tmp_path.rglob("*.parquet")} == before
    write(tmp_path, rows[rows["node"] == "heart"].reset_index(drop=True))  # the files of the others go
    assert frames.streams(tmp_path, "S1") == [("heart", "ecg")]
    assert not [path for path in tmp_path.rglob(".*")]
    with pytest.raises(ContractError, match=r"session=S2: is absent; expected a table"):
        frames.streams(tmp_path, "S2")


def test_distinct_frames_and_their_payloads(tmp_path: Path) -> None:
    rows = rows_of(5, 80)
    write(tmp_path, rows)
    own = rows[(rows["stream"] == "acc") & rows["status"].isin(codes.DISTINCT)]
    found = frames.distinct_frames(tmp_path, "S1", ("wrist", "acc"), kind_of(5))
    assert found.samples == own["samples"].sum()
    assert found.seq.tolist() == own["seq"].tolist()
    assert found.again.tolist() == (own["capture"] > 0).tolist()
    assert found.trusted.tolist() == (own["status"] != "inconsistent").tolist()
    assert [bytes(each) for each in found.payload[np.arange(len(own))]] == own["payload"].tolist()


def test_a_payload_of_another_length_is_refused(tmp_path: Path) -> None:
    write(tmp_path, rows_of(6, 40))
    payload = Payloads(frames.path(tmp_path, "S1", ("wrist", "acc")), kind_of(4))
    with pytest.raises(ContractError, match="payloads of unequal length") as error:
        payload[np.arange(2)]
    assert "wrist.acc" in str(error.value)
    assert "4 bytes each" in str(error.value)


def test_stamps_are_of_distinct_frames_whether_they_hold_samples_or_not(tmp_path: Path) -> None:
    rows = rows_of(7, 200)
    rows["samples"] = np.where(rows["row"] % 3 == 0, 0, rows["samples"]).astype(np.int32)
    write(tmp_path, rows)
    kept = rows[rows["status"].isin(codes.DISTINCT)]
    for key, columns in frames.columns_of(tmp_path, "S1").items():
        own = kept[(kept["node"] == key[0]) & (kept["stream"] == key[1])]
        found = frames.frame_stamps(columns)
        for name in ("boot", "seq", "ticks"):
            assert getattr(found, name).tolist() == own[name].tolist(), (key, name)
        assert found.samples == own["samples"].sum()


def test_what_a_hand_changed_is_read_as_it_stands(tmp_path: Path) -> None:
    rows = put(rows_of(8, 40), "status", "conflict", 3)
    write(tmp_path, rows)
    assert frames.table(tmp_path, "S1")["status"].iloc[3] == "conflict"
