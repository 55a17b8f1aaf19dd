"""Rows of CSV and Parquet files as columns of numbers, with the line of a value that is no number."""

from __future__ import annotations

import codecs
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as arrow
import pyarrow.compute as compute
import pyarrow.csv as csv
import pyarrow.parquet as parquet
from numpy.typing import NDArray

from nodeday.core.arrays import Bools, Floats, Ints
from nodeday.core.errors import ContractError

ROWS = 1 << 16
HEAD = 1 << 16
"""Bytes within which the line of column names ends."""
SEPARATORS = ",;\t"
BYTE_ORDER_MARKS = {codecs.BOM_UTF16_LE: "utf-16", codecs.BOM_UTF16_BE: "utf-16"}
FINEST = arrow.decimal128(36, 12)
"""Type in which times with decimals are read: no float holds a time."""


@dataclass(frozen=True)
class TextForm:
    """How a text file is written: its encoding, its separator, and the names of its columns."""

    encoding: str
    separator: str
    names: tuple[str, ...]


def text_form(path: Path, column: str, separator: str | None) -> TextForm | None:
    """Return how a text file with ``column`` is written, or None for a file without such a header.

    UTF-8, or UTF-16 with a byte order mark. Without a declared ``separator`` it is that of comma,
    semicolon and tab by which the first line has the column.
    """
    with path.open("rb") as file:
        head = file.read(HEAD)
    encoding = BYTE_ORDER_MARKS.get(head[:2], "utf-8-sig")
    wide = encoding == "utf-16"
    raw = head[: len(head) // 2 * 2] if wide else head.split(b"\n", 1)[0]
    try:
        line = raw.decode(encoding, "ignore" if wide else "strict").split("\n", 1)[0].rstrip("\r")
    except UnicodeDecodeError:
        return None
    for each in separator or SEPARATORS:
        names = tuple(name.strip('"') for name in line.split(each))
        if column in names:
            return TextForm(encoding, each, names)
    return None


@dataclass(frozen=True)
class RowBatch:
    """Rows of a file: the piece that begins with row ``first``, or those at positions ``at`` of it."""

    table: arrow.Table
    first: int
    path: Path
    form: str
    at: Ints
    decimal: str = "."

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

    def looked_up(self, name: str, known: Mapping[str, int]) -> Ints:
        """Return the number of each text in a column (n,); raise ContractError for an unknown one."""
        text, index = np.unique(self.text(name), return_inverse=True)
        for number, each in enumerate(text.tolist()):
            if each not in known:
                row = int(np.flatnonzero(index == number)[0])
                raise ContractError(f"{name} is {each!r}", self.where(row), f"one of {', '.join(known)}")
        return np.array([known[each] for each in text.tolist()], np.int64)[index]

    def ints(self, name: str) -> Ints:
        return np.asarray(self._cast(name, arrow.int64(), "a whole number").to_numpy(), np.int64)

    def floats(self, name: str) -> Floats:
        """Return a column of finite numbers (n,); raise ContractError for anything else."""
        out, null = self.measured(name)
        if null.any():
            row = int(np.argmax(null))
            raise self._wrong_value(name, row, self.table[name][row].as_py(), "a number")
        return out

    def measured(self, name: str) -> tuple[Floats, Bools]:
        """Return a column of numbers (n,), and where it holds none: empty, NaN or infinite, there 0."""
        out = self._cast(name, arrow.float64(), "a number", nullable=True).to_numpy(zero_copy_only=False)
        null = ~np.isfinite(out)
        return np.where(null, 0.0, out), null

    def filled(self, name: str) -> Bools:
        """Return where a column holds anything, (n,)."""
        return np.asarray(self.table[name].is_valid().to_numpy(zero_copy_only=False), np.bool_)

    def value(self, name: str, row: int) -> object:
        """Return one value as the file has it."""
        return self.table[name][row].as_py()

    def is_numbers(self, name: str) -> bool:
        """Whether a column of times holds numbers, by its first row."""
        column = self.table[name]
        if not arrow.types.is_string(column.type):
            return not arrow.types.is_timestamp(column.type)
        first = column[0].as_py() if len(column) else None
        return (first or "").removeprefix("-").replace(self.decimal, "", 1).isdigit()

    def instants_ns(self, name: str, zone: str | None, strict: bool) -> Ints:
        """Return instants in nanoseconds UTC (n,).

        Those without an offset are local times of ``zone``. Without a zone they are an error, but for the
        timestamps of Parquet where not ``strict``, which then are UTC.
        """
        column = self.table[name]
        naive = arrow.types.is_timestamp(column.type) and column.type.tz is None and (strict or zone)
        if arrow.types.is_string(column.type):
            naive = not _bad(column.slice(0, 1), arrow.timestamp("ns"))
        if naive and zone is not None:
            what = f"an instant without an offset that {zone} had once, as in the rows before it"
            if zone == "UTC":
                what = "an instant without an offset, as in the rows before it"
            values = self._cast(name, arrow.timestamp("ns"), what)
            if zone != "UTC":
                values = self._in_zone(name, values, zone, what)
        else:
            what = "an instant with its offset from UTC, such as 2026-07-14T05:00:00Z"
            if naive and not arrow.types.is_string(column.type):
                raise self._wrong_value(name, 0, self.value(name, 0), what)
            values = self._cast(name, arrow.timestamp("ns", "UTC"), what)
        return np.asarray(values.cast(arrow.int64()).to_numpy(), np.int64)

    def _in_zone(self, name: str, values: arrow.ChunkedArray, zone: str, what: str) -> arrow.ChunkedArray:
        """Return local times as instants; raise ContractError where summer time makes one two or none."""

        def bad(part: arrow.ChunkedArray) -> bool:
            try:
                compute.assume_timezone(part, zone, ambiguous="raise", nonexistent="raise")
            except arrow.ArrowInvalid:
                return True
            return False

        if bad(values):
            row = _first_bad(values, bad)
            raise self._wrong_value(name, row, self.value(name, row), what)
        return compute.assume_timezone(values, zone)

    def numbers_ns(self, name: str, unit_ns: int) -> Ints:
        """Return numbers of units, also with decimals, as nanoseconds (n,)."""
        exact, most = self._cast(name, FINEST, "a number"), (2**63 - 1) // unit_ns
        far = compute.greater(compute.abs(exact), arrow.scalar(most, arrow.int64())).to_numpy()
        if far.any():
            row = int(np.argmax(far))
            raise self._wrong_value(name, row, self.table[name][row].as_py(), f"a number up to {most}")
        units = compute.floor(exact)
        part = compute.subtract(exact, units).cast(arrow.float64()).to_numpy()
        begun = np.asarray(units.cast(arrow.int64()).to_numpy(), np.int64) * unit_ns
        return np.asarray(begun + np.rint(part * unit_ns).astype(np.int64))

    def _cast(self, name: str, kind: arrow.DataType, what: str, nullable: bool = False) -> arrow.ChunkedArray:
        column = self.table[name]
        if arrow.types.is_string(column.type) and kind != arrow.string():
            column = compute.utf8_trim_whitespace(column)
            if self.decimal != ".":
                column = compute.replace_substring(column, self.decimal, ".")
        try:
            out = column.cast(kind)
        except (arrow.ArrowInvalid, arrow.ArrowNotImplementedError):
            out = None
        if out is None or (out.null_count and not nullable):
            row = _first_bad(column, lambda part: _bad(part, kind, nullable))
            raise self._wrong_value(name, row, self.table[name][row].as_py(), what)
        return out

    def _wrong_value(self, name: str, row: int, value: object, what: str) -> ContractError:
        described = "is empty" if value in (None, "") else f"is {value!r}"
        return ContractError(f"{name} {described}", self.where(row), what)


def _first_bad(column: arrow.ChunkedArray, bad: Callable[[arrow.ChunkedArray], bool]) -> int:
    """Return the first row that is ``bad``: by halves, since a library tells of a column as one."""
    low, high = 0, len(column)
    while high - low > 1:
        half = (low + high) // 2
        low, high = (low, half) if bad(column.slice(low, half - low)) else (half, high)
    return low


def _bad(column: arrow.ChunkedArray, kind: arrow.DataType, nullable: bool = False) -> bool:
    try:
        return bool(column.cast(kind).null_count) and not nullable
    except (arrow.ArrowInvalid, arrow.ArrowNotImplementedError):
        return True


def numbered(pattern: str, names: list[str]) -> list[str]:
    """Return those of ``names`` that are ``pattern`` with a number in place of its ``*``, by that number.

    >>> numbered("ecg_*", ["time", "ecg_10", "ecg_9", "ecg_x"])
    ['ecg_9', 'ecg_10']
    """
    before, _, after = pattern.partition("*")
    matches = re.compile(f"{re.escape(before)}([0-9]+){re.escape(after)}")
    found = [(int(match[1]), name) for name in names if (match := matches.fullmatch(name))]
    return [name for _, name in sorted(found)]


def read(path: Path, text: TextForm | None, decimal: str = ".") -> Iterator[RowBatch]:
    """Yield the rows of a file in pieces, of a Parquet file without ``text``.

    Raises ContractError where the file cannot be read or has a column twice.
    """
    first, form = 0, "csv" if text else "parquet"
    ragged: list[csv.InvalidRow] = []
    try:
        for batch in _text_batches(path, text, ragged) if text else _parquet_batches(path):
            if batch.num_rows:
                table = arrow.Table.from_batches([batch])
                yield RowBatch(table, first, path, form, np.arange(batch.num_rows), decimal)
            first += batch.num_rows
    except (arrow.ArrowInvalid, OSError, UnicodeError) as error:
        if ragged:
            row = ragged[0]
            found = f"has {row.actual_columns} cells"
            raise ContractError(found, f"{path} line {row.number}", f"{row.expected_columns}") from None
        raise ContractError(f"cannot be read ({str(error).splitlines()[0].rstrip('.')})", str(path)) from None


def _parquet_batches(path: Path) -> Iterator[arrow.RecordBatch]:
    with parquet.ParquetFile(path) as file:
        _refuse_twice(file.schema_arrow.names, str(path))
        yield from file.iter_batches(ROWS)


def _text_batches(path: Path, text: TextForm, ragged: list[csv.InvalidRow]) -> Iterator[arrow.RecordBatch]:
    _refuse_twice(text.names, f"{path} line 1")

    def refuse(row: csv.InvalidRow) -> str:
        ragged.append(row)
        return "error"

    # As text: a value that is no number is then named with its line.
    yield from csv.open_csv(
        path,
        csv.ReadOptions(use_threads=False, block_size=4 << 20, encoding=text.encoding.removesuffix("-sig")),
        csv.ParseOptions(delimiter=text.separator, ignore_empty_lines=False, invalid_row_handler=refuse),
        csv.ConvertOptions(
            column_types=dict.fromkeys(text.names, arrow.string()), strings_can_be_null=True, null_values=[""]
        ),
    )


def _refuse_twice(names: Sequence[str], where: str) -> None:
    twice = sorted({name for name in names if names.count(name) > 1})
    if twice:
        raise ContractError(f"column {', '.join(twice)} is there twice", where, "each column once")
