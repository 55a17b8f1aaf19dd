"""What a Parquet file holds of what is asked for, without a look at row groups that can hold none of it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import accumulate, pairwise
from typing import Any

import pyarrow as arrow
import pyarrow.parquet as parquet

READ_ROWS = 65_536
Filter = tuple[str, str, Any]
Filters = list[Filter] | list[list[Filter]]
"""(Column, operator, value), all to hold; or several lists of such, one of which is to hold."""


def read(file: parquet.ParquetFile, columns: list[str] | None, filters: Filters | None) -> arrow.Table:
    """Rows that meet ``filters``, in the file's order. Raises ArrowInvalid where it lacks one of ``columns``.

    The library's own filtered read does not skip row groups by a dictionary column, and so
    would decode all nodes to find one. It leaves a column out that is not there without a word, too.
    """
    names = file.schema_arrow.names
    if lacking := [name for name in columns or () if name not in names]:
        raise arrow.ArrowInvalid(f"lacks {', '.join(lacking)}")
    if not filters:
        return file.read(columns)
    either = [each for each in filters if isinstance(each, list)]
    either = either or [[each for each in filters if isinstance(each, tuple)]]
    needed = list(dict.fromkeys([*(columns or names), *(name for each in either for name, _, _ in each)]))
    found = [file.schema_arrow.empty_table().select(needed)]
    for group in range(file.num_row_groups):
        near = [each for each in either if _may_hold(file.metadata.row_group(group), names, each)]
        if near:
            rows = file.read_row_group(group, needed)
            found.append(rows.filter(parquet.filters_to_expression(near)))
    return arrow.concat_tables(found).select(columns or names)


def _may_hold(group: parquet.RowGroupMetaData, names: list[str], filters: list[Filter]) -> bool:
    for name, operator, value in filters:
        told = group.column(names.index(name)).statistics
        if told is None or not told.has_min_max:
            continue
        if operator in ("==", ">=", ">") and told.max < value:
            return False
        if operator in ("==", "<=", "<") and told.min > value:
            return False
    return True


@dataclass(frozen=True)
class Group:
    """Rows [first, last) of a table that lie together in its file, and the ``least`` and the ``most`` of a
    column's values among them.
    """

    first: int
    last: int
    least: int
    most: int


def groups(file: parquet.ParquetFile, column: str) -> list[Group]:
    """Row groups that are not empty, with the edges of a column from the file's statistics."""
    place = file.schema_arrow.names.index(column)
    told = [file.metadata.row_group(each).column(place).statistics for each in range(file.num_row_groups)]
    spans = pairwise(_borders(file))
    return [
        Group(*span, each.min, each.max) for span, each in zip(spans, told, strict=True) if span[0] < span[1]
    ]


def stretches(
    file: parquet.ParquetFile,
    columns: list[str],
    first: int = 0,
    last: int | None = None,
    rows: int = READ_ROWS,
) -> Iterator[arrow.Table]:
    """Some columns of rows [first, last), at most so many ``rows`` at a time.

    Groups that hold none of them are not read.
    """
    borders = _borders(file)
    last = borders[-1] if last is None else last
    own = [each for each, (low, high) in enumerate(pairwise(borders)) if low < last and high > first]
    at = borders[own[0]] if own else last
    for batch in file.iter_batches(rows, own, columns=columns):
        low, high = max(first - at, 0), min(last - at, len(batch))
        at += len(batch)
        if low < high:
            yield arrow.Table.from_batches([batch.slice(low, high - low)])
        if at >= last:
            break


def _borders(file: parquet.ParquetFile) -> list[int]:
    """The first row of each row group, and the number of all rows."""
    counts = (file.metadata.row_group(each).num_rows for each in range(file.num_row_groups))
    return list(accumulate(counts, initial=0))
