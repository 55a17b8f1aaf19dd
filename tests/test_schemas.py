"""The declarations: each is complete, and a frame has the declared dtypes or is refused in a sentence."""

from __future__ import annotations

from typing import Any

import pandas as pd
import pytest
from conftest import put, valid_rows, whole
from nodeday.schemas import FEATURES, TABLES, Column
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
    """Objects, and integers or floats of another kind: nothing is cast, even where it would fit."""
    table = whole(name)
    frame = valid_rows(table)
    for column in table.columns:
        for dtype in other_pandas_dtypes(column, frame[column.name]):
            wrong = frame.assign(**{column.name: frame[column.name].astype(dtype)})
            with pytest.raises(ContractError, match=f"^table {name}: column {column.name} has dtype "):
                tables.validate(table, wrong)


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


@pytest.mark.parametrize("name", NAMES)
def test_rules_across_columns_and_rows_name_columns_that_can_bear_them(name: str) -> None:
    table = TABLES[name]
    names = [column.name for column in (*table.columns, *table.template)]
    assert len(set(names)) == len(names)
    assert table.key
    assert table.increasing or not table.within
    for known in {*table.key, *table.within, *([table.increasing] if table.increasing else [])}:
        assert not table[known].nullable, known
    for value, reason in table.either_or:
        assert table[value].nullable
        assert table[reason].nullable
        assert table[reason].codes


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
