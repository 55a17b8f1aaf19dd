"""A table's contract checked on Arrow columns, for pieces of tables too long to go through pandas.

The rules are those of :func:`nodeday.tables.validate`, from the same declaration; a test holds both
against the same wrong rows. Pieces of one group only (a channel of one boot), or of a table without
groups: that is what makes order and uniqueness cheap to see.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import accumulate, pairwise

import numpy as np
import pyarrow as arrow
import pyarrow.compute as compute
import pyarrow.parquet as parquet
from numpy.typing import ArrayLike, NDArray

from nodeday.arrays import Bools
from nodeday.schemas import Column, Table
from nodeday.schemas.compiled import arrow_schema, arrow_type

READ_ROWS = 65_536
Bitmap = tuple[arrow.Buffer, int]
"""A bit for each row, set where it holds a value, and how many are not."""


def constant(text: str, n: int) -> arrow.DictionaryArray:
    """A column that says ``text`` in each of ``n`` rows."""
    return arrow.DictionaryArray.from_arrays(np.zeros(n, np.int32), arrow.array([text]))


def coded(places: NDArray[np.integer], column: Column) -> arrow.DictionaryArray:
    """A code column from places (n,) in its list of codes."""
    return arrow.DictionaryArray.from_arrays(places.astype(np.int32), arrow.array(list(column.codes or ())))


def column(values: ArrayLike, there: Bitmap | None = None) -> arrow.Array:
    """A plain column (n,) over ``values`` themselves, null where they are not ``there``."""
    whole = np.ascontiguousarray(values)
    bits, nulls = there or (None, 0)
    kind = arrow.from_numpy_dtype(whole.dtype)
    return arrow.Array.from_buffers(kind, len(whole), [bits, arrow.py_buffer(whole)], nulls)


def bitmap(present: Bools) -> Bitmap:
    """Which rows (n,) are not null, for all columns that have their nulls in common."""
    bits = np.packbits(present, bitorder="little")
    return arrow.py_buffer(bits), len(present) - int(np.count_nonzero(present))


def piece(table: Table, columns: dict[str, arrow.Array]) -> arrow.Table:
    """The columns in declared order; raises ValueError where one has another type than declared."""
    for each in table.columns:
        if columns[each.name].type != arrow_type(each):
            raise ValueError(f"column {each.name} is {columns[each.name].type}, expected {arrow_type(each)}")
    return arrow.Table.from_arrays([columns[name] for name in table.names], schema=arrow_schema(table))


def broken(table: Table, rows: arrow.Table) -> str:
    """The first rule of ``table`` that ``rows`` break, as a phrase; empty where all hold."""
    if rows.schema != arrow_schema(table):
        return "the columns are not those declared, in number, name, type or order"
    for each in table.columns:
        if fault := _wrong_values(each, rows[each.name]):
            return f"column {each.name} {fault}"
    for name in table.within:
        if len(rows) and _varies(compute.min_max(_plain(rows[name])).as_py()):
            return f"a piece holds several of {name}"
    if table.increasing and not _never_falls(_numbers(rows, table.increasing)):
        return f"{table.increasing} never falls within {list(table.within)}"
    return "" if _unique(table, rows) else f"the key {list(table.key)} occurs twice"


def _varies(edges: dict[str, object]) -> bool:
    return edges["min"] != edges["max"]


def _plain(values: arrow.ChunkedArray) -> arrow.ChunkedArray:
    """Indices stand for the text of a dictionary column, whose dictionaries are all the same."""
    whole = values.unify_dictionaries() if arrow.types.is_dictionary(values.type) else values
    if arrow.types.is_dictionary(whole.type):
        return arrow.chunked_array([chunk.indices for chunk in whole.chunks], arrow.int32())
    return whole


def _wrong_values(declared: Column, values: arrow.ChunkedArray) -> str:
    if values.null_count and not declared.nullable:
        return "is null"
    if declared.codes is not None:
        used = {word for chunk in values.chunks for word in chunk.dictionary.to_pylist()}
        if foreign := sorted(str(word) for word in used if word not in declared.codes):
            return f"holds {', '.join(foreign)}, which is not on its list of codes"
        return ""
    if "float" in declared.dtype and not declared.nullable and compute.any(compute.is_nan(values)).as_py():
        return "is null"
    if declared.ge is None and declared.le is None:
        return ""
    edges = compute.min_max(values).as_py()
    if declared.ge is not None and edges["min"] is not None and edges["min"] < declared.ge:
        return f"holds {edges['min']}, below {declared.ge}"
    if declared.le is not None and edges["max"] is not None and edges["max"] > declared.le:
        return f"holds {edges['max']}, above {declared.le}"
    return ""


def _numbers(rows: arrow.Table, name: str) -> NDArray[np.integer]:
    return np.asarray(_plain(rows[name]).to_numpy())


def _never_falls(values: NDArray[np.integer]) -> bool:
    return not (values[1:] < values[:-1]).any()


def _unique(table: Table, rows: arrow.Table) -> bool:
    """Whether no key occurs twice; at a glance where the key columns climb like a number's digits."""
    varying = [name for name in table.key if name not in table.within and len(rows)]
    parts = [_numbers(rows, name) for name in varying]
    parts = [part for part in parts if part.min() != part.max()]
    if not parts:
        return len(rows) <= 1
    climbs = parts[-1][1:] > parts[-1][:-1]
    for part in reversed(parts[:-1]):
        climbs = (part[1:] > part[:-1]) | ((part[1:] == part[:-1]) & climbs)
    return bool(climbs.all()) or len(np.unique(np.stack(parts), axis=1).T) == len(rows)


@dataclass(frozen=True)
class Group:
    """Rows [first, last) of a table that lie together in its file, and the ``least`` and the ``most`` of a
    column's values among them."""

    first: int
    last: int
    least: int
    most: int


def groups(file: parquet.ParquetFile, column: str) -> list[Group]:
    """Row groups that are not empty, with the edges of a column from the file's statistics."""
    place = file.schema_arrow.names.index(column)
    told = [file.metadata.row_group(each).column(place).statistics for each in range(file.num_row_groups)]
    spans = pairwise(_borders(file))
    return [Group(*span, each.min, each.max) for span, each in zip(spans, told, strict=True)
            if span[0] < span[1]]  # fmt: skip


def stretches(
    file: parquet.ParquetFile, columns: list[str], first: int = 0, last: int | None = None
) -> Iterator[arrow.Table]:
    """Some columns of rows [first, last), a stretch of them after the other; groups that hold none of them
    are not read."""
    borders = _borders(file)
    last = borders[-1] if last is None else last
    own = [each for each, (low, high) in enumerate(pairwise(borders)) if low < last and high > first]
    at = borders[own[0]] if own else last
    for batch in file.iter_batches(READ_ROWS, own, columns=columns):
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
