"""A table's contract held on Arrow columns, for pieces of tables too long to go through pandas.

The rules are those of :func:`nodeday.storage.tables.validate`, from the same declaration, and give the same
verdict on the same rows. They cost little here: a range is seen in the least and the greatest value, a list
of codes in a column's dictionary, and one pass over sorted rows shows that no key occurs twice.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pyarrow as arrow
import pyarrow.compute as compute
from numpy.typing import ArrayLike, NDArray

from nodeday.core.arrays import Bools, Bytes
from nodeday.schemas import Column, Table
from nodeday.schemas.compile import arrow_schema, arrow_type, either_or_rule, order_rule

Validity = tuple[arrow.Buffer, int]
"""A bit for each row, set where the row holds a value, and the number of rows that hold none."""


def validity(present: Bools) -> Validity:
    """Return which rows (n,) are not null, for all columns that have their nulls in common."""
    bits = np.packbits(present, bitorder="little")
    return arrow.py_buffer(bits), len(present) - int(np.count_nonzero(present))


def number_column(values: ArrayLike, valid: Validity | None = None) -> arrow.Array:
    """Return a column of numbers (n,) that shares the memory of ``values``, null where they are not valid."""
    numbers = np.ascontiguousarray(values)
    bits, nulls = valid or (None, 0)
    dtype = arrow.from_numpy_dtype(numbers.dtype)
    return arrow.Array.from_buffers(dtype, len(numbers), [bits, arrow.py_buffer(numbers)], nulls)


def constant_column(text: str, n: int) -> arrow.DictionaryArray:
    """Return a name column that holds ``text`` in each of ``n`` rows."""
    return arrow.DictionaryArray.from_arrays(np.zeros(n, np.int32), arrow.array([text]))


def code_column(positions: NDArray[np.integer], column: Column) -> arrow.DictionaryArray:
    """Return a code column from positions (n,) in the list of codes of ``column``."""
    listed = arrow.array(list(column.codes or ()))
    return arrow.DictionaryArray.from_arrays(positions.astype(np.int32), listed)


def name_column(positions: NDArray[np.integer], names: Sequence[str]) -> arrow.DictionaryArray:
    """Return a name column from positions (n,) in ``names``, of which several may be equal."""
    texts = sorted(set(names))
    number = np.array([texts.index(name) for name in names], np.int32)
    return arrow.DictionaryArray.from_arrays(number[positions], arrow.array(texts))


def bytes_column(blocks: Sequence[Bytes]) -> arrow.BinaryArray:
    """Return a column of the rows of all ``blocks``, (n, length) each, without an object for each row."""
    return arrow.concat_arrays(
        [
            arrow.Array.from_buffers(
                arrow.binary(block.shape[1]), len(block), [None, arrow.py_buffer(block)]
            ).cast(arrow.binary())
            for block in blocks
        ]
    )


def assemble(table: Table, columns: Mapping[str, arrow.Array]) -> arrow.Table:
    """Return the columns in the declared order.

    Raises ValueError where a column is missing, is not declared, or has another type than the declared one.
    """
    if foreign := sorted(set(columns) - set(table.names)):
        raise ValueError(f"{', '.join(foreign)} is not a column of {table.name}")
    for column in table.columns:
        if column.name not in columns:
            raise ValueError(f"column {column.name} is missing")
        if (given := columns[column.name].type) != arrow_type(column):
            raise ValueError(f"column {column.name} is {given}, expected {arrow_type(column)}")
    return arrow.Table.from_arrays([columns[name] for name in table.names], schema=arrow_schema(table))


def broken_rule(table: Table, rows: arrow.Table) -> str:
    """Return the first rule of ``table`` that ``rows`` break, as a phrase; empty where all hold."""
    if rows.schema != arrow_schema(table):
        return "the columns are not those declared, in number, name, type or order"
    for column in table.columns:
        if fault := _null(column, rows[column.name]) or _outside(column, rows[column.name]):
            return f"column {column.name} {fault}"
    if table.increasing and not _in_order(table, rows, table.increasing):
        return order_rule(table)
    for value, reason in table.either_or:
        absent = compute.is_null(rows[value], nan_is_null=True)
        if compute.any(compute.xor(absent, compute.is_valid(rows[reason]))).as_py():
            return either_or_rule(value, reason)
    return "" if _is_unique(table, rows) else f"the key {list(table.key)} occurs twice"


def one_group(table: Table, rows: arrow.Table) -> bool:
    """Return whether all ``rows`` have the same values in the columns ``within`` which rows are ordered."""
    return not _varying(rows, table.within)


def _null(column: Column, values: arrow.ChunkedArray) -> str:
    """Return what is wrong with the nulls of a column, as a phrase; empty where nothing is."""
    if column.nullable:
        return ""
    nan = "float" in column.dtype and compute.any(compute.is_nan(values)).as_py()
    return "is null" if values.null_count or nan else ""


def _outside(column: Column, values: arrow.ChunkedArray) -> str:
    """Return which value lies outside the range or the list of a column, as a phrase; empty where none."""
    if arrow.types.is_dictionary(values.type):
        return next(filter(None, (_wrong_texts(column, chunk.dictionary) for chunk in values.chunks)), "")
    if column.ge is None and column.le is None:
        return ""
    edges = compute.min_max(values).as_py()
    if column.ge is not None and edges["min"] is not None and edges["min"] < column.ge:
        return f"holds {edges['min']}, below {column.ge}"
    if column.le is not None and edges["max"] is not None and edges["max"] > column.le:
        return f"holds {edges['max']}, above {column.le}"
    return ""


def _wrong_texts(column: Column, dictionary: arrow.Array) -> str:
    """Return what is wrong with the texts that the rows of a column point to, used or not."""
    texts: list[Any] = dictionary.to_pylist()
    if None in texts or len(set(texts)) < len(texts):
        return "lists a null or a text twice in its dictionary"
    if column.codes is None or not texts:
        return ""
    if foreign := sorted(set(texts) - set(column.codes)):
        return f"holds {', '.join(foreign)}, which is not on its list of codes"
    lacking = sorted(set(column.codes) - set(texts))
    return f"lacks {', '.join(lacking)} of its list of codes" if lacking else ""


def _in_order(table: Table, rows: arrow.Table, increasing: str) -> bool:
    """Return whether a column never falls within each group, whose rows need not lie together."""
    values = _numbers(rows[increasing])
    if not (values[1:] < values[:-1]).any():
        return True
    groups = _varying(rows, table.within)
    if not groups:
        return False
    order = np.lexsort(groups)  # stable: rows of a group keep their order
    values = values[order]
    return not ((values[1:] < values[:-1]) & _same_as_before(groups, order)).any()


def _is_unique(table: Table, rows: arrow.Table) -> bool:
    """Return whether no key occurs twice; one pass tells where rows are sorted by their keys."""
    parts = _varying(rows, table.key)
    if not parts:
        return len(rows) <= 1 or not table.key
    climbs = parts[-1][1:] > parts[-1][:-1]
    for part in reversed(parts[:-1]):
        climbs = (part[1:] > part[:-1]) | ((part[1:] == part[:-1]) & climbs)
    return bool(climbs.all()) or not _same_as_before(parts, np.lexsort(parts)).any()


def _same_as_before(parts: Sequence[NDArray[Any]], order: NDArray[np.integer]) -> Bools:
    """Return whether each row but the first has the same ``parts`` as the one before it in ``order``."""
    same = np.ones(len(order) - 1, np.bool_)
    for part in parts:
        ordered = part[order]
        same &= ordered[1:] == ordered[:-1]
    return same


def _varying(rows: arrow.Table, names: Sequence[str]) -> list[NDArray[Any]]:
    """Return the columns (n,) among ``names`` that do not hold the same number in all rows."""
    columns = (_numbers(rows[name]) for name in names) if len(rows) else ()
    return [column for column in columns if column.min() != column.max()]


def _numbers(values: arrow.ChunkedArray) -> NDArray[Any]:
    """Return a column as numbers (n,): where it has a dictionary, each row's position in that."""
    if arrow.types.is_dictionary(values.type):
        unified = values.unify_dictionaries()
        values = arrow.chunked_array([chunk.indices for chunk in unified.chunks], arrow.int32())
    return np.asarray(values.to_numpy())
