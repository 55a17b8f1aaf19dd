"""Table ``frames``: a file for each stream of a node, and the one way in and out of them.

::

    results/frames/session=S01/heart.ecg.parquet     row 0 2 4 ...     node stream boot seq ticks ...
                               hub.mark.parquet      row 3 ...
                               wrist.acc.parquet     row 1 5 ...

Column ``row`` is the order of capture across all streams; within a file it rises.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable, Iterator, Mapping
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from itertools import accumulate
from pathlib import Path
from typing import Any, Protocol

import numpy as np
import pandas as pd
import pyarrow as arrow
from numpy.typing import NDArray

from nodeday.core import atomic
from nodeday.core.arrays import Bools, Bytes, Ints
from nodeday.core.errors import ContractError
from nodeday.layouts import Kind
from nodeday.layouts.codec import payload_matrix
from nodeday.schemas import TABLES, codes
from nodeday.storage import tables
from nodeday.storage.row_groups import Filters

Key = tuple[str, str]
"""Node and stream."""
STATUS = tuple(codes.FRAME_STATUS)
BUFFER_ROWS, BUFFER_PARTS = 16_384, 32
"""Frames of a stream that wait in memory and then make a row group: 50 streams hold about 150 MB. Parts of
blocks are joined when there are 32 of them, since many small arrays need more memory than their values."""
CACHED_GROUPS = 4
"""Row groups of payloads kept in memory for each stream that is read: about 6 MB."""


class FrameColumns(Protocol):
    """Columns (f,) of the frames of one stream in order of capture, by their names in table ``frames``.

    ``status`` is the position of the code in ``codes.FRAME_STATUS``; a number that is absent is NaN.
    """

    def __getitem__(self, name: str, /) -> NDArray[Any]: ...


def folder(results: Path, session: str) -> Path:
    """Return the folder that holds the files of a session."""
    return results / "frames" / f"session={session}"


def path(results: Path, session: str, key: Key) -> Path:
    """Return the file of a node's stream."""
    return folder(results, session) / f"{'.'.join(key)}.parquet"


@contextmanager
def writing(results: Path, session: str) -> Iterator[FrameWriter]:
    """Give a writer of a session's frames; all files appear together, in place of any earlier ones.

    Where the block raises, what the session had stays.
    """
    with atomic.folder(folder(results, session)) as partial, ExitStack() as files:
        writer = FrameWriter(partial, files)
        yield writer
        writer.flush()


@dataclass
class FrameWriter:
    """Sorts frames into the files of their streams, a row group at a time. Made by :func:`writing`."""

    folder: Path
    files: ExitStack
    rows: int = 0
    _open: dict[Key, tables.Writer] = field(default_factory=dict)
    _waiting: dict[Key, list[arrow.Table]] = field(default_factory=lambda: defaultdict(list))

    def write(self, rows: arrow.Table) -> None:
        """Add ``rows`` of table ``frames`` in order of capture, of any streams.

        Raises ContractError where they break a rule of the table.
        """
        self.rows += len(rows)
        for key, own in _by_stream(rows):
            waiting = self._waiting[key]
            waiting.append(rows.take(own))  # a copy: a slice would keep the whole block in memory
            if sum(map(len, waiting)) >= BUFFER_ROWS:
                self._write(key)
            elif len(waiting) == BUFFER_PARTS:
                waiting[:] = [arrow.concat_tables(waiting).combine_chunks()]

    def flush(self) -> None:
        """Write what still waits."""
        for key in list(self._waiting):
            self._write(key)

    def _write(self, key: Key) -> None:
        if key not in self._open:
            target = self.folder / f"{'.'.join(key)}.parquet"
            self._open[key] = self.files.enter_context(tables.writer(target, TABLES["frames"]))
        self._open[key].write_columns(arrow.concat_tables(self._waiting.pop(key)).combine_chunks())


