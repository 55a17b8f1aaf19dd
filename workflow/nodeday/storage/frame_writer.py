"""The way into table ``frames``: frames of a capture, sorted into the files of their streams."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pyarrow as arrow

from nodeday.core import atomic
from nodeday.layouts import Field
from nodeday.schemas import TABLES
from nodeday.schemas.compile import arrow_schema
from nodeday.storage import frame_fields, tables
from nodeday.storage.frames import Key, folder, texts

BUFFER_ROWS, BUFFER_PARTS = 16_384, 32
"""Frames of a stream that wait in memory and then make a row group: 50 streams hold about 150 MB. Parts of
blocks are joined when there are 32 of them, since many small arrays need more memory than their values."""

Fields = Mapping[Key, tuple[Field, ...]]
"""Fields of each stream that have a column of their own; a stream that is not listed has none."""


@contextmanager
def writing(results: Path, session: str, fields: Fields | None = None) -> Iterator[FrameWriter]:
    """Give a writer of a session's frames; all files appear together and replace any earlier ones.

    Where the block raises, what the session had stays.
    """
    with atomic.folder(folder(results, session)) as partial, ExitStack() as files:
        writer = FrameWriter(partial, files, fields or {})
        yield writer
        writer.flush()


@dataclass
class FrameWriter:
    """Sorts frames into the files of their streams, a row group at a time. Made by :func:`writing`."""

    folder: Path
    files: ExitStack
    fields: Fields
    rows: int = 0
    _open: dict[Key, tables.Writer] = field(default_factory=dict)
    _waiting: dict[Key, list[arrow.Table]] = field(default_factory=lambda: defaultdict(list))

    def write(self, rows: arrow.Table) -> None:
        """Add ``rows`` of table ``frames`` in order of capture, of any streams.

        Behind the columns of every frame they hold those of all fields as sent, of any stream. Raises
        ContractError where they break a rule of the table.
        """
        self.rows += len(rows)
        for key, own in _by_stream(rows):
            names = TABLES["frames"].names + [frame_fields.column_of(each.name) for each in self._fields(key)]
            waiting = self._waiting[key]
            waiting.append(rows.select(names).take(own))  # a copy: a slice would keep the block in memory
            if sum(map(len, waiting)) >= BUFFER_ROWS or len(waiting) == BUFFER_PARTS:
                self._write(key, BUFFER_ROWS)

    def flush(self) -> None:
        """Write what still waits."""
        for key in list(self._waiting):
            self._write(key, 1)

    def _fields(self, key: Key) -> tuple[Field, ...]:
        return self.fields.get(key, ())

    def _write(self, key: Key, least: int) -> None:
        """Write row groups of a stream for as long as ``least`` frames of it wait; keep the others."""
        rows = arrow.concat_tables(self._waiting.pop(key)).combine_chunks()
        if len(rows) >= least and key not in self._open:
            target = self.folder / f"{'.'.join(key)}.parquet"
            table = frame_fields.table_of(self._fields(key))
            self._open[key] = self.files.enter_context(tables.writer(target, table))
        while len(rows) >= least:
            self._open[key].write_columns(self._finished(key, rows.slice(0, BUFFER_ROWS)))
            rows = rows.slice(BUFFER_ROWS)
        if len(rows):
            self._waiting[key] = [rows]

    def _finished(self, key: Key, rows: arrow.Table) -> arrow.Table:
        """Return rows of a stream with all of its columns, under the schema of its file."""
        if not self._fields(key):
            return rows
        rows = frame_fields.with_scaled(rows, self._fields(key))
        return arrow.Table.from_arrays(rows.columns, schema=arrow_schema(self._open[key].table))


def _by_stream(rows: arrow.Table) -> Iterator[tuple[Key, arrow.Array]]:
    """Give the positions of each stream's rows, in order."""
    (node, nodes), (stream, streams) = (texts(rows[name]) for name in ("node", "stream"))
    number = (node * len(streams) + stream).astype(np.int16)  # narrow, so that the stable sort is quick
    order = np.argsort(number, kind="stable")
    edges = np.searchsorted(number[order], np.arange(len(nodes) * len(streams) + 1))
    for at in np.flatnonzero(np.diff(edges)).tolist():
        own = order[edges[at] : edges[at + 1]]
        yield (nodes[at // len(streams)], streams[at % len(streams)]), arrow.array(own)
