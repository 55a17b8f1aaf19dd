"""Frames of a capture as plain columns, for what compares captures."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
import pyarrow as arrow
from numpy.typing import NDArray

from nodeday.arrays import Bools, Ints
from nodeday.frames.unwrap import digests
from nodeday.schemas import codes
from nodeday.settings import HUB

Marks = NDArray[np.uint64]
Words = NDArray[np.str_]
States = NDArray[np.int8]

STATUS = tuple(codes.FRAME_STATUS)
GOOD, DUPLICATE, CONFLICT, LATE, INCONSISTENT, UNPLACED = (
    np.int8(STATUS.index(each))
    for each in ("good", "duplicate", "conflict", "late", "inconsistent", "unplaced")
)
"""Places in ``codes.FRAME_STATUS``."""
IN_ORDER = (GOOD, LATE)
DISTINCT = tuple(np.int8(STATUS.index(each)) for each in codes.DISTINCT)
_PLAIN = ("boot", "seq_raw", "seq", "ticks_raw", "ticks", "hub_ns")


@dataclass(frozen=True)
class Frames:
    """Frames of one capture in its order, (n,) each. ``node`` and ``stream`` are numbers that mean
    the same in all captures; ``content`` stands for the payload: see :func:`contents`."""

    node: Ints
    stream: Ints
    boot: Ints
    seq_raw: Ints
    seq: Ints
    ticks_raw: Ints
    ticks: Ints
    hub_ns: Ints
    content: Marks
    status: States

    def __len__(self) -> int:
        return len(self.node)

    @classmethod
    def of(cls, table: pd.DataFrame, hub_range_ns: int) -> Frames:
        """Rows of table ``frames`` of which node and stream have the same categories in all captures.

        Two hubs send marks of their own under one name; a hub's are told by the stamps they carry,
        which wrap at ``hub_range_ns``.
        """
        content = contents(arrow.array(table["payload"]))
        hub_ns = table["hub_ns"].to_numpy(np.int64)
        own = (table["node"] == HUB).to_numpy()
        content[own] += (hub_ns[own] % hub_range_ns).astype(np.uint64) * np.uint64(0x9E3779B97F4A7C15)
        plain = {name: table[name].to_numpy(np.int64) for name in _PLAIN}
        named = {name: table[name].cat.codes.to_numpy().astype(np.int64) for name in ("node", "stream")}
        return cls(**named, **plain, content=content, status=np.asarray(table["status"].cat.codes, np.int8))

    @property
    def words(self) -> Words:
        """Statuses in words, (n,)."""
        return np.array(STATUS)[self.status]

    def take(self, rows: Ints | Bools | slice) -> Frames:
        return Frames(*(values[rows] for values in vars(self).values()))


def joined(parts: Sequence[Frames]) -> Frames:
    """Pieces of a capture, one after the other; at least one."""
    return Frames(*(np.concatenate(each) for each in zip(*(vars(p).values() for p in parts), strict=True)))


def contents(payloads: arrow.Array | arrow.ChunkedArray) -> Marks:
    """A number for each payload, as :func:`nodeday.frames.unwrap.digests` makes it, (n,)."""
    if isinstance(payloads, arrow.ChunkedArray):
        return np.concatenate([np.empty(0, np.uint64), *(contents(each) for each in payloads.chunks)])
    if not len(payloads):
        return np.empty(0, np.uint64)
    _, edges, data = payloads.buffers()
    ends = np.frombuffer(edges, np.int32)[payloads.offset : payloads.offset + len(payloads) + 1].astype(
        np.int64
    )
    flat = np.frombuffer(data, np.uint8) if data is not None else np.empty(0, np.uint8)
    sizes, out = np.diff(ends), np.empty(len(payloads), np.uint64)
    for size in np.unique(sizes).tolist():
        rows = np.flatnonzero(sizes == size)
        out[rows] = digests(flat[ends[rows][:, None] + np.arange(size)])
    return out
