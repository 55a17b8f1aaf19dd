"""One contract, two hands, one verdict: data frames through pandera, Arrow columns through their own checks.

A wrong row is made together with the declaration under which it would be right. So each case breaks one rule
and no other, and a rule that either hand forgets lets its case pass.
"""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as arrow
import pyarrow.compute as compute
import pytest
from conftest import put, valid_rows, valid_value, whole
from hypothesis import given, settings
from hypothesis import strategies as st
from nodeday.schemas import TABLES, Column, Table
from nodeday.schemas.compile import arrow_schema

from nodeday.core.errors import ContractError
from nodeday.layouts.codec import joined_bytes
from nodeday.storage import contract, tables

NAMES = list(TABLES)
FOREIGN = "no such code"
OTHER_DTYPES = {
    "int8": ("int16", "float64"),
    "int16": ("int8", "int32"),
    "int32": ("int64", "name"),
    "int64": ("int32", "float64"),
    "uint8": ("int8", "int16"),
    "float32": ("float64", "int32"),
    "float64": ("float32", "int64"),
    "name": ("text", "int32"),
    "code": ("text", "name"),
    "text": ("name", "binary"),
    "binary": ("text", "name"),
}


@dataclass(frozen=True)
class Mutation:
    """A frame that breaks one rule of a table, and the ``relaxed`` declaration that lacks that rule alone."""

    case: str
    relaxed: Table
    frame: pd.DataFrame


def as_arrow(declared: Table, frame: pd.DataFrame) -> arrow.Table:
    """The rows of a frame that fits ``declared``, as Arrow columns."""
    return arrow.Table.from_pandas(frame, preserve_index=False).cast(arrow_schema(declared))


def labelled(table: Table, rows: arrow.Table) -> arrow.Table:
    """Rows under the schema of ``table``, where their columns have its names and types."""
    schema = arrow_schema(table)
    fits = rows.schema.names == schema.names and rows.schema.types == schema.types
    return arrow.Table.from_arrays(rows.columns, schema=schema) if fits else rows


def nan_for_null(rows: arrow.Table) -> arrow.Table:
    """The same rows, their floats NaN where they were null."""
    for at, field in enumerate(rows.schema):
        if arrow.types.is_floating(field.type):
            rows = rows.set_column(at, field, compute.fill_null(rows[field.name], float("nan")))
    return rows


def refusal(table: Table, frame: pd.DataFrame) -> str:
    """The sentence against ``frame``; empty where it is accepted."""
    try:
        tables.validate(table, frame)
    except ContractError as error:
        return str(error)
    return ""


def changed(table: Table, column: Column, **changes: Any) -> Table:
    """The table with one of its columns declared otherwise."""
    return replace(
        table, columns=tuple(c.but(**changes) if c.name == column.name else c for c in table.columns)
    )


def without_rules_on(table: Table, name: str) -> Table:
    """The table without those rules across rows or columns that a column takes part in."""
    in_order = name == table.increasing or name in table.within
    return replace(
        table,
        key=() if name in table.key else table.key,
        increasing=None if in_order else table.increasing,
        within=() if in_order else table.within,
        either_or=tuple(pair for pair in table.either_or if name not in pair),
    )


def beyond(column: Column, limit: float, step: int) -> Any:
    """The nearest value past ``limit`` that the dtype can hold, or None."""
    if "float" in column.dtype:
        kind = np.dtype(column.dtype).type
        return np.nextafter(kind(limit), kind(limit + step))
    info = np.iinfo(column.dtype)
    value = int(limit) + step
    return value if info.min <= value <= info.max else None


def outside_a_range(table: Table, frame: pd.DataFrame) -> Iterator[Mutation]:
    for column in table.columns:
        for end, step, limit in (("ge", -1, column.ge), ("le", 1, column.le)):
            value = None if limit is None else beyond(column, limit, step)
            if value is not None:
                # The end row, so that the column still never falls: the range alone is at stake.
                wrong = put(frame, column.name, value, row=1 + step)
                yield Mutation(f"{column.name} {value}", changed(table, column, **{end: None}), wrong)


def null(table: Table, frame: pd.DataFrame) -> Iterator[Mutation]:
    for column in table.columns:
        if not column.nullable:
            relaxed = without_rules_on(changed(table, column, nullable=True), column.name)
            dtype = tables.empty(relaxed)[column.name].dtype if "int" in column.dtype else None
            values = frame[column.name].astype(dtype) if dtype else frame[column.name]
            yield Mutation(
                f"{column.name} null", relaxed, put(frame.assign(**{column.name: values}), column.name, None)
            )


