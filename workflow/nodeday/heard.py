"""Distinct received frames of a session, stream by stream, from one pass over table ``frames``."""

from __future__ import annotations

import mmap
import tempfile
from collections import Counter
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
import pyarrow as arrow
import pyarrow.compute as compute
from numpy.typing import NDArray

from nodeday import tables
from nodeday.arrays import Bools, Ints
from nodeday.layouts import Kind, payload_matrix
from nodeday.schemas import codes

Key = tuple[str, str]
COLUMNS = ["node", "stream", "capture", "boot", "seq", "ticks", "samples", "status", "payload"]


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


def heard(source: Path, wanted: dict[Key, Kind]) -> dict[Key, Waiting]:
    """The frames of each (node, stream) in ``wanted`` that was heard at all.

    Raises ContractError where payloads have another length than their kind.
    """
    samples: Counter[Key] = Counter()
    with ExitStack() as open_files:
        files: dict[Key, list[Any]] = {}
        for rows in tables.pieces(source, "frames", COLUMNS):
            node, stream, status = (_texts(rows[name]) for name in ("node", "stream", "status"))
            distinct = np.isin(status[0], [status[1][code] for code in codes.DISTINCT if code in status[1]])
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


def _texts(column: arrow.ChunkedArray) -> tuple[NDArray[np.int32], dict[str, int]]:
    """Index of each row's text, and the index of each text."""
    whole = column.unify_dictionaries().combine_chunks()
    whole = whole.chunk(0) if isinstance(whole, arrow.ChunkedArray) and whole.num_chunks else whole
    if not len(whole):
        return np.zeros(0, np.int32), {}
    return np.asarray(whole.indices, np.int32), {
        text: at for at, text in enumerate(whole.dictionary.to_pylist())
    }
