"""Received frames of a session, stream by stream, from one pass over table ``frames``.

A day of frames waits in files without a name, and is read from there a column of a stream at a time::

    table   heart wrist heart hub heart wrist ...      in order of capture
    file    heart: seq ticks ... | wrist: seq ticks ... | heart: seq ticks ... | ...
"""

from __future__ import annotations

import mmap
import tempfile
from collections import defaultdict
from collections.abc import Collection, Iterator, Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Any, BinaryIO, Protocol

import numpy as np
import pyarrow as arrow
from numpy.typing import NDArray

from nodeday.core.arrays import Bools, Bytes, Ints
from nodeday.layouts import Kind
from nodeday.layouts.codec import payload_matrix
from nodeday.schemas import codes
from nodeday.storage import tables

Key = tuple[str, str]
STATUS = tuple(codes.FRAME_STATUS)
MARK = "mark_utc_ns"


class FrameColumns(Protocol):
    """Columns (f,) of the frames of a stream in order of capture, by their names in table ``frames``; ``row``
    is a frame's place in the table, and ``status`` that of its code in ``codes.FRAME_STATUS``.
    """

    def __getitem__(self, name: str, /) -> NDArray[Any]: ...


@dataclass(frozen=True)
class Mapped:
    """Rows (f, ...) in a file that is mapped into memory, whose pages do not stay there."""

    file: mmap.mmap
    dtype: np.dtype[Any]
    row: tuple[int, ...] = ()

    def __getitem__(self, rows: Bools | Ints | slice) -> NDArray[Any]:
        """Those at ``rows``, in an array of their own."""
        out = np.array(np.frombuffer(self.file, self.dtype).reshape(-1, *self.row)[rows])
        _let_go(self.file)
        return out


@dataclass(frozen=True)
class FirstCapture:
    """The rows of table ``frames`` that the first capture holds: ``mine`` (n,), or a slice where there is no
    further capture. Frames of further captures carry stamps that were made from the first one's.
    """

    mine: Bools | slice

    def holds(self, rows: NDArray[np.integer]) -> Bools:
        """Which ``rows`` (k,) are among them."""
        return np.ones(len(rows), np.bool_) if isinstance(self.mine, slice) else self.mine[rows]

    def place(self, rows: NDArray[np.integer]) -> NDArray[np.integer]:
        """Which of them each of ``rows`` (k,) is, counted from 0."""
        return rows if isinstance(self.mine, slice) else (np.cumsum(self.mine) - 1)[rows]


@dataclass(frozen=True)
class Received:
    """A table ``frames`` of so many ``rows``: columns and, where they were asked for, payloads (f, bytes) of
    each (node, stream) in order of names; ``marks`` are the host's that stand in place, by row and UTC.
    """

    rows: int
    streams: Mapping[Key, FrameColumns]
    marks: tuple[Ints, Ints]
    payloads: Mapping[Key, Mapped] = field(default_factory=dict)

    def in_order(self, name: str) -> NDArray[Any]:
        """A column of all frames in order of capture, (rows,), where all were asked for."""
        out: NDArray[Any] = np.empty(0, np.int64)
        for own in self.streams.values():
            values = own[name]
            out = out if len(out) else np.empty(self.rows, values.dtype)
            out[own["row"]] = values
        return out

    def first_capture(self) -> FirstCapture:
        """The rows of the first capture, where all frames were asked for."""
        further = any((own["capture"] != 0).any() for own in self.streams.values())
        return FirstCapture(self.in_order("capture") == 0 if further else slice(None))