def off_the_list(table: Table, frame: pd.DataFrame) -> Iterator[Mutation]:
    for column in table.columns:
        if column.codes is None:
            continue
        relaxed = changed(table, column, codes={**column.codes, FOREIGN: "not declared"})
        more = frame.assign(**{column.name: frame[column.name].cat.add_categories([FOREIGN])})
        yield Mutation(f"{column.name} lists a foreign code", relaxed, more)
        wrong = put(more, column.name, FOREIGN)
        for value, reason in table.either_or:
            wrong = put(wrong, value, None) if reason == column.name else wrong
        yield Mutation(f"{column.name} {FOREIGN}", relaxed, wrong)
        used = set(frame[column.name])
        if unused := [code for code in column.codes if code not in used][-1:]:
            fewer = {code: meaning for code, meaning in column.codes.items() if code not in unused}
            short = frame.assign(**{column.name: frame[column.name].cat.remove_categories(unused)})
            yield Mutation(
                f"{column.name} does not list {unused}", changed(table, column, codes=fewer), short
            )


def of_another_dtype(table: Table, frame: pd.DataFrame) -> Iterator[Mutation]:
    for column in table.columns:
        for dtype in OTHER_DTYPES[column.dtype]:
            relaxed = changed(table, column, dtype=dtype, ge=None, le=None, codes=None)
            relaxed = without_rules_on(relaxed, column.name)
            wrong = frame.assign(**{column.name: valid_rows(relaxed)[column.name]})
            yield Mutation(f"{column.name} as {dtype}", relaxed, wrong)


def of_another_shape(table: Table, frame: pd.DataFrame) -> Iterator[Mutation]:
    foreign = Column("foreign", "int64", "", "not declared")
    yield Mutation(
        "a foreign column", replace(table, columns=(*table.columns, foreign)), frame.assign(foreign=1)
    )
    for at in {0, len(table.columns) - 2}:
        order = list(range(len(table.columns)))
        order[at : at + 2] = at + 1, at
        swapped = replace(table, columns=tuple(table.columns[i] for i in order))
        yield Mutation(f"columns {at} and {at + 1} change places", swapped, frame.iloc[:, order])
    for column in table.columns:
        rest = tuple(c for c in table.columns if c.name != column.name)
        fewer = without_rules_on(replace(table, columns=rest), column.name)
        yield Mutation(f"{column.name} left out", fewer, frame.drop(columns=column.name))


def across_rows(table: Table, frame: pd.DataFrame) -> Iterator[Mutation]:
    twin = pd.concat([frame, frame.iloc[[-1]]], ignore_index=True)
    yield Mutation("a key twice", replace(table, key=()), twin)
    if table.increasing:
        unordered = replace(table, increasing=None)
        fallen = frame.iloc[[0, 2, 1]].reset_index(drop=True)
        yield Mutation(f"{table.increasing} falls", unordered, fallen)
        if table[table.increasing].dtype == "int64":  # too large for a float to tell them apart
            values = np.array([1, 3, 2]) + (1 << 60)
            yield Mutation(
                f"{table.increasing} falls by one", unordered, frame.assign(**{table.increasing: values})
            )
    for pair in table.either_or:
        value, reason = pair
        free = replace(table, either_or=tuple(each for each in table.either_or if each != pair))
        code = next(iter(table[reason].codes or ()))
        yield Mutation(f"{value} with {reason}", free, put(frame, reason, code))
        yield Mutation(f"neither {value} nor {reason}", free, put(frame, value, None))


RULES = (outside_a_range, null, off_the_list, of_another_dtype, of_another_shape, across_rows)


@pytest.mark.parametrize("name", NAMES)
def test_each_rule_refuses_one_wrong_row_in_both_hands(name: str) -> None:
    table = whole(name)
    frame = valid_rows(table)
    assert tables.validate(table, frame) is frame
    assert contract.broken_rule(table, as_arrow(table, frame)) == ""
    failed, tried = [], 0
    for rule in RULES:
        for mutation in rule(table, frame):
            tried += 1
            rows = as_arrow(mutation.relaxed, mutation.frame)
            sentence = refusal(table, mutation.frame)
            if "\n" in sentence or not sentence.startswith(f"table {name}: "):
                failed.append(f"{mutation.case}: pandera: {sentence!r}")
            others = [refusal(mutation.relaxed, mutation.frame)]
            for either in (rows, nan_for_null(rows)):
                if not contract.broken_rule(table, labelled(table, either)):
                    failed.append(f"{mutation.case}: Arrow")
                others.append(contract.broken_rule(mutation.relaxed, either))
            failed += [f"{mutation.case} breaks another rule as well: {other}" for other in others if other]
    assert not failed, f"{len(failed)} of {tried} wrong frames of {name}"
    assert tried >= 3 * len(table.columns)


