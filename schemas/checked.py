"""From the same declaration: the pandera schema that holds a frame to it.

Apart, because pandera is slow to import, and reading tables needs none of it.
"""

from __future__ import annotations

from functools import cache

import pandas as pd
import pandera.pandas as pa
from nodeday.schemas.declare import Column, Table


def _column(column: Column) -> pa.Column:
    checks = []
    if column.ge is not None:
        checks.append(pa.Check.ge(column.ge))
    if column.le is not None:
        checks.append(pa.Check.le(column.le))
    # A category's dtype holds its codes, so pandera need only look at nulls and ranges there.
    return pa.Column(
        None,
        checks,
        nullable=column.nullable,
        required=True,
        title=column.name,
        description=column.meaning,
        metadata={"unit": column.unit},
    )


def _never_falls(table: Table, column: str) -> pa.Check:
    def ordered(frame: pd.DataFrame) -> bool:
        values = frame[column]
        if not table.within:
            return bool(values.is_monotonic_increasing)
        groups = frame.groupby(list(table.within), observed=True, sort=False)[column]
        return bool((groups.diff().dropna() >= 0).all())

    return pa.Check(ordered, error=f"{column} never falls within {list(table.within)}")


def _value_or_reason(frame: pd.DataFrame) -> bool:
    return bool((frame["value"].isna() == frame["reason"].notna()).all())


@cache
def pandera_schema(table: Table) -> pa.DataFrameSchema:
    """Strict, ordered, never coercing pandera schema of ``table``."""
    checks = [_never_falls(table, table.increasing)] if table.increasing else []
    if {"value", "reason"} <= set(table.names):
        checks.append(pa.Check(_value_or_reason, error="value is null exactly where reason stands"))
    return pa.DataFrameSchema(
        {column.name: _column(column) for column in table.columns},
        checks=checks,
        strict=True,
        coerce=False,
        ordered=True,
        unique=list(table.key),
        name=table.name,
        title=table.row,
    )