def received_frames(
    source: Path,
    columns: Sequence[str],
    wanted: Collection[Key] | None = None,
    kept: Collection[str] = STATUS,
    payloads: Mapping[Key, Kind] | None = None,
) -> Received:
    """Frames of the ``wanted`` streams, or of all, whose status is ``kept``.

    ``columns`` are what can be asked of a stream beside ``row`` and ``status``, and ``payloads`` the streams
    whose payloads can. Raises ContractError where a payload has another length than its kind's.
    """
    kinds, marks, at = payloads or {}, [np.empty((2, 0), np.int64)], 0
    names = [*columns, "node", "stream", "status", *(["payload"] if kinds else [])]
    with ExitStack() as files:
        waiting, matrices = _Written(files, source), dict[Key, BinaryIO]()
        for rows in tables.pieces(source, "frames", names):
            status = _places(rows["status"])
            plain = {name: rows[name].to_numpy() for name in columns if name != MARK}
            plain |= {"status": status, "row": np.arange(at, at + len(rows), dtype=np.int32)}
            if MARK in columns:
                marks.append(_marks(rows[MARK], at, is_in(status, codes.IN_PLACE)))
            for key, mine in _by_stream(rows, is_in(status, kept)):
                if wanted is None or key in wanted:
                    waiting.add(key, plain, mine)
                    if key in kinds:
                        matrices[key] = matrices.get(key) or _file(files, source)
                        matrices[key].write(_matrix(rows["payload"], mine, key, kinds[key]).data)
            at += len(rows)
        bytes_of = {key: (kinds[key].payload_bytes,) for key in matrices}
        mapped = {key: Mapped(_map(file), np.dtype("u1"), bytes_of[key]) for key, file in matrices.items()}
        utc = np.concatenate(marks, axis=1)
        return Received(at, waiting.read(), (utc[0], utc[1]), mapped)


def is_in(status: NDArray[np.int8], names: Collection[str]) -> Bools:
    """Which statuses (f,) are among ``names``."""
    return np.array([name in names for name in STATUS])[status]


class _Written:
    """Columns of all streams on their way into one file."""

    def __init__(self, files: ExitStack, source: Path) -> None:
        self._file: BinaryIO | None = None
        self._open, self._dtypes = partial(_file, files, source), dict[str, np.dtype[Any]]()
        self._parts: dict[Key, dict[str, list[tuple[int, int]]]] = defaultdict(lambda: defaultdict(list))

    def add(self, key: Key, columns: Mapping[str, NDArray[Any]], rows: Ints) -> None:
        """Append ``rows`` of ``columns`` to a stream's."""
        self._file = self._file or self._open()
        for name, values in columns.items():
            self._parts[key][name].append((self._file.tell(), len(rows)))
            self._dtypes[name] = values.dtype
            self._file.write(values[rows].data)

    def read(self) -> dict[Key, FrameColumns]:
        """The streams, in order of their names; the file may be closed then."""
        if self._file is None:
            return {}
        file = _map(self._file)
        return {key: _Stored(file, self._dtypes, dict(self._parts[key])) for key in sorted(self._parts)}


@dataclass(frozen=True)
class _Stored:
    """Columns of a stream in a file that it shares with others: place and length of the parts of each."""

    file: mmap.mmap
    dtypes: Mapping[str, np.dtype[Any]]
    parts: Mapping[str, list[tuple[int, int]]]

    def __getitem__(self, name: str, /) -> NDArray[Any]:
        out, at = np.empty(sum(count for _, count in self.parts[name]), self.dtypes[name]), 0
        for place, count in self.parts[name]:
            out[at : at + count] = np.frombuffer(self.file, out.dtype, count, place)
            at += count
        _let_go(self.file)
        return out


def _file(files: ExitStack, source: Path) -> BinaryIO:
    """A file without a name beside ``source``."""
    return files.enter_context(tempfile.TemporaryFile(dir=source.parent))


def _map(file: BinaryIO) -> mmap.mmap:
    file.flush()
    return mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ)


def _let_go(file: mmap.mmap) -> None:
    """Of the pages that were read, which the system still has."""
    if hasattr(mmap, "MADV_DONTNEED"):
        file.madvise(mmap.MADV_DONTNEED)


def _places(column: arrow.ChunkedArray) -> NDArray[np.int8]:
    """Statuses by their places."""
    codes_of, words = _texts(column)
    return np.array([STATUS.index(word) for word in words], np.int8)[codes_of]