def _by_stream(rows: arrow.Table) -> Iterator[tuple[Key, arrow.Array]]:
    """Give the positions of each stream's rows, in order."""
    (node, nodes), (stream, streams) = (_texts(rows[name]) for name in ("node", "stream"))
    number = (node * len(streams) + stream).astype(np.int16)  # narrow, so that the stable sort is quick
    order = np.argsort(number, kind="stable")
    edges = np.searchsorted(number[order], np.arange(len(nodes) * len(streams) + 1))
    for at in np.flatnonzero(np.diff(edges)).tolist():
        own = order[edges[at] : edges[at + 1]]
        yield (nodes[at // len(streams)], streams[at % len(streams)]), arrow.array(own)


def _texts(column: arrow.ChunkedArray) -> tuple[NDArray[np.int32], list[str]]:
    """Return the number of each row's text, and the texts."""
    joined = column.unify_dictionaries().combine_chunks()
    joined = joined.chunk(0) if isinstance(joined, arrow.ChunkedArray) and joined.num_chunks else joined
    if not len(joined):
        return np.zeros(0, np.int32), []
    return np.asarray(joined.indices, np.int32), joined.dictionary.to_pylist()


def streams(results: Path, session: str) -> list[Key]:
    """Return node and stream of each file of a session, in order of names.

    Raises ContractError where stage ``frames`` has not written the session.
    """
    place = folder(results, session)
    if not place.is_dir():
        raise ContractError("no such folder", str(place), "a table that an earlier stage wrote")
    stems = (each.stem.split(".") for each in place.glob("[!.]*.parquet"))
    return sorted((node, stream) for node, stream in stems)


def columns_of(results: Path, session: str) -> dict[Key, FrameColumns]:
    """Return the columns of each stream of a session, read when they are asked for."""
    return {key: StreamColumns(path(results, session, key)) for key in streams(results, session)}


@dataclass(frozen=True)
class StreamColumns:
    """Columns of a stream in its file, one in memory at a time: see :class:`FrameColumns`."""

    source: Path

    def __getitem__(self, name: str, /) -> NDArray[Any]:
        column = tables.column(self.source, name)
        if name != "status":
            return np.asarray(column.to_numpy())
        numbers, words = _texts(column)
        return np.array([STATUS.index(word) for word in words], np.int8)[numbers]


def is_in(status: NDArray[np.int8], names: Collection[str]) -> Bools:
    """Return which statuses (f,) are among ``names``."""
    return np.array([name in names for name in STATUS])[status]


def first_capture(columns: FrameColumns) -> slice:
    """Return the frames of a stream that the first capture holds: they come before those of all others."""
    return slice(0, int(np.searchsorted(columns["capture"], 1)))


def hub_runs(results: Path, session: str) -> pd.DataFrame:
    """Read table ``hub_runs`` of a session."""
    return tables.read(tables.path(results, "hub_runs", session), "hub_runs")


@dataclass(frozen=True)
class HostMarks:
    """The host's marks that stand in place, (m,) each in order of capture: ``row``, capture, hub stamp, UTC,
    and the node and stream that sent them.
    """

    key: list[Key]
    row: Ints
    capture: NDArray[np.int16]
    hub_ns: Ints
    utc_ns: Ints


def marks(streams: Iterable[FrameColumns]) -> HostMarks:
    ...


def table(
    results: Path, session: str, columns: list[str] | None = None, filters: Filters | None = None
) -> pd.DataFrame:
    """Read the frames of all streams of a session in order of capture, as :func:`tables.read` gives them."""
    wanted = columns or TABLES["frames"].names
    needed = list(dict.fromkeys([*wanted, "row"]))
    parts = [
        tables.read(path(results, session, key), "frames", needed, filters)
        for key in streams(results, session)
    ]
    ...


def pieces(results: Path, session: str, key: Key, columns: list[str], rows: int) -> Iterator[arrow.Table]:
    """Give some columns of a stream, so many ``rows`` at a time, as they are stored."""
    ...
