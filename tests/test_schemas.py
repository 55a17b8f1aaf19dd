"""The declarations: each is complete, and a frame has the declared dtypes or is refused in a sentence."""

from __future__ import annotations

from typing import Any

import pandas as pd
import pytest
from conftest import put, valid_rows, whole
from nodeday.schemas import FEATURES, TABLES, Column, Table
from nodeday.schemas.declare import UNITS

from nodeday.core.errors import ContractError
from nodeday.storage import tables

NAMES = list(TABLES)


def other_pandas_dtypes(column: Column, values: pd.Series[Any]) -> list[str]:
    """Dtypes that hold the same values, but are not the declared one."""
    if "int" in column.dtype:
        wide = values.isna().any() or values.max() > 127
        return ["object", "float64", *([] if wide else ["int8" if column.dtype != "int8" else "int16"])]
    if "float" in column.dtype:
        return ["object", "float32" if column.dtype == "float64" else "float64"]
    return ["object"]


@pytest.mark.parametrize("name", NAMES)
def test_the_same_values_in_another_pandas_dtype_are_refused(name: str) -> None:
    """What Arrow columns cannot have: objects, and integers or floats of another kind with the same values."""
    table = whole(name)
    frame, passed = valid_rows(table), []
    for column in table.columns:
        for dtype in other_pandas_dtypes(column, frame[column.name]):
            wrong = frame.assign(**{column.name: frame[column.name].astype(dtype)})
            try:
                tables.validate(table, wrong)
                passed.append(f"{column.name} as {dtype}")
            except ContractError as error:
                assert f"table {name}: column {column.name} has dtype " in str(error)
    assert not passed


def test_a_refusal_names_column_rule_and_table() -> None:
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


def test_declarations_are_complete() -> None:
    """Every column has a meaning and a known unit, a unit in the name stands in the unit as well."""
    wrong = []
    for table in TABLES.values():
        names = [column.name for column in (*table.columns, *table.template)]
        if len(set(names)) < len(names) or not set(table.key) <= set(names) or not table.key:
            wrong.append(f"{table.name}: names or key")
        ordered = {*table.within, *([table.increasing] if table.increasing else [])}
        if not ordered <= set(names) or any(table[name].nullable for name in {*table.key, *ordered}):
            wrong.append(f"{table.name}: a rule on columns that are not there or may be null")
        for value, reason in table.either_or:
            if not (table[value].nullable and table[reason].nullable and table[reason].codes):
                wrong.append(f"{table.name}: {value} or {reason}")
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