def _by_stream(rows: arrow.Table, kept: Bools) -> Iterator[tuple[Key, Ints]]:
    """Rows of each stream of a piece, in order."""
    (node, nodes), (stream, streams) = (_texts(rows[name]) for name in ("node", "stream"))
    number = (node * len(streams) + stream).astype(np.int16)  # narrow, so that the stable sort is quick
    number[~kept] = -1
    order = np.argsort(number, kind="stable")
    edges = np.searchsorted(number[order], np.arange(len(nodes) * len(streams) + 1))
    for at in np.flatnonzero(np.diff(edges)).tolist():
        yield (nodes[at // len(streams)], streams[at % len(streams)]), order[edges[at] : edges[at + 1]]


def _texts(column: arrow.ChunkedArray) -> tuple[NDArray[np.int32], list[str]]:
    """Number of each row's text, and the texts."""
    whole = column.unify_dictionaries().combine_chunks()
    whole = whole.chunk(0) if isinstance(whole, arrow.ChunkedArray) and whole.num_chunks else whole
    if not len(whole):
        return np.zeros(0, np.int32), []
    return np.asarray(whole.indices, np.int32), whole.dictionary.to_pylist()


def _marks(utc_ns: arrow.ChunkedArray, first: int, sound: Bools) -> Ints:
    """Rows and UTC (2, m) of the marks that are ``sound`` in a piece of which ``first`` is the first row."""
    there = np.flatnonzero(utc_ns.is_valid().to_numpy() & sound)
    return np.stack([there + first, utc_ns.take(arrow.array(there)).to_numpy()])


def _matrix(payload: arrow.ChunkedArray, rows: Ints, key: Key, kind: Kind) -> Bytes:
    where = f"table frames, node {key[0]}, stream {key[1]}"
    return payload_matrix(payload.take(arrow.array(rows)), kind.payload_bytes, where)


@dataclass(frozen=True)
class DistinctFrames:
    """Frames (f,) of one stream of a node, in order of capture. ``again`` says that a frame came by
    another copy of the capture, ``trusted`` that its counters agree with the others.
    """

    boot: NDArray[np.int32]
    seq: NDArray[np.int64]
    ticks: NDArray[np.int64]
    again: NDArray[np.bool_]
    trusted: NDArray[np.bool_]
    payload: Mapped


@dataclass(frozen=True)
class StoredFrames:
    """A stream's distinct frames on disk, so that a day of them is never in memory; ``samples`` is how many
    sample instants are in all of them.
    """

    columns: FrameColumns
    payload: Mapped
    samples: int

    def read(self) -> DistinctFrames:
        """The frames, but for their payload."""
        own = self.columns
        trusted = ~is_in(own["status"], ["inconsistent"])
        return DistinctFrames(
            own["boot"], own["seq"], own["ticks"], own["capture"] > 0, trusted, self.payload
        )


def distinct_frames(source: Path, wanted: dict[Key, Kind]) -> dict[Key, StoredFrames]:
    """The distinct frames of each (node, stream) in ``wanted`` that was heard at all.

    Raises ContractError where payloads have another length than their kind.
    """
    columns = ["capture", "boot", "seq", "ticks", "samples"]
    found = received_frames(source, columns, wanted, codes.DISTINCT, wanted)
    return {
        key: StoredFrames(own, found.payloads[key], int(own["samples"].sum(dtype=np.int64)))
        for key in wanted
        if (own := found.streams.get(key)) is not None
    }


@dataclass(frozen=True)
class FrameStamps:
    """Distinct frames (f,) of one stream of a node, in order of capture, and the sample instants in all of
    them.
    """

    boot: NDArray[np.int32]
    seq: NDArray[np.int64]
    ticks: NDArray[np.int64]
    samples: int


UNHEARD = FrameStamps(np.zeros(0, np.int32), np.zeros(0, np.int64), np.zeros(0, np.int64), 0)


def frame_stamps(source: Path) -> dict[Key, FrameStamps]:
    """When the frames of each (node, stream) that hold samples were stamped."""
    found = {}
    for key, own in received_frames(
        source, ["boot", "seq", "ticks", "samples"], kept=codes.DISTINCT
    ).streams.items():
        samples = own["samples"]
        boot, seq, ticks = (own[name][samples > 0] for name in ("boot", "seq", "ticks"))
        if len(boot):
            found[key] = FrameStamps(boot, seq, ticks, int(samples.sum(dtype=np.int64)))
    return found
