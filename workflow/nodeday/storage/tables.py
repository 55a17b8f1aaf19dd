"""The only door to Parquet: validate, stamp, write atomically; read back in the declared dtypes."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as arrow
import pyarrow.parquet as parquet

from nodeday.core import atomic
from nodeday.core.errors import ContractError
from nodeday.schemas import TABLES, Column, Table
from nodeday.schemas.compiled import arrow_schema, pandas_dtype, wrong_dtypes
from nodeday.storage import contract
from nodeday.storage import row_groups as rowgroups
from nodeday.storage.row_groups import Filters

ROW_GROUP, BATCH, BUFFER_BYTES = 1_000_000, 65_536, 1 << 20


def path(results: Path, table: str, session: str | None = None, part: str | None = None) -> Path:
    """Where a table lives: ``results/table/session=S/part.parquet``, the part named like the table."""
    folder = results / table if session is None else results / table / f"session={session}"
    return folder / f"{part or table}.parquet"


def validate(table: Table, frame: pd.DataFrame, where: str = "") -> pd.DataFrame:
    """Return ``frame`` unchanged, or raise ContractError with the first broken rule."""
    where = where or f"table {table.name}"
    wrong = wrong_dtypes(table, frame)
    if wrong:
        raise ContractError("; ".join(wrong), where)
    from pandera.errors import SchemaError, SchemaErrors  # slow, and reading needs none of it

    from nodeday.schemas.checked import pandera_schema

    try:
        pandera_schema(table).validate(frame, inplace=True)
    except (SchemaError, SchemaErrors) as error:
        raise ContractError(_first_line(error), where, remedy="This is a fault of nodeday.") from error
    return frame


def _first_line(error: Exception) -> str:
    return str(error).strip().splitlines()[0].rstrip(".")


def build(table: Table, columns: dict[str, Any]) -> pd.DataFrame:
    """A frame in the declared column order and dtypes, from arrays that already fit them.

    A name column takes any array of text; a nullable integer column takes a nullable array.
    Raises ContractError where a cast would change a value, save float64 to float32, which rounds.
    """
    where = f"table {table.name}"
    return pd.DataFrame({each.name: _fit(columns[each.name], each, where) for each in table.columns})


def _fit(values: Any, column: Column, where: str) -> pd.Series[Any]:
    """``values`` in the column's dtype. pandas alone would cut 2.7 to 2 in a Series, let an integer
    wrap, and make a code that is not on the list null.
    """
    dtype = pandas_dtype(column)
    given = values.array if isinstance(values, pd.Series) else values
    out: pd.Series[Any]
    if hasattr(given, "dtype") and given.dtype == dtype:
        out = pd.Series(given)
        return out
    try:
        if column.codes is not None and (foreign := _foreign(given, column.codes)):
            raise ValueError(f"{', '.join(foreign)} is not on its list of codes")
        out = pd.Series(given, dtype=dtype)
        if "int" in column.dtype and isinstance(given, pd.api.extensions.ExtensionArray):
            changed = pd.Series(given).ne(out).fillna(False)
            if changed.any():
                raise ValueError(f"{given[int(changed.argmax())]} does not fit {dtype}")
    except (TypeError, ValueError, OverflowError) as error:
        raise ContractError(f"column {column.name}: {error}", where) from error
    return out


def _foreign(values: Any, codes: Mapping[str, str]) -> list[str]:
    """What among ``values`` is no code, nulls aside."""
    used = values.remove_unused_categories().categories if isinstance(values, pd.Categorical) else values
    seen = pd.unique(np.asarray(used, object))
    return sorted(str(value) for value in seen if not pd.isna(value) and value not in codes)


def empty(table: Table) -> pd.DataFrame:
    """A frame of ``table`` without rows."""
    return build(table, {column.name: [] for column in table.columns})


@contextmanager
def writer(target: Path, table: Table) -> Iterator[Writer]:
    """A streaming writer; the file appears under its name only when the block ends well."""
    with atomic.whole(target) as partial:
        out = Writer(partial, table, target)
        try:
            yield out
        finally:
            out.close()


class Writer:
    """Validates each piece and writes it as row groups. Made by :func:`writer`. What a piece is made of must
    not be changed afterwards.

    Order is checked across pieces as well; uniqueness of the key too where the key is the ordered
    column and its groups, and within each piece otherwise.
    """

    def __init__(self, place: Path, table: Table, target: Path) -> None:
        self.table, self._target = table, target
        self.rows = 0
        self._last: dict[Any, int] = {}
        # One piece is encoded while the next one is made.
        self._encoder, self._encoding = ThreadPoolExecutor(1), Future[None]()
        self._encoding.set_result(None)
        self._schema = arrow_schema(table)
        # Whole numbers that climb are stored as differences, measured values byte by byte.
        encodings = {c.name: "DELTA_BINARY_PACKED" for c in table.columns if c.dtype == "int64"}
        split = ("int16", "int32", "float32", "float64")
        encodings |= {c.name: "BYTE_STREAM_SPLIT" for c in table.columns if c.dtype in split}
        plain = (*encodings, *(c.name for c in table.columns if c.dtype == "binary"))
        # What lies in a dictionary is packed bits already, and runs of them a few bytes.
        packed = {c.name: "none" if c.dtype in ("code", "name") else "zstd" for c in table.columns}
        levels = {name: 1 for name, how in packed.items() if how == "zstd"}
        told = {*table.key, *table.within, table.increasing}
        self._file = parquet.ParquetWriter(
            place,
            self._schema,
            compression=packed,
            compression_level=levels,
            use_dictionary=[name for name in table.names if name not in plain],
            column_encoding=encodings,
            write_statistics=[name for name in table.names if name in told],
            write_page_checksum=True,
            write_batch_size=BATCH,
        )

    def write(self, frame: pd.DataFrame) -> None:
        """Validate ``frame`` and append it."""
        validate(self.table, frame)
        self._follow(frame)
        piece = arrow.Table.from_pandas(frame, preserve_index=False)
        self._append(piece.cast(self._schema))

    def write_columns(self, columns: Mapping[str, arrow.Array] | arrow.Table) -> None:
        """The same for Arrow columns, of one group of the table: see :mod:`nodeday.storage.contract`."""
        where = f"table {self.table.name}"
        try:
            piece = contract.piece(self.table, columns)
        except (KeyError, ValueError) as error:
            raise ContractError(str(error), where) from error
        if fault := contract.broken(self.table, piece):
            raise ContractError(fault, where, remedy="This is a fault of nodeday.")
        column = self.table.increasing
        if column and len(piece):
            first, last = (
                {name: piece[name][at].as_py() for name in (*self.table.within, column)}
                for at in (0, len(piece) - 1)
            )
            group = tuple(first[name] for name in self.table.within)
            self._after({group: first[column]}, {group: last[column]})
        self._append(piece)

    def _append(self, piece: arrow.Table) -> None:
        if not len(piece) and self.rows:
            return
        self._settle()
        self._encoding = self._encoder.submit(self._file.write_table, piece, row_group_size=ROW_GROUP)
        self.rows += len(piece)

    def _settle(self) -> None:
        """Wait for the piece that is being encoded; raise what became of it."""
        with atomic.named(self._target):
            self._encoding.result()

    def _follow(self, frame: pd.DataFrame) -> None:
        """Raise ContractError where a piece begins before the end of those already written."""
        column, within = self.table.increasing, list(self.table.within)
        if column is None or frame.empty:
            return
        first = frame.drop_duplicates(within) if within else frame.iloc[[0]]
        last = frame.drop_duplicates(within, keep="last") if within else frame.iloc[[-1]]
        self._after(_by_group(first, within, column), _by_group(last, within, column))

    def _after(self, first: dict[Any, int], last: dict[Any, int]) -> None:
        """The same for the first and the last value of each group in a piece."""
        column = self.table.increasing
        least = int(set(self.table.key) == {column, *self.table.within})
        for group, value in first.items():
            if group in self._last and value - self._last[group] < least:
                found = f"{column} goes from {self._last[group]} to {value} between two pieces"
                raise ContractError(found, ", ".join([f"table {self.table.name}", *map(str, group)]))
        self._last |= last

    def close(self) -> None:
        try:
            self._settle()
        finally:
            self._encoder.shutdown()
            with atomic.named(self._target):
                self._file.close()


def _by_group(rows: pd.DataFrame, within: list[str], column: str) -> dict[Any, int]:
    groups = rows[within].itertuples(index=False, name=None) if within else [()]
    return dict(zip(groups, rows[column].tolist(), strict=True))


def write(target: Path, table: Table, pieces: pd.DataFrame | Iterable[pd.DataFrame]) -> int:
    """Write a whole table, given at once or in pieces; return its rows."""
    with writer(target, table) as out:
        for piece in [pieces] if isinstance(pieces, pd.DataFrame) else pieces:
            out.write(piece)
    return out.rows


def read(
    source: Path, table: Table | str, columns: list[str] | None = None, filters: Filters | None = None
) -> pd.DataFrame:
    """Read a table in its declared dtypes; ``filters`` are (column, operator, value), all to hold, or lists
    of such, one to hold.

    Raises ContractError when the file is absent, is no Parquet, or holds what ``table`` does not allow.
    """
    table = TABLES[table] if isinstance(table, str) else table
    with _opened(source) as file:
        stored = rowgroups.read(file, columns, filters)
    frame = _framed(stored, table, source)
    del stored
    arrow.default_memory_pool().release_unused()
    return frame


def row_groups(source: Path, table: Table) -> Iterator[pd.DataFrame]:
    """A whole table as :func:`read` gives it, a row group at a time."""
    with parquet.ParquetFile(source) as file:
        for group in range(file.num_row_groups):
            yield _framed(file.read_row_group(group), table, source)


def _framed(stored: arrow.Table, table: Table, source: Path) -> pd.DataFrame:
    declared = {column.name: column for column in table.columns}
    frame: pd.DataFrame = stored.to_pandas(types_mapper=_nullable_types(table).get)
    if strange := [name for name in frame.columns if name not in declared]:
        raise ContractError(f"holds {', '.join(strange)}, no column of {table.name}", str(source))
    # Replacing a column is slow, and few need it.
    fitted = {
        str(name): _fit(values, declared[str(name)], str(source))
        for name, values in frame.items()
        if declared[str(name)].dtype != "name" and values.dtype != pandas_dtype(declared[str(name)])
    }
    return frame.assign(**fitted) if fitted else frame


def pieces(
    source: Path,
    table: Table | str,
    columns: list[str],
    first: int = 0,
    last: int | None = None,
    rows: int = rowgroups.READ_ROWS,
) -> Iterator[arrow.Table]:
    """Some columns of a table's rows [first, last) as they are stored, at most so many ``rows`` at a time.

    Raises ContractError as :func:`read` does where the file is absent or is no Parquet.
    """
    with _opened(source, buffer_size=BUFFER_BYTES, pre_buffer=False) as file:
        yield from rowgroups.stretches(file, columns, first, last, rows)
    arrow.default_memory_pool().release_unused()


def column(source: Path, name: str) -> arrow.ChunkedArray:
    """Return one column of a table as it is stored; raise ContractError as :func:`read` does."""
    with _opened(source) as file:
        return rowgroups.read(file, [name], None).column(0)


def row_group(source: Path, number: int, columns: list[str]) -> arrow.Table:
    """Return some columns of one row group as they are stored; raise ContractError as :func:`read` does."""
    with _opened(source) as file:
        return file.read_row_group(number, columns)


def groups(source: Path, column: str) -> list[rowgroups.Group]:
    """The stretches in which a table's rows lie in its file, with the least and greatest value of a column
    that orders it. Raises ContractError where the file is absent or is no Parquet.
    """
    with _opened(source) as file:
        return rowgroups.groups(file, column)


@contextmanager
def _opened(source: Path, **how: Any) -> Iterator[parquet.ParquetFile]:
    try:
        with parquet.ParquetFile(source, **how) as file:
            yield file
    except (OSError, arrow.ArrowInvalid) as error:
        raise ContractError(_first_line(error), str(source), "a table that an earlier stage wrote") from error


def _nullable_types(table: Table) -> dict[arrow.DataType, Any]:
    """Integers must not become floats on the way in; bytes must not become objects."""
    types: dict[arrow.DataType, Any] = {arrow.binary(): pd.ArrowDtype(arrow.binary())}
    for column in table.columns:
        if column.nullable and "int" in column.dtype:
            types[getattr(arrow, column.dtype)()] = pandas_dtype(column)
    return types