def allowed(column: Column, value: Any) -> bool:
    if value is None:
        return column.nullable
    if column.codes is not None:
        return value in column.codes
    return (column.ge is None or value >= column.ge) and (column.le is None or value <= column.le)


def holds(table: Table, rows: list[dict[str, Any]]) -> bool:
    """The contract in plain words over plain rows, a null being None: what both hands are held against."""
    if not all(allowed(column, row[column.name]) for row in rows for column in table.columns):
        return False
    if any(
        (row[value] is None) == (row[reason] is None) for row in rows for value, reason in table.either_or
    ):
        return False
    last: dict[tuple[Any, ...], Any] = {}
    for row in rows if table.increasing else []:
        group = tuple(row[name] for name in table.within)
        if group in last and row[table.increasing] < last[group]:
            return False
        last[group] = row[table.increasing]
    return len({tuple(row[name] for name in table.key) for row in rows}) == len(rows)


def values_of(column: Column) -> st.SearchStrategy[Any]:
    """Values right and wrong, of the column's dtype: both ends of its range and past them, nulls, codes."""
    if column.codes is not None:
        return st.sampled_from([*column.codes, FOREIGN, None])
    if column.dtype in ("name", "text"):
        return st.sampled_from([f"{column.name}0", f"{column.name}1", "another", None])
    if column.dtype == "binary":
        return st.sampled_from([b"", b"\x00", None])
    ends = [limit for limit in (column.ge, column.le) if limit is not None]
    past = [beyond(column, limit, step) for limit in ends for step in (-1, 1)]
    whole_numbers = [
        0,
        1,
        2,
        *(int(limit) for limit in ends),
        *(value for value in past if value is not None),
    ]
    if "int" in column.dtype:
        info = np.iinfo(column.dtype)
        return st.sampled_from([*whole_numbers, info.min, info.max, info.max - 1, None])
    numbers = [np.dtype(column.dtype).type(value) for value in [0.5, -0.0, *ends, *past]]
    return st.sampled_from([*(float(value) for value in numbers), float("inf"), float("-inf"), None])


@st.composite
def rows_of(draw: st.DrawFn, table: Table) -> list[dict[str, Any]]:
    """Rows of one group or of two that meet the contract, but for a few cells and for their order."""
    frame = valid_rows(table, draw(st.integers(0, 5))).astype(object)
    rows = [
        {name: None if pd.isna(value) else value for name, value in row.items()}
        for row in frame.to_dict("records")
    ]
    for _ in range(draw(st.integers(0, 3)) if rows else 0):
        column = draw(st.sampled_from(table.columns))
        draw(st.sampled_from(rows))[column.name] = draw(values_of(column))
    for name in table.within[-1:]:
        for row in rows:
            if draw(st.integers(0, 3)) == 0:
                row[name] = valid_value(table[name], 1)
    rows += [dict(row) for row in rows if draw(st.integers(0, 9)) == 0]
    for pair in table.either_or:
        for row in rows:
            if draw(st.integers(0, 3)) == 0:
                row[pair[0]], row[pair[1]] = None, next(iter(table[pair[1]].codes or ()))
    return draw(st.permutations(rows)) if draw(st.integers(0, 3)) == 0 else rows


def written(table: Table, rows: list[dict[str, Any]]) -> tuple[Table, pd.DataFrame]:
    """The rows as a frame, and the declaration that its dtypes follow: nulls and codes as they occur."""
    fitting = tuple(
        column.but(
            nullable=column.nullable or any(row[column.name] is None for row in rows),
            codes={**column.codes, FOREIGN: ""}
            if column.codes and any(row[column.name] == FOREIGN for row in rows)
            else column.codes,
        )
        for column in table.columns
    )
    declared = replace(table, columns=fitting)
    columns: dict[str, Any] = {}
    for column in fitting:
        values = [row[column.name] for row in rows]
        integers = column.nullable and "int" in column.dtype
        columns[column.name] = (
            pd.array(values, dtype=tables.empty(declared)[column.name].dtype) if integers else values
        )
    return declared, tables.build(declared, columns)


