"""The contract on Arrow columns refuses what the contract on data frames refuses."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pyarrow as arrow
import pytest
from conftest import put, valid_rows, whole
from nodeday.schemas.compile import arrow_schema
from test_schemas import refusal, wrong_codes, wrong_nulls, wrong_ranges, wrong_rows, wrong_shape

from nodeday.core.errors import ContractError
from nodeday.storage import contract, tables


@pytest.mark.parametrize("name", ["samples", "aligned", "clock", "frames"])
def test_both_doors_refuse_the_same_rows(name: str) -> None:
    table = whole(name)
    frame = valid_rows(table)
    good = arrow.Table.from_pandas(frame, preserve_index=False).cast(arrow_schema(table))
    assert contract.broken(table, good) == ""
    passed, tried = [], 0
    for rule in (wrong_ranges, wrong_nulls, wrong_codes, wrong_shape, wrong_rows):
        for case, wrong in rule(table, frame):
            try:
                rows = (
                    arrow.Table.from_pandas(wrong, preserve_index=False)
                    .cast(arrow.schema([field.with_nullable(True) for field in arrow_schema(table)]))
                    .cast(arrow_schema(table))
                )
            except (arrow.ArrowInvalid, ValueError):
                continue  # pyarrow itself refuses to make such columns
            if case.endswith("without the code " + case.rsplit(" ", 1)[-1]):
                continue  # Arrow's dictionaries need not list a code that no row has
            tried += 1
            if refusal(table, wrong) and not contract.broken(table, rows):
                passed.append(case)
    assert not passed
    assert tried >= 3


def rows_of(**changes: np.ndarray) -> dict[str, arrow.Array]:
    table = whole("aligned")
    columns: dict[str, arrow.Array] = {
        "utc_ns": contract.column(changes.get("utc_ns", np.array([1, 2, 3]))),
        "heart_ecg": contract.column(
            np.array([0.5, np.nan, 1.0], np.float32), contract.bitmap(np.array([True, False, True]))
        ),
    }
    for which in ("origin", "quality"):
        place = changes.get(which, np.zeros(3, np.int8))
        columns[f"heart_ecg_{which}"] = contract.coded(place, table[f"heart_ecg_{which}"])
    return columns


def test_columns_are_written_and_read_back(tmp_path: Path) -> None:
    table, target = whole("aligned"), tmp_path / "aligned.parquet"
    with tables.writer(target, table) as out:
        out.write_columns(rows_of())
        out.write_columns(rows_of(utc_ns=np.array([4, 5, 6]), origin=np.array([0, 3, 2], np.int8)))
        with pytest.raises(ContractError, match="utc_ns goes from 6 to 6 between two pieces"):
            out.write_columns(rows_of(utc_ns=np.array([6, 7, 8])))
    back = tables.read(target, table)
    assert back["utc_ns"].tolist() == [1, 2, 3, 4, 5, 6]
    assert back["heart_ecg"].isna().tolist() == [False, True, False] * 2
    assert back["heart_ecg_origin"].tolist()[3:] == ["measured", "missing", "interpolated"]


def test_a_column_of_another_type_is_refused(tmp_path: Path) -> None:
    with (
        pytest.raises(ContractError, match="column utc_ns is int32, expected int64"),
        tables.writer(tmp_path / "a.parquet", whole("aligned")) as out,
    ):
        out.write_columns(rows_of(utc_ns=np.array([1, 2, 3], np.int32)))
    assert not list(tmp_path.iterdir())


def test_a_piece_holds_one_group() -> None:
    table = whole("samples")
    frame = put(valid_rows(table), "boot", 7)
    rows = arrow.Table.from_pandas(frame, preserve_index=False).cast(arrow_schema(table))
    assert contract.broken(table, rows) == "a piece holds several of boot"


def test_uniqueness_is_seen_where_keys_do_not_climb() -> None:
    """Frames that share their instants: seq 0 1 0 1, position 0 0 1 1."""
    table, frame = whole("samples"), valid_rows(whole("samples"), 4)
    dealt = frame.assign(seq=np.array([0, 1, 0, 1]), position=np.array([0, 0, 1, 1], np.int16))
    schema = arrow_schema(table)
    assert not contract.broken(table, arrow.Table.from_pandas(dealt, preserve_index=False).cast(schema))
    twice = dealt.assign(position=np.array([0, 0, 1, 0], np.int16))
    found = contract.broken(table, arrow.Table.from_pandas(twice, preserve_index=False).cast(schema))
    assert found.endswith("occurs twice")


def test_columns_of_bytes_and_names_hold_what_their_rows_say() -> None:
    """Rows of any length, of none too, against the bytes objects that they would be."""
    random = np.random.default_rng(5)
    parts = [random.integers(0, 256, shape, np.uint8) for shape in ((3, 5), (2, 0), (4, 90), (0, 7))]
    assert contract.binary(parts).to_pylist() == [row.tobytes() for part in parts for row in part]
    names = contract.named(np.array([2, 0, 1, 2]), ["trunk", "heart", "trunk"])
    assert names.to_pylist() == ["trunk", "trunk", "heart", "trunk"]
    assert names.dictionary.to_pylist() == ["heart", "trunk"]


def test_a_piece_without_rows_is_written_once(tmp_path: Path) -> None:
    table, target = whole("frames"), tmp_path / "frames.parquet"
    nothing = arrow_schema(table).empty_table()
    with tables.writer(target, table) as out:
        out.write_columns(nothing)
        out.write_columns(nothing)
    assert tables.read(target, table).empty
