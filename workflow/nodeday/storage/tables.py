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
from nodeday.schemas.compile import arrow_schema, pandas_dtype, pandera_schema, wrong_dtypes
from nodeday.storage import contract
from nodeday.storage.row_groups import READ_ROWS, Filters, Group, iter_rows, opened, read_rows, row_spans

ROW_GROUP, BATCH, BUFFER_BYTES = 1_000_000, 65_536, 1 << 20


def path(results: Path, table: str, session: str | None = None, part: str | None = None) -> Path:
    """Return where a table lies: ``results/table/session=S/part.parquet``, the part named like the table."""
    folder = results / table if session is None else results / table / f"session={session}"
    return folder / f"{part or table}.parquet"


def validate(table: Table, frame: pd.DataFrame, where: str = "") -> pd.DataFrame:
    """Return ``frame`` unchanged, or raise ContractError with the first broken rule."""
    where = where or f"table {table.name}"
    if wrong := wrong_dtypes(table, frame):
        raise ContractError("; ".join(wrong), where)
    from pandera.errors import SchemaError, SchemaErrors  # slow, and reading needs none of it

    try:
        pandera_schema(table).validate(frame, inplace=True)
    except (SchemaError, SchemaErrors) as error:
        raise ContractError(_first_line(error), where, remedy="This is a fault of nodeday.") from error
    return frame


def _first_line(error: Exception) -> str:
    return str(error).strip().splitlines()[0].rstrip(".")


def build(table: Table, columns: dict[str, Any]) -> pd.DataFrame:
    """Return a frame in the declared column order and dtypes, from arrays that already fit them.

    A name column takes any array of text; a nullable integer column takes a nullable array.
    Raises ContractError where a cast would change a value, save float64 to float32, which rounds.
    """
    where = f"table {table.name}"
    return pd.DataFrame({column.name: _fit(columns[column.name], column, where) for column in table.columns})


