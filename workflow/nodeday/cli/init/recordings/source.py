"""A CSV or Parquet file of which nothing is known yet: its encoding, separator, decimal and columns."""

from __future__ import annotations

import csv
import re
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from typing import Literal

import numpy as np
import pyarrow as arrow

from nodeday.core.arrays import Bools, Floats
from nodeday.core.errors import ContractError, SettingsError
from nodeday.stages.frames import rowfile
from nodeday.stages.frames.rowfile import BYTE_ORDER_MARKS, HEAD, SEPARATORS, RowBatch, TextForm

HEAD_ROWS = 400_000
"""Rows in memory by which columns are told apart and paces are measured. A choice of this project."""
LOOK_LINES = 20
PACKED = {b"\x1f\x8b": "gzip", b"\x28\xb5": "zstd", b"PK": "zip"}
NUMBER = re.compile(r"[+-]?\d+([.,]\d+)?([eE][+-]?\d+)?")
BYTES = (
    "A capture of bytes needs a layout: `nodeday init DIR --skeleton NAME` writes one to fill in, and "
    "`nodeday layout check` tries it."
)


@dataclass(frozen=True)
class Source:
    """A file of rows: how its text is written, None for Parquet, and its first rows."""

    path: Path
    text: TextForm | None
    decimal: Literal[".", ","]
    head: RowBatch

    @property
    def names(self) -> list[str]:
        """Names of the columns, in order."""
        return list(self.head.table.column_names)

    def batches(self) -> Iterator[RowBatch]:
        """Yield all rows in pieces."""
        return rowfile.read(self.path, self.text, self.decimal)


def open_source(path: Path) -> Source:
    """Open a recording; raise SettingsError where it is no table of rows."""
    if not path.is_file():
        raise SettingsError("no such file", str(path), "a CSV or Parquet file")
    with path.open("rb") as file:
        head = file.read(HEAD)
    if head[:4] == b"PAR1":
        return Source(path, None, ".", _head(path, None, "."))
    for magic, name in PACKED.items():
        if head.startswith(magic):
            raise SettingsError(f"is packed with {name}", str(path), "CSV or Parquet", "Unpack it first.")
    encoding = BYTE_ORDER_MARKS.get(head[:2], "utf-8-sig")
    try:
        text = head[: len(head) // 2 * 2].decode(encoding, "ignore" if encoding == "utf-16" else "strict")
    except UnicodeDecodeError as error:
        cut_letter = error.start >= len(head) - 4
        text = head.decode(encoding, "ignore") if cut_letter else "\0"
    if "\0" in text or not text.strip():
        raise SettingsError("is neither a text nor Parquet", str(path), "CSV or Parquet", BYTES)
    form = _text_form(path, encoding, text, len(head) == HEAD)
    head_rows = _head(path, form, ".")
    decimal: Literal[".", ","] = "," if form.separator != "," and _has_commas(head_rows) else "."
    return Source(path, form, decimal, _head(path, form, decimal))


def _text_form(path: Path, encoding: str, text: str, cut: bool) -> TextForm:
    lines = text.splitlines()[: LOOK_LINES + 1]
    if cut and len(lines) > 1 and len(text.splitlines()) <= LOOK_LINES + 1:
        lines = lines[:-1]
    best: list[list[str]] = []
    separator = ""
    for each in SEPARATORS:
        cells = list(csv.reader([line for line in lines if line], delimiter=each))
        if (
            cells
            and len({len(row) for row in cells}) == 1
            and len(cells[0]) > max(len(best[:1] and best[0]), 1)
        ):
            best, separator = cells, each
    if not best:
        expected = "a first line of column names, and lines with as many cells, by comma, semicolon or tab"
        raise SettingsError("is no table of rows", str(path), expected, BYTES)
    names = [name.strip('"') for name in lines[0].split(separator)]
    if all(NUMBER.fullmatch(name.strip()) or not name.strip() for name in names):
        raise SettingsError("its first line holds numbers", f"{path} line 1", "the names of the columns")
    if any(not name for name in names):
        raise SettingsError("a column has no name", f"{path} line 1", "a name for each column")
    return TextForm(encoding, separator, tuple(names))


def _has_commas(rows: RowBatch) -> bool:
    """Whether numbers have a decimal comma, and none has a point."""
    texts = [text for name in rows.table.column_names for text in rows.table[name][:1000].to_pylist() if text]
    numbers = [text for text in texts if NUMBER.fullmatch(text)]
    return any("," in text for text in numbers) and not any("." in text for text in numbers)


def _head(path: Path, text: TextForm | None, decimal: str) -> RowBatch:
    batches, rows = [], 0
    try:
        for batch in islice(rowfile.read(path, text, decimal), 10_000):
            batches.append(batch)
            rows += len(batch.at)
            if rows >= HEAD_ROWS:
                break
    except ContractError as error:
        raise SettingsError(error.found, error.where, error.expected, error.remedy) from None
    if not rows:
        raise SettingsError("holds no row below the names of its columns", str(path), "recorded rows")
    table = arrow.concat_tables([batch.table for batch in batches]).combine_chunks()
    return RowBatch(table, 0, path, batches[0].form, np.arange(len(table)), decimal)


def numbers_of(rows: RowBatch, name: str) -> tuple[Floats, Bools] | None:
    """Return the numbers of a column (n,) and where there are any, (n,); None where it is not of numbers."""
    kind = rows.table[name].type
    plain = arrow.types.is_integer(kind) or arrow.types.is_floating(kind) or arrow.types.is_decimal(kind)
    if not plain and not arrow.types.is_string(kind) and not arrow.types.is_large_string(kind):
        return None
    try:
        values, null = rows.measured(name)
    except ContractError:
        return None
    return values, ~null


def texts_of(rows: RowBatch, name: str) -> list[str]:
    """Return the different texts of a column, in order of first appearance, empty ones left out."""
    column = rows.table[name].cast(arrow.string()) if not _is_text(rows, name) else rows.table[name]
    return [str(each) for each in column.unique().to_pylist() if each not in (None, "")]


def _is_text(rows: RowBatch, name: str) -> bool:
    return bool(arrow.types.is_string(rows.table[name].type))
