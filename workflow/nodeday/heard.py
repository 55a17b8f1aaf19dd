"""Distinct received frames of a session, stream by stream, from one pass over table ``frames``."""

from __future__ import annotations

import tempfile
from contextlib import ExitStack
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as arrow
import pyarrow.compute as compute
from numpy.typing import NDArray

from nodeday import tables
from nodeday.arrays import Bools
from nodeday.layouts import Kind, payload_matrix
from nodeday.schemas import codes

Key = tuple[str, str]
COLUMNS = ["node", "stream", "capture", "boot", "seq", "ticks", "samples", "status", "payload"]


@dataclass(frozen=True)
class Heard:
    """Frames (f,) of one stream of a node, in order of capture. ``again`` says that a frame came by
    another copy of the capture, ``trusted`` that its counters agree with the others; ``payload`` is
    (f, bytes) and read from disk as it is asked for, ``samples`` the sample instants in all of them."""

    boot: NDArray[np.int32]
    seq: NDArray[np.int64]
    ticks: NDArray[np.int64]
    again: NDArray[np.bool_]
    trusted: NDArray[np.bool_]
    payload: NDArray[np.uint8]
    samples: int


def heard(source: Path, wanted: dict[Key, Kind]) -> dict[Key, Heard]:
    """The frames of each (node, stream) in ``wanted`` that was heard at all.

    Raises ContractError where payloads have another length than their kind.
    """
    parts: dict[Key, list[Heard]] = {}
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
                    own = _heard(rows.take(arrow.array(mine)), trusted[mine], kind, key)
                    if key not in payloads:  # they wait on disk, so that a day of them is never in memory
                        payloads[key] = files.enter_context(tempfile.TemporaryFile(dir=source.parent))
                    payloads[key].write(np.ascontiguousarray(own.payload))
                    parts.setdefault(key, []).append(replace(own, payload=np.zeros((0, 0), np.uint8)))
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


def _heard(rows: arrow.Table, trusted: Bools, kind: Kind, key: Key) -> Heard:
    """The frames in arrays of their own but for the payload, a view of Arrow's."""
    where = f"table frames, node {key[0]}, stream {key[1]}"
    payload = payload_matrix(rows["payload"], kind.payload_bytes, where)
    return Heard(
        np.array(rows["boot"]), np.array(rows["seq"]), np.array(rows["ticks"]),
        np.array(rows["capture"]) > 0, trusted, payload, compute.sum(rows["samples"]).as_py(),
    )  # fmt: skip


def _joined(parts: list[Heard], payloads: Any, kind: Kind) -> Heard:
    """One of all ``parts``; the payload is a mapping of the file ``payloads``, which may then be closed."""

    def whole(name: str) -> Any:
        return np.concatenate([getattr(part, name) for part in parts])

    boot = whole("boot")
    payloads.flush()
    payload = np.memmap(payloads, np.uint8, "r", shape=(len(boot), kind.payload_bytes))
    return Heard(
        boot, whole("seq"), whole("ticks"), whole("again"), whole("trusted"), payload,
        sum(part.samples for part in parts),
    )  # fmt: skip
