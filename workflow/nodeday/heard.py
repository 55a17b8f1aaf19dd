"""Distinct received frames of a session, stream by stream, from one pass over table ``frames``: with what
they hold, or when they were stamped alone."""

from __future__ import annotations

import mmap
import tempfile
from collections import Counter
from contextlib import ExitStack
from dataclasses import dataclass
from itertools import product
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
import pyarrow as arrow
import pyarrow.compute as compute
from numpy.typing import NDArray

from nodeday import tables
from nodeday.arrays import Bools, Ints
from nodeday.layouts import Kind
from nodeday.layouts.payload import payload_matrix
from nodeday.schemas import codes

Key = tuple[str, str]
STAMPS = ["node", "stream", "boot", "seq", "ticks", "samples", "status"]
COLUMNS = [*STAMPS, "capture", "payload"]
RECORD = np.dtype([("boot", "i4"), ("seq", "i8"), ("ticks", "i8"), ("again", "?"), ("trusted", "?")])
"""What a frame says beside its payload, as it waits on disk."""


@dataclass(frozen=True)
class Heard:
    """Frames (f,) of one stream of a node, in order of capture. ``again`` says that a frame came by
    another copy of the capture, ``trusted`` that its counters agree with the others."""

    boot: NDArray[np.int32]
    seq: NDArray[np.int64]
    ticks: NDArray[np.int64]
    again: NDArray[np.bool_]
    trusted: NDArray[np.bool_]
    payload: Mapped


@dataclass(frozen=True)
class Mapped:
    """Rows (f, ...) in a file that is mapped into memory, whose pages do not stay there."""

    file: mmap.mmap
    dtype: np.dtype[Any]
    row: tuple[int, ...] = ()

    @staticmethod
    def of(file: BinaryIO, dtype: np.dtype[Any], row: tuple[int, ...] = ()) -> Mapped:
        """What was written to ``file``, which may be closed then."""
        file.flush()
        return Mapped(mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ), dtype, row)

    def __getitem__(self, rows: Bools | Ints | slice) -> NDArray[Any]:
        """Those at ``rows``, in an array of their own."""
        out = np.array(np.frombuffer(self.file, self.dtype).reshape(-1, *self.row)[rows])
        if hasattr(mmap, "MADV_DONTNEED"):
            self.file.madvise(mmap.MADV_DONTNEED)
        return out


@dataclass(frozen=True)
class Waiting:
    """A stream's frames on disk, so that a day of them is never in memory; ``samples`` is how many sample
    instants are in all of them."""

    records: Mapped
    payload: Mapped
    samples: int

    def read(self) -> Heard:
        """The frames, but for their payload."""
        records = self.records[:]
        own = {name: np.ascontiguousarray(records[name]) for name in RECORD.names or ()}
        return Heard(**own, payload=self.payload)


@dataclass(frozen=True)
class Stamps:
    """Frames (f,) of one stream of a node, in order of capture, and the sample instants in all of them."""

    boot: NDArray[np.int32]
    seq: NDArray[np.int64]
    ticks: NDArray[np.int64]
    samples: int


UNHEARD = Stamps(np.zeros(0, np.int32), np.zeros(0, np.int64), np.zeros(0, np.int64), 0)


def stamps(source: Path) -> dict[Key, Stamps]:
    """The frames of each (node, stream) that hold samples."""
    parts: dict[Key, list[arrow.Table]] = {}
    for rows in tables.pieces(source, "frames", STAMPS):
        (node, nodes), (stream, streams) = _texts(rows["node"]), _texts(rows["stream"])
        wanted = _distinct(*_texts(rows["status"])) & (np.array(rows["samples"]) > 0)
        rows = rows.drop_columns(["node", "stream", "status"])
        for key in product(nodes, streams):
            mine = np.flatnonzero(wanted & (node == nodes[key[0]]) & (stream == streams[key[1]]))
            if len(mine):
                parts.setdefault(key, []).append(rows.take(arrow.array(mine)))
    return {key: _stamps(arrow.concat_tables(own)) for key, own in parts.items()}


def _stamps(rows: arrow.Table) -> Stamps:
    boot, seq, ticks = (rows[name].to_numpy() for name in ("boot", "seq", "ticks"))
    return Stamps(boot, seq, ticks, compute.sum(rows["samples"]).as_py())


def heard(source: Path, wanted: dict[Key, Kind]) -> dict[Key, Waiting]:
    """The frames of each (node, stream) in ``wanted`` that was heard at all.

    Raises ContractError where payloads have another length than their kind.
    """
    samples: Counter[Key] = Counter()
    with ExitStack() as open_files:
        files: dict[Key, list[Any]] = {}
        for rows in tables.pieces(source, "frames", COLUMNS):
            node, stream, status = (_texts(rows[name]) for name in ("node", "stream", "status"))
            distinct = _distinct(*status)
            trusted = status[0] != status[1].get("inconsistent", -1)
            rows = rows.drop_columns(["node", "stream", "status"])
            for key, kind in wanted.items():
                at = [words.get(text, -1) for (_, words), text in zip((node, stream), key, strict=True)]
                mine = np.flatnonzero(distinct & (node[0] == at[0]) & (stream[0] == at[1]))
                if not len(mine):
                    continue
                if key not in files:
                    files[key] = [open_files.enter_context(tempfile.TemporaryFile(dir=source.parent))
                                  for _ in ("records", "payloads")]  # fmt: skip
                own, where = rows.take(arrow.array(mine)), f"table frames, node {key[0]}, stream {key[1]}"
                samples[key] += compute.sum(own["samples"]).as_py()
                files[key][0].write(_records(own, trusted[mine]).data)
                files[key][1].write(payload_matrix(own["payload"], kind.payload_bytes, where).data)
        return {
            key: Waiting(Mapped.of(files[key][0], RECORD),
                         Mapped.of(files[key][1], np.dtype("u1"), (kind.payload_bytes,)), samples[key])
            for key, kind in wanted.items() if key in files
        }  # fmt: skip


def _records(rows: arrow.Table, trusted: Bools) -> NDArray[np.void]:
    out = np.empty(len(rows), RECORD)
    for name in ("boot", "seq", "ticks"):
        out[name] = rows[name]
    out["again"], out["trusted"] = np.asarray(rows["capture"]) > 0, trusted
    return out


def _distinct(status: NDArray[np.int32], known: dict[str, int]) -> Bools:
    return np.isin(status, [known[code] for code in codes.DISTINCT if code in known])


def _texts(column: arrow.ChunkedArray) -> tuple[NDArray[np.int32], dict[str, int]]:
    """Index of each row's text, and the index of each text."""
    whole = column.unify_dictionaries().combine_chunks()
    whole = whole.chunk(0) if isinstance(whole, arrow.ChunkedArray) and whole.num_chunks else whole
    if not len(whole):
        return np.zeros(0, np.int32), {}
    return np.asarray(whole.indices, np.int32), {
        text: at for at, text in enumerate(whole.dictionary.to_pylist())
    }
