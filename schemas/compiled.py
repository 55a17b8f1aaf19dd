"""From one declaration: the pandas dtypes and the Arrow schema of a table.

Nothing coerces. Dtypes are compared before any value is looked at, since a wrong dtype makes
value checks slow and their messages useless.
"""

from __future__ import annotations

import json
from functools import cache
from typing import Any

import pandas as pd
import pyarrow as arrow
from nodeday.schemas.declare import Column, Table

VERSION = "2"
"""Version of the data model, raised when a table or column changes its meaning."""


def pandas_dtype(column: Column) -> Any:
    """The one dtype a pandas column of this declaration may have."""
    if column.dtype == "code":
        return pd.CategoricalDtype(list(column.codes or ()))
    if column.dtype == "binary":
        return pd.ArrowDtype(arrow.binary())
    if column.dtype == "text":
        return pd.StringDtype(na_value=float("nan"))
    if column.dtype == "name":
        return pd.CategoricalDtype()
    if column.nullable and "int" in column.dtype:
        return pd.api.types.pandas_dtype(column.dtype.replace("int", "Int").replace("uI", "UI"))
    return pd.api.types.pandas_dtype(column.dtype)


def arrow_type(column: Column) -> arrow.DataType:
    """The Arrow type in which the column is stored."""
    if column.dtype in ("code", "name"):
        return arrow.dictionary(arrow.int32(), arrow.string())
    return {"text": arrow.string(), "binary": arrow.binary()}.get(column.dtype) or getattr(
        arrow, column.dtype
    )()


def describe(column: Column) -> dict[str, Any]:
    """What a reader of the file should know of the column, as plain values."""
    facts = {
        "dtype": column.dtype,
        "unit": column.unit,
        "meaning": column.meaning,
        "least": column.ge,
        "most": column.le,
        "nullable": column.nullable,
        "codes": dict(column.codes or {}) or None,
    }
    return {key: value for key, value in facts.items() if value is not None}


@cache
def arrow_schema(table: Table) -> arrow.Schema:
    """Arrow schema of ``table`` with field metadata, and the same facts in one file-level key.

    Readers other than pyarrow drop field metadata, hence the second place.
    """
    facts = {column.name: describe(column) for column in table.columns}
    fields = [
        arrow.field(
            column.name,
            arrow_type(column),
            nullable=column.nullable,
            metadata={"unit": column.unit, "meaning": column.meaning},
        )
        for column in table.columns
    ]
    about = {"table": table.name, "row": table.row, "version": VERSION, "columns": facts}
    return arrow.schema(fields, metadata={"nodeday": json.dumps(about)})


def wrong_dtypes(table: Table, frame: pd.DataFrame) -> list[str]:
    """A sentence for each column whose dtype is not the declared one."""
    wrong = []
    for column in table.columns:
        if column.name not in frame:
            continue
        found, expected = frame[column.name].dtype, pandas_dtype(column)
        same = isinstance(found, pd.CategoricalDtype) if column.dtype == "name" else found == expected
        if not same:
            wrong.append(f"column {column.name} has dtype {found}, expected {expected}")
    return wrong
