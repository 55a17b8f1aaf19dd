"""What a declaration is compiled into: pandas dtypes, an Arrow schema and a pandera schema.

These hold data frames to a table's contract. :mod:`nodeday.storage.contract` holds Arrow columns to it, rule
by rule in the same way. Nothing coerces. Dtypes are compared before any value is looked at, since a wrong
dtype makes value checks slow and their messages useless.
"""

from __future__ import annotations

import json
from functools import cache
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import pyarrow as arrow
from nodeday.schemas.declare import Column, Table

if TYPE_CHECKING:
    import pandera.pandas as pandera

VERSION = "4"
"""Version of the data model, raised when a table or column changes its meaning.

4: ``heart_rate_bpm`` counts the shares of intervals that lie in the epoch, artefacts and pauses among them;
``rr_status`` has ``pause``, and ``too_long`` is an interval that the signal does not show to be one; table
``rhythm``, five features and the reasons ``irregular`` and ``step_rate`` are new; ``signal_quality`` has
the signs of a heart and ``pacing_spikes``. ``samples`` has ``rate_hz``; table ``cut`` is new. In
``sessions``, coverage is null with a reason where a node sends no samples, and begin and end are null where
no clock leads to UTC; files of ``frames`` have columns for a layout's further fields; tables ``fields`` and
``sent`` are new; ``gaps`` may begin before the first frame of a boot, by a transmit list; ``radio`` has
``boot_returns``.

3: ``frames`` has a file for each node and stream and the column ``row``; table ``hub_runs`` is new; column
``room`` of ``ledger`` is ``stage``; reject reason ``unknown_node`` is new, and a frame that fits nowhere but
holds its checksum is ``unplaced`` and no reject.
"""


def pandas_dtype(column: Column) -> Any:
    """Return the one dtype that a pandas column of this declaration may have."""
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
    """Return the Arrow type in which the column is stored."""
    if column.dtype in ("code", "name"):
        return arrow.dictionary(arrow.int32(), arrow.string())
    return {"text": arrow.string(), "binary": arrow.binary()}.get(column.dtype) or getattr(
        arrow, column.dtype
    )()


def describe(column: Column) -> dict[str, Any]:
    """Return what a reader of the file should know of the column, as plain values."""
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
    """Return the Arrow schema of ``table``, with metadata for each field and for the file.

    The file's metadata repeat those of the fields, which readers other than pyarrow drop.
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


def order_rule(table: Table) -> str:
    """Return the rule on the order of rows, as a phrase."""
    return f"{table.increasing} never falls within {list(table.within)}"


def either_or_rule(value: str, reason: str) -> str:
    """Return the rule that each row has one of two columns, as a phrase."""
    return f"{value} is null exactly where {reason} is given"


def wrong_dtypes(table: Table, frame: pd.DataFrame) -> list[str]:
    """Return a sentence for each column whose dtype is not the declared one."""
    declared, wrong = {column.name: column for column in table.columns}, []
    for name, dtype in frame.dtypes.items():
        column = declared.get(str(name))
        if column is None:
            continue
        expected = pandas_dtype(column)
        if not (_is_name(dtype) if column.dtype == "name" else dtype == expected):
            wrong.append(f"column {name} has dtype {dtype}, expected {expected}")
    return wrong


def _is_name(dtype: Any) -> bool:
    """Return whether ``dtype`` is that of categories that are texts."""
    return isinstance(dtype, pd.CategoricalDtype) and (
        not len(dtype.categories) or pd.api.types.is_string_dtype(dtype.categories)
    )


@cache
def pandera_schema(table: Table) -> pandera.DataFrameSchema:
    """Return the strict, ordered, never coercing pandera schema of ``table``.

    It holds every rule but the dtypes and the lists of codes, which are part of the dtypes: those are for
    :func:`wrong_dtypes` to compare. pandera is slow to import, and reading tables needs none of it.
    """
    import pandera.pandas as pandera

    checks = [_never_falls(table, table.increasing)] if table.increasing else []
    checks += [_either_or(value, reason) for value, reason in table.either_or]
    return pandera.DataFrameSchema(
        {column.name: _pandera_column(column) for column in table.columns},
        checks=checks,
        strict=True,
        coerce=False,
        ordered=True,
        unique=list(table.key),
        name=table.name,
        title=table.row,
    )


def _pandera_column(column: Column) -> pandera.Column:
    import pandera.pandas as pandera

    checks = []
    if column.ge is not None:
        checks.append(pandera.Check.ge(column.ge))
    if column.le is not None:
        checks.append(pandera.Check.le(column.le))
    return pandera.Column(
        None,
        checks,
        nullable=column.nullable,
        required=True,
        title=column.name,
        description=column.meaning,
        metadata={"unit": column.unit},
    )


def _never_falls(table: Table, column: str) -> pandera.Check:
    import pandera.pandas as pandera

    def ordered(frame: pd.DataFrame) -> bool:
        if not table.within:
            return bool(frame[column].is_monotonic_increasing)
        group = frame.groupby(list(table.within), observed=True, sort=False).ngroup().to_numpy()
        order = np.argsort(group, kind="stable")
        # Compared and not subtracted: pandas takes differences within groups in floats.
        group, values = group[order], frame[column].to_numpy()[order]
        return not bool(((values[1:] < values[:-1]) & (group[1:] == group[:-1])).any())

    return pandera.Check(ordered, error=order_rule(table))


def _either_or(value: str, reason: str) -> pandera.Check:
    import pandera.pandas as pandera

    def one_of_them(frame: pd.DataFrame) -> bool:
        return bool((frame[value].isna() == frame[reason].notna()).all())

    return pandera.Check(one_of_them, error=either_or_rule(value, reason))