@settings(deadline=None, max_examples=400)
@given(data=st.data())
def test_both_hands_give_the_verdict_of_plain_words(data: st.DataObject) -> None:
    table = whole(data.draw(st.sampled_from(NAMES)))
    rows = data.draw(rows_of(table))
    declared, frame = written(table, rows)
    stored, verdict = labelled(table, as_arrow(declared, frame)), holds(table, rows)
    assert stored.schema == arrow_schema(table)
    assert (refusal(table, frame) == "") == verdict
    assert (contract.broken_rule(table, stored) == "") == verdict
    assert (contract.broken_rule(table, nan_for_null(stored)) == "") == verdict


def grid(**changes: np.ndarray) -> dict[str, arrow.Array]:
    table = whole("aligned")
    columns: dict[str, arrow.Array] = {
        "utc_ns": contract.number_column(changes.get("utc_ns", np.array([1, 2, 3]))),
        "heart_ecg": contract.number_column(
            np.array([0.5, np.nan, 1.0], np.float32), contract.validity(np.array([True, False, True]))
        ),
    }
    for which in ("origin", "quality"):
        positions = changes.get(which, np.zeros(3, np.int8))
        columns[f"heart_ecg_{which}"] = contract.code_column(positions, table[f"heart_ecg_{which}"])
    return columns


def test_columns_are_written_and_read_back(tmp_path: Path) -> None:
    table, target = whole("aligned"), tmp_path / "aligned.parquet"
    with tables.writer(target, table) as out:
        out.write_columns(grid())
        out.write_columns(grid(utc_ns=np.array([4, 5, 6]), origin=np.array([0, 3, 2], np.int8)))
        with pytest.raises(ContractError, match="utc_ns goes from 6 to 6 between two pieces"):
            out.write_columns(grid(utc_ns=np.array([6, 7, 8])))
    back = tables.read(target, table)
    assert back["utc_ns"].tolist() == [1, 2, 3, 4, 5, 6]
    assert back["heart_ecg"].isna().tolist() == [False, True, False] * 2
    assert back["heart_ecg_origin"].tolist()[3:] == ["measured", "missing", "interpolated"]


@pytest.mark.parametrize(
    ("wrong", "message"),
    [
        (
            {"utc_ns": contract.number_column(np.array([1, 2, 3], np.int32))},
            "column utc_ns is int32, expected",
        ),
        ({"foreign": contract.number_column(np.array([1, 2, 3]))}, "foreign is not a column of aligned"),
        ({"heart_ecg": None}, "column heart_ecg is missing"),
    ],
)
def test_columns_that_are_not_declared_are_refused(
    wrong: dict[str, arrow.Array], message: str, tmp_path: Path
) -> None:
    columns = {name: values for name, values in (grid() | wrong).items() if values is not None}
    with (
        pytest.raises(ContractError, match=f"table aligned: {message}"),
        tables.writer(tmp_path / "a.parquet", whole("aligned")) as out,
    ):
        out.write_columns(columns)
    assert not list(tmp_path.iterdir())


def test_a_column_that_occurs_twice_is_refused() -> None:
    table = TABLES["gaps"]
    frame = valid_rows(table)
    twice = pd.concat([frame, frame[["node"]]], axis=1)
    assert refusal(table, twice).startswith("table gaps: ")
    rows = as_arrow(table, frame)
    assert contract.broken_rule(table, rows.append_column("node", rows["node"]))


@pytest.mark.parametrize("texts", [["chest", None], ["chest", "chest"]])
def test_a_dictionary_has_each_text_once_and_no_null(texts: list[str | None]) -> None:
    """pandas makes no such categories."""
    table = TABLES["gaps"]
    rows = as_arrow(table, valid_rows(table))
    nodes = arrow.DictionaryArray.from_arrays(np.array([0, 1, 0], np.int32), arrow.array(texts))
    wrong = rows.set_column(0, rows.schema.field(0), nodes)
    assert contract.broken_rule(table, wrong).startswith("column node lists a null or a text twice")


def test_names_that_are_numbers_are_refused() -> None:
    """Arrow would store them as texts."""
    table = TABLES["gaps"]
    numbers = valid_rows(table).assign(node=pd.Categorical([1, 2, 3]))
    assert refusal(table, numbers).startswith("table gaps: column node has dtype category, expected category")


