"""The contracts: each rule refuses one wrong row, and each declaration is whole."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
import pandas as pd
import pytest
from conftest import put, valid_rows, whole
from nodeday.schemas import FEATURES, TABLES, Column, Table
from nodeday.schemas.declare import UNITS

from nodeday.core.errors import ContractError
from nodeday.storage import tables

NAMES = list(TABLES)
Case = tuple[str, pd.DataFrame]


def beyond(column: Column, limit: float, step: int) -> Any:
    """The nearest value past ``limit`` that the dtype can hold, or None."""
    if "float" in column.dtype:
        kind = np.dtype(column.dtype).type
        return np.nextafter(kind(limit), kind(limit + step))
    info = np.iinfo(column.dtype)
    value = int(limit) + step
    return value if info.min <= value <= info.max else None


def wrong_ranges(table: Table, frame: pd.DataFrame) -> Iterator[Case]:
    for column in table.columns:
        for sign, limit in ((-1, column.ge), (1, column.le)):
            value = None if limit is None else beyond(column, limit, sign)
            if value is not None:
                # The end row, so that the column still never falls: the range alone is at stake.
                yield f"{column.name} {value} past {limit}", put(frame, column.name, value, row=1 + sign)


def wrong_nulls(table: Table, frame: pd.DataFrame) -> Iterator[Case]:
    for column in table.columns:
        if column.nullable:
            continue
        if "int" in column.dtype:  # a null takes another dtype along
            nullable = column.dtype.replace("int", "Int").replace("uI", "UI")
            yield (
                f"{column.name} null",
                frame.assign(
                    **{column.name: frame[column.name].astype(nullable).where([True, False, True], pd.NA)}
                ),
            )
        else:
            yield f"{column.name} null", put(frame, column.name, None)


def wrong_codes(table: Table, frame: pd.DataFrame) -> Iterator[Case]:
    for column in table.columns:
        if column.codes is not None:
            more = frame[column.name].cat.add_categories(["no such code"])
            yield (
                f"{column.name} a foreign code",
                put(frame.assign(**{column.name: more}), column.name, "no such code"),
            )
            if len(column.codes) > 1:
                unused = [code for code in column.codes if code not in set(frame[column.name])][-1]
                fewer = frame[column.name].cat.remove_categories([unused])
                yield f"{column.name} without the code {unused}", frame.assign(**{column.name: fewer})


def wrong_dtypes(table: Table, frame: pd.DataFrame) -> Iterator[Case]:
    for column in table.columns:
        given = frame[column.name]
        others: list[Any] = [object]
        if "int" in column.dtype:
            others += ["float64", "int8" if column.dtype != "int8" else "int16"]
            others = [object, "float64"] if given.isna().any() or given.max() > 127 else others
        elif "float" in column.dtype:
            others += ["float32" if column.dtype == "float64" else "float64"]
        for other in others:
            yield f"{column.name} as {other}", frame.assign(**{column.name: given.astype(other)})


def wrong_shape(table: Table, frame: pd.DataFrame) -> Iterator[Case]:
    yield "a foreign column", frame.assign(foreign=1)
    if len(table.columns) > 1:
        yield "columns in another order", frame[frame.columns[::-1]]
    for column in table.columns:
        yield f"{column.name} left out", frame.drop(columns=column.name)


def wrong_rows(table: Table, frame: pd.DataFrame) -> Iterator[Case]:
    twin = pd.concat([frame, frame.iloc[[-1]]], ignore_index=True)
    yield "a key twice", twin
    if table.increasing:
        fallen = frame.iloc[[0, 2, 1]].reset_index(drop=True)
        yield f"{table.increasing} falls", fallen
    if {"value", "reason"} <= set(table.names):
        reason = next(iter(table["reason"].codes or ()))
        yield "a value with a reason", put(frame, "reason", reason)
        yield "neither value nor reason", put(frame, "value", None)


RULES = (wrong_ranges, wrong_nulls, wrong_codes, wrong_dtypes, wrong_shape, wrong_rows)


def refusal(table: Table, frame: pd.DataFrame) -> str:
    """What is said against ``frame``; empty where nothing is."""
    try:
        tables.validate(table, frame)
    except ContractError as error:
        return str(error)
    return ""


@pytest.mark.parametrize("name", NAMES)
def test_each_rule_refuses_one_wrong_row(name: str) -> None:
    table = whole(name)
    frame = valid_rows(table)
    assert tables.validate(table, frame) is frame
    passed, tried = [], 0
    for rule in RULES:
        for case, wrong in rule(table, frame):
            tried += 1
            sentence = refusal(table, wrong)
            if "\n" in sentence or not sentence.startswith(f"table {name}: "):
                passed.append(f"{case}: {sentence!r}")
    assert not passed, f"{len(passed)} of {tried} wrong frames of {name} were not refused in a sentence"
    assert tried >= 3 * len(table.columns)


def test_a_rule_says_what_it_found() -> None:
    """The column, the value's rule and the table stand in the sentence."""
    table = TABLES["epochs"]
    with pytest.raises(ContractError) as raised:
        tables.validate(table, put(valid_rows(table), "coverage", 1.5))
    assert "table epochs: " in str(raised.value)
    assert "coverage" in str(raised.value)
    assert "less_than_or_equal_to(1)" in str(raised.value)
    with pytest.raises(ContractError, match="epoch has dtype float64, expected int32"):
        tables.validate(table, valid_rows(table).astype({"epoch": "float64"}))


@pytest.mark.parametrize("name", NAMES)
def test_an_empty_table_is_valid(name: str) -> None:
    table = whole(name)
    assert tables.validate(table, tables.empty(table)).empty


def test_declarations_are_whole() -> None:
    """Every column has a meaning and a known unit, a unit in the name stands in the unit as well."""
    wrong = []
    for table in TABLES.values():
        names = [column.name for column in (*table.columns, *table.template)]
        if len(set(names)) < len(names) or not set(table.key) <= set(names):
            wrong.append(f"{table.name}: names or key")
        for column in (*table.columns, *table.template):
            if not column.meaning or column.unit not in UNITS:
                wrong.append(f"{table.name}.{column.name}: meaning or unit")
            ending = column.name.rsplit("_", 1)[-1]
            known = {"ns": "ns", "ms": "ms", "ppm": "ppm", "dbm": "dBm", "v": "V", "mv": "mV"}
            if ending in known and column.unit != known[ending]:
                wrong.append(f"{table.name}.{column.name}: unit {column.unit}")
    for feature in FEATURES:
        if feature.unit not in UNITS or not (feature.meaning and feature.formula and feature.source):
            wrong.append(f"feature {feature.name}")
    assert not wrong


def test_a_channel_has_the_unit_that_its_layout_states() -> None:
    """Of any name: a study may measure what no list knows."""
    table = TABLES["samples"].for_channels({"field": "uT", "x": "g"})
    units = {column.name: column.unit for column in table.columns[len(TABLES["samples"].columns) :]}
    assert units == {
        "field": "uT",
        "field_raw": "count",
        "field_quality": "",
        "x": "g",
        "x_raw": "count",
        "x_quality": "",
    }


def test_a_unit_outside_the_list_is_refused() -> None:
    with pytest.raises(ValueError, match="column speed: unit 'furlong' is not on the list of units"):
        Column("speed", "float64", "furlong", "how fast")
    with pytest.raises(ValueError, match="codes belong to a column of dtype 'code'"):
        Column("speed", "code", "", "how fast")
