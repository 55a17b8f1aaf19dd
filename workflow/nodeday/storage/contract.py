"""A table's contract checked on Arrow columns, for pieces of tables too long to go through pandas.

The rules are those of :func:`nodeday.storage.tables.validate`, from the same declaration; a test holds both
against the same wrong rows. Pieces of one group only (a channel of one boot), or of a table without
groups: that is what makes order and uniqueness cheap to see.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pyarrow as arrow
import pyarrow.compute as compute
from numpy.typing import ArrayLike, NDArray

from nodeday.core.arrays import Bools, Bytes
from nodeday.schemas import Column, Table
from nodeday.schemas.compiled import arrow_schema, arrow_type

Bitmap = tuple[arrow.Buffer, int]
"""A bit for each row, set where it holds a value, and how many are not."""


def constant(text: str, n: int) -> arrow.DictionaryArray:
    """A column that says ``text`` in each of ``n`` rows."""
    return arrow.DictionaryArray.from_arrays(np.zeros(n, np.int32), arrow.array([text]))


def coded(places: NDArray[np.integer], column: Column) -> arrow.DictionaryArray:
    """A code column from places (n,) in its list of codes."""
    return arrow.DictionaryArray.from_arrays(places.astype(np.int32), arrow.array(list(column.codes or ())))


def named(places: NDArray[np.integer], names: Sequence[str]) -> arrow.DictionaryArray:
    """A name column from places (n,) in ``names``, of which several may be the same."""
    words = sorted(set(names))
    numbers = np.array([words.index(name) for name in names], np.int32)
    return arrow.DictionaryArray.from_arrays(numbers[places], arrow.array(words))


def binary(parts: Sequence[Bytes]) -> arrow.BinaryArray:
    """A column of the rows of all ``parts``, (n, length) each, without an object for each."""
    return arrow.concat_arrays(
        [
            arrow.Array.from_buffers(
                arrow.binary(each.shape[1]), len(each), [None, arrow.py_buffer(each)]
            ).cast(arrow.binary())
            for each in parts
        ]
    )


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


def piece(table: Table, columns: Mapping[str, arrow.Array] | arrow.Table) -> arrow.Table:
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