def _fit(values: Any, column: Column, where: str) -> pd.Series[Any]:
    """Return ``values`` in the column's dtype, or raise ContractError where they do not fit it.

    pandas alone would cut 2.7 to 2 in a Series, let an integer wrap, and make a foreign code null.
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
    """Return what among ``values`` is no code, nulls aside."""
    used = values.remove_unused_categories().categories if isinstance(values, pd.Categorical) else values
    seen = pd.unique(np.asarray(used, object))
    return sorted(str(value) for value in seen if not pd.isna(value) and value not in codes)


def empty(table: Table) -> pd.DataFrame:
    """Return a frame of ``table`` without rows."""
    return build(table, {column.name: [] for column in table.columns})


@contextmanager
def writer(target: Path, table: Table) -> Iterator[Writer]:
    """Yield a streaming writer; the file appears under its name only when the block ends well."""
    with atomic.replacing(target) as partial:
        out = Writer(partial, table, target)
        try:
            yield out
        finally:
            out.close()


class Writer:
    """Validate pieces of a table and write them as row groups. Made by :func:`writer`.

    What a piece is made of must not be changed after it was given. Order is checked across pieces too. So is
    uniqueness of the key where the key is the ordered column and its groups; other keys are checked within
    each piece only.
    """

    def __init__(self, partial: Path, table: Table, target: Path) -> None:
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
        levels = {name: 1 for name, codec in packed.items() if codec == "zstd"}
        searched = {*table.key, *table.within, table.increasing}
        self._file = parquet.ParquetWriter(
            partial,
            self._schema,
            compression=packed,
            compression_level=levels,
            use_dictionary=[name for name in table.names if name not in plain],
            column_encoding=encodings,
            write_statistics=[name for name in table.names if name in searched],
            write_page_checksum=True,
            write_batch_size=BATCH,
        )

    def write(self, frame: pd.DataFrame) -> None:
        """Validate ``frame`` and append it."""
        validate(self.table, frame)
        self._check_order(frame)
        piece = arrow.Table.from_pandas(frame, preserve_index=False)
        self._append(piece.cast(self._schema))

    def write_columns(self, columns: Mapping[str, arrow.Array] | arrow.Table) -> None:
        """Validate Arrow columns and append them; a table's columns in the declared order, others in any.

        Raises ContractError where a column is missing, is not declared, or breaks a rule.
        """
        where = f"table {self.table.name}"
        try:
            rows = columns if isinstance(columns, arrow.Table) else contract.assemble(self.table, columns)
        except ValueError as error:
            raise ContractError(str(error), where) from error
        if rule := contract.broken_rule(self.table, rows):
            raise ContractError(rule, where, remedy="This is a fault of nodeday.")
        if self.table.increasing and len(rows):
            ordered = rows.select([*self.table.within, self.table.increasing])
            ends = [0, len(rows) - 1]
            self._check_order(
                (ordered.take(ends) if contract.one_group(self.table, ordered) else ordered).to_pandas()
            )
        self._append(rows)

    def _append(self, piece: arrow.Table) -> None:
        if not len(piece) and self.rows:
            return
        self._wait()
        self._encoding = self._encoder.submit(self._file.write_table, piece, row_group_size=ROW_GROUP)
        self.rows += len(piece)

    def _wait(self) -> None:
        """Wait for the piece that is being encoded; raise the error that stopped it, if any."""
        with atomic.naming(self._target):
            self._encoding.result()

    def _check_order(self, frame: pd.DataFrame) -> None:
        """Raise ContractError where a piece begins before the end of those already written."""
        column, within = self.table.increasing, list(self.table.within)
        if column is None or frame.empty:
            return
        first = frame.drop_duplicates(within) if within else frame.iloc[[0]]
        last = frame.drop_duplicates(within, keep="last") if within else frame.iloc[[-1]]
        least = int(set(self.table.key) == {column, *within})
        for group, value in _by_group(first, within, column).items():
            if group in self._last and value - self._last[group] < least:
                found = f"{column} goes from {self._last[group]} to {value} between two pieces"
                raise ContractError(found, ", ".join([f"table {self.table.name}", *map(str, group)]))
        self._last |= _by_group(last, within, column)

    def close(self) -> None:
        """Write what is still being encoded, and the end of the file."""
        try:
            self._wait()
        finally:
            self._encoder.shutdown()
            with atomic.naming(self._target):
                self._file.close()


def _by_group(rows: pd.DataFrame, within: list[str], column: str) -> dict[Any, int]:
    groups = rows[within].itertuples(index=False, name=None) if within else [()]
    return dict(zip(groups, rows[column].tolist(), strict=True))


def write(target: Path, table: Table, pieces: pd.DataFrame | Iterable[pd.DataFrame]) -> int:
    """Write a full table, given at once or in pieces; return the number of its rows."""
    with writer(target, table) as out:
        for piece in [pieces] if isinstance(pieces, pd.DataFrame) else pieces:
            out.write(piece)
    return out.rows


def read(
    source: Path, table: Table | str, columns: list[str] | None = None, filters: Filters | None = None
) -> pd.DataFrame:
    """Read a table in its declared dtypes, all of it or the rows that meet ``filters``.

    Filters are (column, operator, value), all to hold, or lists of such, of which one is to hold.
    Raises ContractError when the file is absent, is no Parquet, or holds what ``table`` does not allow.
    """
    table = TABLES[table] if isinstance(table, str) else table
    with opened(source, columns) as file:
        stored = read_rows(file, columns, filters)
        frame = _framed(stored, table, source)
    del stored
    arrow.default_memory_pool().release_unused()
    return frame


def row_groups(source: Path, table: Table) -> Iterator[pd.DataFrame]:
    """Yield a full table as :func:`read` returns it, a row group at a time."""
    with opened(source) as file:
        for group in range(file.num_row_groups):
            yield _framed(file.read_row_group(group), table, source)


def _framed(stored: arrow.Table, table: Table, source: Path) -> pd.DataFrame:
    declared = {column.name: column for column in table.columns}
    frame: pd.DataFrame = stored.to_pandas(types_mapper=_nullable_types(table).get)
    if foreign := [name for name in frame.columns if name not in declared]:
        raise ContractError(f"holds {', '.join(foreign)}, no column of {table.name}", str(source))
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
    rows: int = READ_ROWS,
) -> Iterator[arrow.Table]:
    """Yield some columns of a table's rows [first, last) as stored, at most so many ``rows`` at once.

    Raises ContractError as :func:`read` does where the file is absent or is no Parquet.
    """
    with opened(source, columns, buffer_size=BUFFER_BYTES, pre_buffer=False) as file:
        yield from iter_rows(file, columns, first, last, rows)
    arrow.default_memory_pool().release_unused()


def column(source: Path, name: str) -> arrow.ChunkedArray:
    """Return one column of a table as it is stored; raise ContractError as :func:`read` does."""
    with opened(source, [name]) as file:
        return read_rows(file, [name], None).column(0)


def row_group(source: Path, number: int, columns: list[str]) -> arrow.Table:
    """Return some columns of one row group as they are stored; raise ContractError as :func:`read` does."""
    with opened(source, columns) as file:
        return file.read_row_group(number, columns)


def groups(source: Path, column: str) -> list[Group]:
    """Return a file's row groups, with the least and greatest value of a column that orders the rows.

    Raises ContractError where the file is absent or is no Parquet.
    """
    with opened(source) as file:
        return row_spans(file, column)


def _nullable_types(table: Table) -> dict[arrow.DataType, Any]:
    """Return pandas types by Arrow type, where pandas alone makes integers floats or bytes objects."""
    types: dict[arrow.DataType, Any] = {arrow.binary(): pd.ArrowDtype(arrow.binary())}
    for column in table.columns:
        if column.nullable and "int" in column.dtype:
            types[getattr(arrow, column.dtype)()] = pandas_dtype(column)
    return types
