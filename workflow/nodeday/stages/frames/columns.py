"""Frames of a capture as plain columns, for what compares captures."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pyarrow as arrow
from numpy.typing import NDArray

from nodeday.config.study import HUB
from nodeday.core.arrays import Bools, Bytes, Ints
from nodeday.layouts.codec import joined_bytes
from nodeday.schemas import codes

States = NDArray[np.int8]
Reasons = NDArray[np.int8]

STATUS = tuple(codes.FRAME_STATUS)
GOOD, DUPLICATE, CONFLICT, LATE, INCONSISTENT, UNPLACED = (
    np.int8(STATUS.index(each))
    for each in ("good", "duplicate", "conflict", "late", "inconsistent", "unplaced")
)
"""Places in ``codes.FRAME_STATUS``."""
IN_ORDER = (GOOD, LATE)
DISTINCT = tuple(np.int8(STATUS.index(each)) for each in codes.DISTINCT)
COPIES = DUPLICATE, CONFLICT

REASON = tuple(codes.REJECT_REASON)
BAD_CHECKSUM, BAD_STUFFING, TRUNCATED, UNKNOWN_KIND, UNKNOWN_NODE, IMPLAUSIBLE = (
    np.int8(REASON.index(each))
    for each in (
        "bad_checksum",
        "bad_stuffing",
        "truncated",
        "unknown_kind",
        "unknown_node",
        "implausible",
    )
)
"""Places in ``codes.REJECT_REASON``."""
NO_REASON = np.int8(-1)


Marks = NDArray[np.uint64]

WINDOW = 100_000
"""Frames of a stream remembered to know a second copy; an older one counts as a conflict, since
nothing can tell any more whether it is the first of its number."""
WORD = 4
"""Bytes that are hashed as one number."""


def digests(payload: Bytes) -> Marks:
    """A number for each row of bytes, (n, length) -> (n,): multilinear hashing modulo 2**64 of its words of
    32 bits, the last one filled up with zeros.
    """
    short = -payload.shape[1] % WORD
    whole = np.pad(payload, ((0, 0), (0, short))) if short else np.ascontiguousarray(payload)
    words = whole.view(f"<u{WORD}")
    size = words.shape[1]
    weights: Marks = np.random.default_rng(1982).integers(1, 1 << 63, size, np.uint64) | np.uint64(1)
    out = np.zeros(len(payload), np.uint64)
    for place in range(size):
        out += words[:, place] * weights[place]
    return out


def contents(payloads: arrow.Array | arrow.ChunkedArray) -> Marks:
    """A number for each payload, as :func:`digests` makes it, (n,)."""
    if isinstance(payloads, arrow.ChunkedArray):
        return np.concatenate([np.empty(0, np.uint64), *(contents(each) for each in payloads.chunks)])
    flat, sizes = joined_bytes(payloads)
    starts, out = np.cumsum(sizes) - sizes, np.empty(len(payloads), np.uint64)
    for size in np.unique(sizes).tolist():
        rows = np.flatnonzero(sizes == size)
        out[rows] = digests(flat[starts[rows][:, None] + np.arange(size)])
    return out


class RecentContents:
    """What the frames of the last ``WINDOW`` sequence numbers held: each number has a cell of its own.

    The cells grow with the numbers that are there, so that a short boot takes little memory.
    """

    LEAST, MOST = 1 << 10, 1 << WINDOW.bit_length()

    def __init__(self) -> None:
        self.number = np.full(self.LEAST, np.iinfo(np.int64).min)
        self.digest = np.empty(self.LEAST, np.uint64)
        self.lowest = np.iinfo(np.int64).max

    def twins(self, number: Ints) -> tuple[Bools, Marks]:
        """Whether each number (n,) was seen, and with which content."""
        cell = number % len(self.number)
        return self.number[cell] == number, self.digest[cell]

    def add(self, number: Ints, digest: Marks) -> None:
        """Remember frames (n,) of the window, each with a number of its own."""
        if not len(number):
            return
        self.lowest = min(self.lowest, int(number.min()))
        self._fit(int(number.max()) - self.lowest + 1)
        cell = number % len(self.number)
        self.number[cell], self.digest[cell] = number, digest

    def _fit(self, span: int) -> None:
        if span <= len(self.number) or len(self.number) == self.MOST:
            return
        held = self.number != np.iinfo(np.int64).min
        number, digest = self.number[held], self.digest[held]
        size = min(1 << (span - 1).bit_length(), self.MOST)
        self.number, self.digest = np.full(size, np.iinfo(np.int64).min), np.empty(size, np.uint64)
        newest = number > (number.max(initial=0) - size)
        cell = number[newest] % size
        self.number[cell], self.digest[cell] = number[newest], digest[newest]


Words = NDArray[np.str_]

_PLAIN = ("boot", "seq_raw", "seq", "ticks_raw", "ticks", "hub_ns")


@dataclass(frozen=True)
class FrameRows:
    """Frames of one capture in its order, (n,) each. ``node`` and ``stream`` are numbers that mean
    the same in all captures; ``content`` stands for the payload: see :func:`contents`.
    """

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
    def of(cls, rows: arrow.Table, hub_range_ns: int) -> FrameRows:
        """Rows of table ``frames`` whose nodes and streams have the same dictionaries in all captures.

        Two hubs send marks of their own under one name; a hub's are told by the stamps they carry,
        which wrap at ``hub_range_ns``.
        """
        plain = {name: rows[name].to_numpy().astype(np.int64) for name in _PLAIN}
        coded = {name: rows[name].combine_chunks() for name in ("node", "stream", "status")}
        named = {name: coded[name].indices.to_numpy().astype(np.int64) for name in ("node", "stream")}
        content = contents(rows["payload"])
        nodes = coded["node"].dictionary.to_pylist()
        own = named["node"] == (nodes.index(HUB) if HUB in nodes else -1)
        content[own] += (plain["hub_ns"][own] % hub_range_ns).astype(np.uint64) * np.uint64(
            0x9E3779B97F4A7C15
        )
        return cls(
            **named, **plain, content=content, status=coded["status"].indices.to_numpy().astype(np.int8)
        )

    @property
    def words(self) -> Words:
        """Statuses in words, (n,)."""
        return np.array(STATUS)[self.status]

    def take(self, rows: Ints | Bools | slice) -> FrameRows:
        return FrameRows(*(values[rows] for values in vars(self).values()))


def joined(parts: Sequence[FrameRows]) -> FrameRows:
    """Pieces of a capture, one after the other; at least one."""
    return FrameRows(*(np.concatenate(each) for each in zip(*(vars(p).values() for p in parts), strict=True)))
