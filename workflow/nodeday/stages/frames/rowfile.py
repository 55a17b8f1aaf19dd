"""Rows of CSV and Parquet files as columns of numbers, with the line of whatever is none."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as arrow
import pyarrow.csv as csv
import pyarrow.parquet as parquet
from numpy.typing import NDArray

from nodeday.core.arrays import Floats, Ints
from nodeday.core.errors import ContractError

ROWS = 1 << 16


@dataclass(frozen=True)
class RowBatch:
    """Rows of a file: the piece that begins with row ``first``, or those ``at`` some places of it."""

    table: arrow.Table
    first: int
    path: Path
    form: str
    at: Ints

    def take(self, at: Ints) -> RowBatch:
        return replace(self, table=self.table.take(at), at=self.at[at])

    def where(self, row: int) -> str:
        """The row in words; -1 is the header."""
        if row < 0:
            return f"{self.path} line 1" if self.form == "csv" else str(self.path)
        number = self.first + int(self.at[row])
        return f"{self.path} line {number + 2}" if self.form == "csv" else f"{self.path} row {number + 1}"

    def has(self, name: str) -> bool:
        return name in self.table.column_names

    def text(self, name: str) -> NDArray[Any]:
        return np.asarray(self._cast(name, arrow.string(), "text").to_numpy(zero_copy_only=False))

    def ints(self, name: str) -> Ints:
        return np.asarray(self._cast(name, arrow.int64(), "a whole number").to_numpy(), np.int64)

    def floats(self, name: str) -> Floats:
        return np.asarray(self._cast(name, arrow.float64(), "a number").to_numpy(), np.float64)

    def instants(self, name: str, unit_ns: int) -> tuple[Ints, bool]:
        """Nanoseconds, and whether they are UTC."""
        column = self.table[name]
        number = arrow.types.is_integer(column.type)
        if arrow.types.is_string(column.type) and len(column):
            number = column[0].is_valid and column[0].as_py().lstrip("-").isdigit()
        if number:
            return self.ints(name) * unit_ns, False
        kind = arrow.timestamp("ns", "UTC")
        values = self._cast(name, kind, "an instant with its offset from UTC, such as 2026-07-14T05:00:00Z")
        return np.asarray(values.cast(arrow.int64()).to_numpy(), np.int64), True

    def _cast(self, name: str, kind: arrow.DataType, what: str) -> arrow.ChunkedArray:
        column = self.table[name]
        try:
            out = column.cast(kind)
        except (arrow.ArrowInvalid, arrow.ArrowNotImplementedError):
            out = None
        if out is None or out.null_count:
            row = self._wrong(column, kind)
            found = column[row].as_py()
            said = "is empty" if found in (None, "") else f"is {found!r}"
            raise ContractError(f"{name} {said}", self.where(row), what)
        return out

    def _wrong(self, column: arrow.ChunkedArray, kind: arrow.DataType) -> int:
        """The first row that is null or cannot be cast: by halves, since casting is all or nothing."""
        low, high = 0, len(column)
        while high - low > 1:
            half = (low + high) // 2
            low, high = (low, half) if _bad(column.slice(low, half - low), kind) else (half, high)
        return low


def _bad(column: arrow.ChunkedArray, kind: arrow.DataType) -> bool:
    try:
        return bool(column.cast(kind).null_count)
    except (arrow.ArrowInvalid, arrow.ArrowNotImplementedError):
        return True


def read(path: Path, form: str, separator: str) -> Iterator[RowBatch]:
    """Rows of a file in pieces; raise ContractError where it cannot be read."""
    first = 0
    ragged: list[csv.InvalidRow] = []
    try:
        for batch in _batches(path, form, separator, ragged):
            if batch.num_rows:
                table = arrow.Table.from_batches([batch])
                yield RowBatch(table, first, path, form, np.arange(batch.num_rows))
            first += batch.num_rows
    except (arrow.ArrowInvalid, OSError) as error:
        if ragged:
            row = ragged[0]
            found = f"has {row.actual_columns} cells"
            raise ContractError(found, f"{path} line {row.number}", f"{row.expected_columns}") from None
        raise ContractError(f"cannot be read ({str(error).splitlines()[0].rstrip('.')})", str(path)) from None


def _batches(
    path: Path, form: str, separator: str, ragged: list[csv.InvalidRow]
) -> Iterator[arrow.RecordBatch]:
    if form == "parquet":
        with parquet.ParquetFile(path) as file:
            yield from file.iter_batches(ROWS)
        return
    with path.open("rb") as file:
        header = file.readline().decode("utf-8-sig").rstrip("\r\n")
    names = [name.strip('"') for name in header.split(separator)]
    twice = sorted({name for name in names if names.count(name) > 1})
    if twice:
        raise ContractError(f"column {', '.join(twice)} is there twice", f"{path} line 1", "each column once")

    def refuse(row: csv.InvalidRow) -> str:
        ragged.append(row)
        return "error"

    # As text: a value that is no number is then told with its line.
    yield from csv.open_csv(
        path,
        csv.ReadOptions(use_threads=False, block_size=4 << 20),
        csv.ParseOptions(delimiter=separator, ignore_empty_lines=False, invalid_row_handler=refuse),
        csv.ConvertOptions(
            column_types=dict.fromkeys(names, arrow.string()), strings_can_be_null=True, null_values=[""]
        ),
    )
