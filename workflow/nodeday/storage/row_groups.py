"""Rows and columns of a Parquet file, read without the row groups that can hold none of them."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from itertools import accumulate, pairwise
from pathlib import Path
from typing import Any

import pyarrow as arrow
import pyarrow.parquet as parquet

from nodeday.core.errors import ContractError
from nodeday.schemas.compile import VERSION
from nodeday.storage import provenance

READ_ROWS = 65_536
EXPECTED = provenance.WRITTEN
REMAKE = "Remove it and say `nodeday run`, which makes it anew from the captures."
Filter = tuple[str, str, Any]
Filters = list[Filter] | list[list[Filter]]
"""(Column, operator, value), all to hold; or several lists of such, one of which is to hold."""


@contextmanager
def opened(
    source: Path, columns: Sequence[str] | None = None, **options: Any
) -> Iterator[parquet.ParquetFile]:
    """Open a table that has ``columns``, and hold each page that is read to its checksum.

    Raises ContractError for a file that is absent, damaged, of another data model, without these columns, or
    with other content than its stage wrote.
    """
    provenance.refuse_changed(source)
    try:
        with parquet.ParquetFile(source, page_checksum_verification=True, **options) as file:
            _refuse_other_model(file.schema_arrow.metadata or {}, source)
            if lacking := [name for name in columns or () if name not in file.schema_arrow.names]:
                raise ContractError(f"lacks {', '.join(lacking)}", str(source), remedy=REMAKE)
            yield file
    except FileNotFoundError:
        raise ContractError("is absent", str(source), EXPECTED, "`nodeday run` makes it.") from None
    except (OSError, arrow.ArrowException) as error:
        damaged = (
            "a page does not match its checksum" if "CRC" in str(error) else "it cannot be read as Parquet"
        )
        raise ContractError(f"is damaged: {damaged}", str(source), EXPECTED, REMAKE) from error


def _refuse_other_model(stored: Mapping[bytes, bytes], source: Path) -> None:
    try:
        version = str(json.loads(stored.get(b"nodeday", b"{}")).get("version", VERSION))
    except ValueError:
        raise ContractError("is damaged: its description", str(source), EXPECTED, REMAKE) from None
    if version != VERSION:
        raise ContractError(
            f"was written by data model {version}",
            str(source),
            f"data model {VERSION}, which this version of nodeday reads and writes",
            REMAKE,
        )


def read_rows(file: parquet.ParquetFile, columns: list[str] | None, filters: Filters | None) -> arrow.Table:
    """Return rows that meet ``filters``, in the file's order.

    The library's own filtered read does not skip row groups by a dictionary column, so it would decode all
    nodes to find one. It also leaves out a column that is absent, without an error: see :func:`opened`.
    """
    names = file.schema_arrow.names
    if not filters:
        return file.read(columns)
    alternatives = [item for item in filters if isinstance(item, list)]
    alternatives = alternatives or [[item for item in filters if isinstance(item, tuple)]]
    filtered = [name for alternative in alternatives for name, _, _ in alternative]
    needed = list(dict.fromkeys([*(columns or names), *filtered]))
    parts = [file.schema_arrow.empty_table().select(needed)]
    for number in range(file.num_row_groups):
        metadata = file.metadata.row_group(number)
        possible = [each for each in alternatives if _may_hold(metadata, names, each)]
        if possible:
            rows = file.read_row_group(number, needed)
            parts.append(rows.filter(parquet.filters_to_expression(possible)))
    return arrow.concat_tables(parts).select(columns or names)


def _may_hold(group: parquet.RowGroupMetaData, names: list[str], filters: list[Filter]) -> bool:
    """Return whether a row group may hold a row that meets all ``filters``, by its statistics."""
    for name, operator, value in filters:
        statistics = group.column(names.index(name)).statistics
        if statistics is None or not statistics.has_min_max:
            continue
        if operator in ("==", ">=", ">") and statistics.max < value:
            return False
        if operator in ("==", "<=", "<") and statistics.min > value:
            return False
    return True


@dataclass(frozen=True)
class Group:
    """A row group: rows [first, last) of a table, and the least and greatest value of a column in them."""

    first: int
    last: int
    least: int
    most: int


def row_spans(file: parquet.ParquetFile, column: str) -> list[Group]:
    """Return the row groups that are not empty, with the edges of a column from the file's statistics."""
    index = file.schema_arrow.names.index(column)
    edges = (file.metadata.row_group(n).column(index).statistics for n in range(file.num_row_groups))
    return [
        Group(first, last, edge.min, edge.max)
        for (first, last), edge in zip(pairwise(_borders(file)), edges, strict=True)
        if first < last
    ]


def iter_rows(
    file: parquet.ParquetFile,
    columns: list[str],
    first: int = 0,
    last: int | None = None,
    rows: int = READ_ROWS,
) -> Iterator[arrow.Table]:
    """Yield some columns of rows [first, last), at most so many ``rows`` at a time, in order.

    Row groups that hold none of these rows are not read.
    """
    borders = _borders(file)
    last = borders[-1] if last is None else last
    wanted = [number for number, (low, high) in enumerate(pairwise(borders)) if low < last and high > first]
    at = borders[wanted[0]] if wanted else last
    for batch in file.iter_batches(rows, wanted, columns=columns):
        low, high = max(first - at, 0), min(last - at, len(batch))
        at += len(batch)
        if low < high:
            yield arrow.Table.from_batches([batch.slice(low, high - low)])
        if at >= last:
            break


def _borders(file: parquet.ParquetFile) -> list[int]:
    """Return the first row of each row group, and the number of all rows."""
    counts = (file.metadata.row_group(number).num_rows for number in range(file.num_row_groups))
    return list(accumulate(counts, initial=0))
