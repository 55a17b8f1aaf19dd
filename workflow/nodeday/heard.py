"""Distinct received frames of a session, stream by stream, from one pass over table ``frames``."""

from __future__ import annotations

import mmap
import tempfile
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as arrow
from numpy.typing import NDArray

from nodeday import tables
from nodeday.arrays import Bools, Bytes, Ints
from nodeday.layouts import Kind, payload_matrix
from nodeday.schemas import codes

Key = tuple[str, str]
COLUMNS = ["node", "stream", "capture", "boot", "seq", "ticks", "samples", "status", "payload"]


@dataclass(frozen=True)
class Heard:
    """Frames (f,) of one stream of a node, in order of capture. ``again`` says that a frame came by
    another copy of the capture, ``trusted`` that its counters agree with the others; ``samples`` is the
    sample instants in all of them."""

    boot: NDArray[np.int32]
    seq: NDArray[np.int64]
    ticks: NDArray[np.int64]
    again: NDArray[np.bool_]
    trusted: NDArray[np.bool_]
    payload: Payloads
    samples: int


@dataclass(frozen=True)
class Payloads:
    """Payloads (f, bytes) of a stream, in a file that is mapped into memory."""

    file: mmap.mmap
    shape: tuple[int, int]

    def __getitem__(self, rows: Bools | Ints | slice) -> Bytes:
        """Those at ``rows``, in an array of their own: the file's pages do not stay in memory."""
        out = np.array(np.frombuffer(self.file, np.uint8).reshape(self.shape)[rows])
        if hasattr(mmap, "MADV_DONTNEED"):
            self.file.madvise(mmap.MADV_DONTNEED)
        return out


def heard(source: Path, wanted: dict[Key, Kind]) -> dict[Key, Heard]:
    """The frames of each (node, stream) in ``wanted`` that was heard at all.

    Raises ContractError where payloads have another length than their kind.
    """
    parts: dict[Key, list[dict[str, NDArray[Any]]]] = {}
    payloads: dict[Key, Any] = {}
    with ExitStack() as files:
        for rows in tables.pieces(source, "frames", COLUMNS):
            node, stream, status = (_texts(rows[name]) for name in ("node", "stream", "status"))
            distinct = np.isin(status[0], [status[1][code] for code in codes.DISTINCT if code in status[1]])
            trusted = status[0] != status[1].get("inconsistent", -1)
            rows = rows.drop_columns(["node", "stream", "status"])
            for key, kind in wanted.items():
                at = [words.get(text, -1) for (_, words), text in zip((node, stream), key, strict=True)]
                mine = np.flatnonzero(distinct & (node[0] == at[0]) & (stream[0] == at[1]))
                if len(mine):
                    own = rows.take(arrow.array(mine))
                    if key not in payloads:  # they wait on disk, so that a day of them is never in memory
                        payloads[key] = files.enter_context(tempfile.TemporaryFile(dir=source.parent))
                    where = f"table frames, node {key[0]}, stream {key[1]}"
                    payloads[key].write(payload_matrix(own["payload"], kind.payload_bytes, where).data)
                    parts.setdefault(key, []).append(_counters(own) | {"trusted": trusted[mine]})
        return {key: _joined(parts.pop(key), payloads[key], wanted[key]) for key in wanted if key in parts}


def _texts(column: arrow.ChunkedArray) -> tuple[NDArray[np.int32], dict[str, int]]:
    """Index of each row's text, and the index of each text."""
    whole = column.unify_dictionaries().combine_chunks()
    whole = whole.chunk(0) if isinstance(whole, arrow.ChunkedArray) and whole.num_chunks else whole
    if not len(whole):
        return np.zeros(0, np.int32), {}
    return np.asarray(whole.indices, np.int32), {
        text: at for at, text in enumerate(whole.dictionary.to_pylist())
    }


def _counters(rows: arrow.Table) -> dict[str, NDArray[Any]]:
    """Copies, since a view would hold all of Arrow's rows, payloads too."""
    own = {name: np.array(rows[name]) for name in ("boot", "seq", "ticks", "samples")}
    return own | {"again": np.array(rows["capture"]) > 0}


def _joined(parts: list[dict[str, NDArray[Any]]], payloads: Any, kind: Kind) -> Heard:
    """One of all ``parts``; the file ``payloads`` may be closed then."""
    whole = {name: np.concatenate([part[name] for part in parts]) for name in parts[0]}
    payloads.flush()
    mapped = mmap.mmap(payloads.fileno(), 0, access=mmap.ACCESS_READ)
    payload = Payloads(mapped, (len(whole["boot"]), kind.payload_bytes))
    return Heard(**whole | {"samples": int(whole["samples"].sum()), "payload": payload})