@pytest.mark.parametrize("by", ["frames", "columns"])
def test_order_across_pieces_holds_for_each_group(by: str, tmp_path: Path) -> None:
    """Captures 0 and 1 take turns; each goes on from its own last offset."""
    table = TABLES["rejects"]

    def piece(*rows: tuple[int, int]) -> Any:
        frame = valid_rows(table, len(rows)).assign(
            capture=np.array([row[0] for row in rows], np.int16), offset=[row[1] for row in rows]
        )
        return frame if by == "frames" else as_arrow(table, frame)

    with tables.writer(tmp_path / "t.parquet", table) as out:
        add = out.write if by == "frames" else out.write_columns
        add(piece((0, 10), (1, 5), (0, 20), (1, 6)))
        add(piece((1, 7), (1, 8)))
        add(piece((0, 21), (1, 9)))
        with pytest.raises(ContractError, match="offset goes from 9 to 9 between two pieces"):
            add(piece((0, 22), (1, 9)))
        with pytest.raises(ContractError, match="table rejects, 0: offset goes from 21 to 20"):
            add(piece((0, 20), (0, 30)))
        with pytest.raises(ContractError, match="offset never falls within"):
            add(piece((0, 40), (1, 40), (0, 39)))
    assert tables.read(tmp_path / "t.parquet", table)["offset"].tolist() == [10, 5, 20, 6, 7, 8, 21, 9]


def test_uniqueness_is_seen_where_keys_do_not_climb() -> None:
    """Frames that share their instants: seq 0 1 0 1, position 0 0 1 1."""
    table, frame = whole("samples"), valid_rows(whole("samples"), 4)
    dealt = frame.assign(seq=np.array([0, 1, 0, 1]), position=np.array([0, 0, 1, 1], np.int16))
    assert not contract.broken_rule(table, as_arrow(table, dealt))
    twice = dealt.assign(position=np.array([0, 0, 1, 0], np.int16))
    assert contract.broken_rule(table, as_arrow(table, twice)).endswith("occurs twice")


def test_columns_of_bytes_and_names_hold_their_rows() -> None:
    """Rows of any length, of none too, against the bytes objects that they would be."""
    random = np.random.default_rng(5)
    blocks = [random.integers(0, 256, shape, np.uint8) for shape in ((3, 5), (2, 0), (4, 90), (0, 7))]
    column, rows = contract.bytes_column(blocks), [row.tobytes() for block in blocks for row in block]
    assert column.to_pylist() == rows
    names = contract.name_column(np.array([2, 0, 1, 2]), ["trunk", "heart", "trunk"])
    assert names.to_pylist() == ["trunk", "trunk", "heart", "trunk"]
    assert names.dictionary.to_pylist() == ["heart", "trunk"]


@pytest.mark.parametrize("dtype", [arrow.binary(), arrow.large_binary()])
def test_joined_bytes_are_those_of_the_rows(dtype: arrow.DataType) -> None:
    """The one way from a column of payloads to an array of bytes; slices, empty rows and no rows as well."""
    rows = [b"abc", b"", b"de", b"", b"f"]
    for first, last in ((0, 5), (1, 4), (1, 2), (2, 2)):
        data, lengths = joined_bytes(arrow.array(rows, dtype).slice(first, last - first))
        assert data.tobytes() == b"".join(rows[first:last])
        assert lengths.tolist() == [len(row) for row in rows[first:last]]
        assert (data.dtype, lengths.dtype) == (np.uint8, np.int64)


def test_a_piece_without_rows_is_written_once(tmp_path: Path) -> None:
    table, target = whole("frames"), tmp_path / "frames.parquet"
    nothing = arrow_schema(table).empty_table()
    with tables.writer(target, table) as out:
        out.write_columns(nothing)
        out.write_columns(nothing)
    assert tables.read(target, table).empty


def test_reading_imports_no_pandera(tmp_path: Path) -> None:
    table, target = TABLES["gaps"], tmp_path / "gaps.parquet"
    tables.write(target, table, valid_rows(table))
    program = (
        "import sys; from pathlib import Path; from nodeday.storage import tables; "
        f"print(len(tables.read(Path({str(target)!r}), 'gaps')), 'pandera' in sys.modules)"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    assert done.stdout.split() == ["3", "False"]
