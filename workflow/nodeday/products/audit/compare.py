"""Two Parquet files of one table, cell by cell, in bounded memory: what is stored and what was derived anew.

Rows are held to each other by their place, for a table is written in one order only::

    stored    10 11 12 99 14        row 3: seq is 99, the captures say 13
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
from nodeday.storage.row_groups import READ_ROWS

MOST = 5
"""Cells of a table that are named; all are counted."""
ALIKE = {arrow.float32(): 1e-6, arrow.float64(): 1e-9}
"""Measured values may differ by so much of themselves: another processor's last digits. Whole numbers,
times, words and bytes may not differ at all. A choice of this project."""


@dataclass
class Compared:
    """Rows and cells held to each other; a sentence for each of the first differences."""

    rows: int = 0
    cells: int = 0
    unlike: int = 0
    differences: list[str] = field(default_factory=list)


def compare(stored: Path, derived: Path, key: tuple[str, ...]) -> Compared:
    """Hold ``stored`` to ``derived``; ``key`` are the columns that tell a row to a person."""
    found = Compared()
    if not stored.is_file():
        return _told(found, "is absent")
    try:
        with (
            parquet.ParquetFile(stored, page_checksum_verification=True) as mine,
            parquet.ParquetFile(derived) as truth,
        ):
            _columns(mine, truth, found)
            if not found.differences:
                _rows(mine, truth, key, found)
    except (OSError, arrow.ArrowException) as error:
        return _told(found, f"cannot be read ({str(error).splitlines()[0].rstrip('.')})")
    return found


def _told(found: Compared, what: str) -> Compared:
    found.unlike += 1
    if len(found.differences) < MOST:
        found.differences.append(what)
    return found


def _columns(mine: parquet.ParquetFile, truth: parquet.ParquetFile, found: Compared) -> None:
    there, due = mine.schema_arrow, truth.schema_arrow
    for name in due.names:
        if name not in there.names:
            _told(found, f"has no column {name}")
        elif _plain(there.field(name).type) != _plain(due.field(name).type):
            _told(found, f"column {name} is {there.field(name).type}, not {due.field(name).type}")
    for name in there.names:
        if name not in due.names:
            _told(found, f"has a column {name}, which the captures do not give")


def _plain(kind: arrow.DataType) -> arrow.DataType:
    return kind.value_type if arrow.types.is_dictionary(kind) else kind


def _rows(
    mine: parquet.ParquetFile, truth: parquet.ParquetFile, key: tuple[str, ...], found: Compared
) -> None:
    sizes = mine.metadata.num_rows, truth.metadata.num_rows
    if sizes[0] != sizes[1]:
        _told(found, f"has {sizes[0]} rows, the captures give {sizes[1]}")
    names, start = truth.schema_arrow.names, 0
    for left, right in _side_by_side(mine, truth, names):
        found.rows, found.cells = found.rows + len(left), found.cells + len(left) * len(names)
        if not left.equals(right):
            off = {name: unlike(left[name], right[name]) for name in names}
            if sizes[0] != sizes[1] and any(each.any() for each in off.values()):
                at = min(int(each.argmax()) for each in off.values() if each.any())
                _told(
                    found,
                    f"parts from the captures at row {start + at}, where they have {_named(right, key, at)}",
                )
                return
            _cells(left, right, off, key, start, found)
        start += len(left)


def _cells(
    left: arrow.Table,
    right: arrow.Table,
    off: dict[str, Bools],
    key: tuple[str, ...],
    start: int,
    found: Compared,
) -> None:
    for name, where in off.items():
        for at in np.flatnonzero(where).tolist():
            mine, truth = _said(left[name][at]), _said(right[name][at])
            where_ = f"row {start + at}, {_named(right, key, at)}"
            _told(found, f"{name} is {mine}, the captures say {truth}, in {where_}")


def _named(rows: arrow.Table, key: tuple[str, ...], at: int) -> str:
    return ", ".join(f"{name} {_said(rows[name][at])}" for name in key if name in rows.column_names)


def _said(cell: arrow.Scalar) -> str:
    value = cell.as_py()
    if isinstance(value, bytes):
        return f"{value[:16].hex(' ')}{' ...' if len(value) > 16 else ''}"
    return "null" if value is None else str(value)


def _side_by_side(
    mine: parquet.ParquetFile, truth: parquet.ParquetFile, names: list[str]
) -> Iterator[tuple[arrow.Table, arrow.Table]]:
    """The same rows of both files, a stretch at a time, up to the end of the shorter."""
    sides = [_stretches(mine, names), _stretches(truth, names)]
    held = [next(side, None) for side in sides]
    while held[0] is not None and held[1] is not None:
        size = min(len(held[0]), len(held[1]))
        yield held[0].slice(0, size), held[1].slice(0, size)
        held = [
            part.slice(size) if part is not None and len(part) > size else next(side, None)
            for part, side in zip(held, sides, strict=True)
        ]
        arrow.default_memory_pool().release_unused()


def _stretches(file: parquet.ParquetFile, names: list[str]) -> Iterator[arrow.Table]:
    for batch in file.iter_batches(READ_ROWS, columns=names):
        if batch.num_rows:
            yield arrow.Table.from_batches([batch]).select(names)


def unlike(left: arrow.ChunkedArray, right: arrow.ChunkedArray) -> Bools:
    """Where two columns (n,) differ: null equals null, and floats by no more than :data:`ALIKE`."""
    mine, theirs = (_whole(each) for each in (left, right))
    if mine.type in ALIKE:
        values = [np.asarray(each.to_numpy(zero_copy_only=False), np.float64) for each in (mine, theirs)]
        near: Any = np.isclose(values[0], values[1], rtol=ALIKE[mine.type], atol=0, equal_nan=True)
        return np.asarray(~near, np.bool_)
    differ = compute.fill_null(compute.not_equal(mine, theirs), False).to_numpy(zero_copy_only=False)
    nulls = [each.is_null().to_numpy(zero_copy_only=False) for each in (mine, theirs)]
    return np.asarray(differ | (nulls[0] != nulls[1]), np.bool_)


def _whole(column: arrow.ChunkedArray) -> arrow.Array:
    whole = column.cast(_plain(column.type)).combine_chunks()
    return arrow.concat_arrays(whole.chunks) if isinstance(whole, arrow.ChunkedArray) else whole
