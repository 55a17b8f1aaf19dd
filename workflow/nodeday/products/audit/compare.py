"""Comparison of two Parquet files of one table, cell by cell, in bounded memory: stored and derived anew.

Rows are compared by their position, for a table is written in one order only::

    stored    10 11 12 99 14        row 3: seq is 99, the captures give 13
    derived   10 11 12 13 14
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as arrow
import pyarrow.compute as compute
import pyarrow.parquet as parquet

from nodeday.core.arrays import Bools
from nodeday.core.errors import ContractError
from nodeday.storage.row_groups import READ_ROWS, opened

MOST = 5
"""Cells of a table that are named; all are counted."""
ALIKE = {arrow.float32(): 1e-6, arrow.float64(): 1e-9}
"""Relative difference that measured values may have: the last digits of another processor. Whole numbers,
times, words and bytes may not differ at all. A choice of this project."""


@dataclass
class Compared:
    """Rows and cells that were compared, how many differ, and a sentence for the first differences."""

    rows: int = 0
    cells: int = 0
    unlike: int = 0
    differences: list[str] = field(default_factory=list)


def compare(stored: Path, derived: Path, key: tuple[str, ...]) -> Compared:
    """Compare ``stored`` with ``derived``; ``key`` are the columns that name a row to a person."""
    found = Compared()
    if not stored.is_file():
        return _note(found, "is absent")
    try:
        with opened(stored) as left, opened(derived) as right:
            _compare_columns(left, right, found)
            if not found.differences:
                _compare_rows(left, right, key, found)
    except ContractError as error:
        return _note(found, error.found)
    return found


def _note(found: Compared, what: str) -> Compared:
    found.unlike += 1
    if len(found.differences) < MOST:
        found.differences.append(what)
    return found


def _compare_columns(stored: parquet.ParquetFile, derived: parquet.ParquetFile, found: Compared) -> None:
    left, right = stored.schema_arrow, derived.schema_arrow
    for name in right.names:
        if name not in left.names:
            _note(found, f"has no column {name}")
        elif _plain(left.field(name).type) != _plain(right.field(name).type):
            _note(found, f"column {name} is {left.field(name).type}, not {right.field(name).type}")
    for name in left.names:
        if name not in right.names:
            _note(found, f"has a column {name}, which the captures do not give")


def _plain(kind: arrow.DataType) -> arrow.DataType:
    return kind.value_type if arrow.types.is_dictionary(kind) else kind


def _compare_rows(
    stored: parquet.ParquetFile, derived: parquet.ParquetFile, key: tuple[str, ...], found: Compared
) -> None:
    sizes = stored.metadata.num_rows, derived.metadata.num_rows
    if sizes[0] != sizes[1]:
        _note(found, f"has {sizes[0]} rows, the captures give {sizes[1]}")
    names, start = derived.schema_arrow.names, 0
    for left, right in _in_step(stored, derived, names):
        found.rows, found.cells = found.rows + len(left), found.cells + len(left) * len(names)
        if not left.equals(right):
            differ = {name: unlike(left[name], right[name]) for name in names}
            if sizes[0] != sizes[1] and any(mask.any() for mask in differ.values()):
                at = min(int(mask.argmax()) for mask in differ.values() if mask.any())
                row = f"row {start + at}, where they have {_named(right, key, at)}"
                _note(found, f"parts from the captures at {row}")
                return
            _note_cells(left, right, differ, key, start, found)
        start += len(left)


def _note_cells(
    left: arrow.Table,
    right: arrow.Table,
    differ: dict[str, Bools],
    key: tuple[str, ...],
    start: int,
    found: Compared,
) -> None:
    for name, mask in differ.items():
        for at in np.flatnonzero(mask).tolist():
            stored, derived = _text(left[name][at]), _text(right[name][at])
            row = f"row {start + at}, {_named(right, key, at)}"
            _note(found, f"{name} is {stored}, the captures give {derived}, in {row}")


def _named(rows: arrow.Table, key: tuple[str, ...], at: int) -> str:
    return ", ".join(f"{name} {_text(rows[name][at])}" for name in key if name in rows.column_names)


def _text(cell: arrow.Scalar) -> str:
    value = cell.as_py()
    if isinstance(value, bytes):
        return f"{value[:16].hex(' ')}{' ...' if len(value) > 16 else ''}"
    return "null" if value is None else str(value)


def _in_step(
    stored: parquet.ParquetFile, derived: parquet.ParquetFile, names: list[str]
) -> Iterator[tuple[arrow.Table, arrow.Table]]:
    """Yield the rows at equal positions of both files, a stretch at a time, up to the end of the shorter."""
    sides = [_stretches(stored, names), _stretches(derived, names)]
    parts = [next(side, None) for side in sides]
    while parts[0] is not None and parts[1] is not None:
        size = min(len(parts[0]), len(parts[1]))
        yield parts[0].slice(0, size), parts[1].slice(0, size)
        parts = [
            part.slice(size) if part is not None and len(part) > size else next(side, None)
            for part, side in zip(parts, sides, strict=True)
        ]
        arrow.default_memory_pool().release_unused()


def _stretches(file: parquet.ParquetFile, names: list[str]) -> Iterator[arrow.Table]:
    for batch in file.iter_batches(READ_ROWS, columns=names):
        if batch.num_rows:
            yield arrow.Table.from_batches([batch]).select(names)


def unlike(left: arrow.ChunkedArray, right: arrow.ChunkedArray) -> Bools:
    """Return where two columns (n,) differ: null equals null, and floats may differ by :data:`ALIKE`."""
    columns = [_array(column) for column in (left, right)]
    kind = columns[0].type
    if kind in ALIKE:
        values = [np.asarray(column.to_numpy(zero_copy_only=False), np.float64) for column in columns]
        near: Any = np.isclose(values[0], values[1], rtol=ALIKE[kind], atol=0, equal_nan=True)
        return np.asarray(~near, np.bool_)
    differ = compute.fill_null(compute.not_equal(*columns), False).to_numpy(zero_copy_only=False)
    nulls = [column.is_null().to_numpy(zero_copy_only=False) for column in columns]
    return np.asarray(differ | (nulls[0] != nulls[1]), np.bool_)


def _array(column: arrow.ChunkedArray) -> arrow.Array:
    """The column as one array of plain values."""
    array = column.cast(_plain(column.type)).combine_chunks()
    return arrow.concat_arrays(array.chunks) if isinstance(array, arrow.ChunkedArray) else array
