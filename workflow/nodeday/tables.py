"""The only door to Parquet: validate, stamp, write atomically; read back in the declared dtypes."""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pandas as pd
import pyarrow as arrow
import pyarrow.parquet as parquet
from pandera.errors import SchemaError, SchemaErrors

from nodeday.errors import ContractError
from nodeday.schemas import TABLES, Table
from nodeday.schemas.compiled import arrow_schema, pandas_dtype, pandera_schema, wrong_dtypes

ROW_GROUP = 1_000_000


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
    Raises ContractError where a cast would change a value.
    """
    frame = {}
    for column in table.columns:
        values = columns[column.name]
        dtype = pandas_dtype(column)
        try:
            frame[column.name] = pd.Series(values, dtype=dtype).reset_index(drop=True)
        except (TypeError, ValueError, OverflowError) as error:
            raise ContractError(f"column {column.name}: {error}", f"table {table.name}") from error
    return pd.DataFrame(frame)


def empty(table: Table) -> pd.DataFrame:
    """A frame of ``table`` without rows."""
    return build(table, {column.name: [] for column in table.columns})


@contextmanager
def writer(target: Path, table: Table) -> Iterator[Writer]:
    """A streaming writer; the file appears under its name only when the block ends well."""
    target.parent.mkdir(parents=True, exist_ok=True)
    partial = target.with_name(f".{target.name}.partial")
    out = Writer(partial, table)
    try:
        yield out
        out.close()
        os.replace(partial, target)
    except BaseException:
        out.close()
        partial.unlink(missing_ok=True)
        raise


class Writer:
    """Validates each piece and writes it as row groups. Made by :func:`writer`."""

    def __init__(self, target: Path, table: Table) -> None:
        self.table = table
        self.rows = 0
        self._schema = arrow_schema(table)
        delta = [c.name for c in table.columns if c.dtype == "int64"]
        encodings: dict[str, str] = dict.fromkeys(delta, "DELTA_BINARY_PACKED")
        dictionary = [c.name for c in table.columns if c.dtype not in ("int64", "binary")]
        self._file = parquet.ParquetWriter(
            target, self._schema, compression="zstd", compression_level=1,
            use_dictionary=dictionary, column_encoding=encodings, write_page_checksum=True,
        )  # fmt: skip

    def write(self, frame: pd.DataFrame) -> None:
        """Validate ``frame`` and append it."""
        if not len(frame) and self.rows:
            return
        validate(self.table, frame)
        piece = arrow.Table.from_pandas(frame, preserve_index=False)
        self._file.write_table(piece.cast(self._schema), row_group_size=ROW_GROUP)
        self.rows += len(frame)

    def close(self) -> None:
        self._file.close()


def write(target: Path, table: Table, pieces: pd.DataFrame | Iterable[pd.DataFrame]) -> int:
    """Write a whole table, given at once or in pieces; return its rows."""
    with writer(target, table) as out:
        for piece in [pieces] if isinstance(pieces, pd.DataFrame) else pieces:
            out.write(piece)
    return out.rows


def read(
    source: Path, table: Table | str, columns: list[str] | None = None, filters: Any = None
) -> pd.DataFrame:
    """Read a table in its declared dtypes; ``filters`` as in ``pyarrow.parquet.read_table``.

    Raises ContractError when the file is absent or no Parquet.
    """
    table = TABLES[table] if isinstance(table, str) else table
    try:
        # partitioning=None: the session in the path is no column of the table.
        stored = parquet.read_table(source, columns=columns, filters=filters, partitioning=None)
    except (OSError, arrow.ArrowInvalid) as error:
        raise ContractError(_first_line(error), str(source), "a table that an earlier room wrote") from error
    declared = {column.name: column for column in table.columns}
    frame = stored.to_pandas(types_mapper=_nullable_types(table).get)
    for name in frame.columns:
        if declared[name].dtype != "name":
            frame[name] = frame[name].astype(pandas_dtype(declared[name]))
    return frame


def _nullable_types(table: Table) -> dict[arrow.DataType, Any]:
    """Integers must not become floats on the way in; bytes must not become objects."""
    types: dict[arrow.DataType, Any] = {arrow.binary(): pd.ArrowDtype(arrow.binary())}
    for column in table.columns:
        if column.nullable and "int" in column.dtype:
            types[getattr(arrow, column.dtype)()] = pandas_dtype(column)
    return types
