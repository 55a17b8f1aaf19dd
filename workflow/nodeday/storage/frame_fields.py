"""Fields of frames beyond those of table ``frames``: a layout's fields of role ``other``, as columns.

A file of ``frames`` has, behind the columns of every frame, those of its own stream's fields::

    ... payload status field_hops field_channel field_supply scaled_supply
                       as sent                               in its unit, where the layout gives a scale
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pyarrow as arrow

from nodeday.layouts import Field, Kind, Layout
from nodeday.schemas import TABLES, Table
from nodeday.storage import contract

RAW, SCALED = TABLES["frames"].template


def fields_of(layout: Layout, kind: Kind) -> tuple[Field, ...]:
    """Return the fields of a kind's frames that have a column of their own, in order."""
    return tuple(field for field, _ in layout.positions(kind).values() if field.role == "other")


def column_of(field: str) -> str:
    """Return the column of a field as sent.

    >>> column_of("hops")
    'field_hops'
    """
    return RAW.name.format(field=field)


def table_of(fields: Sequence[Field]) -> Table:
    """Return the contract of a stream's file whose frames have these fields."""
    table = TABLES["frames"]
    if not fields:
        return table
    columns = []
    for field in fields:
        unit = "count" if field.is_scaled else field.unit
        columns.append(RAW.but(name=column_of(field.name), unit=unit, stated=True))
        if field.is_scaled:
            columns.append(
                SCALED.but(name=SCALED.name.format(field=field.name), unit=field.unit, stated=True)
            )
    return replace(table, columns=(*table.columns, *columns), template=())


def with_scaled(rows: arrow.Table, fields: Sequence[Field]) -> arrow.Table:
    """Return rows of a stream with the values of scaled fields, in the order of :func:`table_of`.

    A value is null where the field as sent is.
    """
    for field in fields:
        if field.is_scaled:
            sent = rows[column_of(field.name)]
            counts = sent.fill_null(0).to_numpy()
            if field.bits == 64 and not field.signed:
                counts = counts.view(np.uint64)
            known = contract.validity(sent.is_valid().to_numpy())
            values = counts.astype(np.float64) * field.scale + field.offset
            rows = rows.append_column(
                SCALED.name.format(field=field.name), contract.number_column(values, known)
            )
    return rows.select(table_of(fields).names)
