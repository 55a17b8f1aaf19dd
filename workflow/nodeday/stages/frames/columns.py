"""Frames as plain columns: codes of their status, digests of their payloads, and rows of a capture.

Four parts, in this order: indices into the code lists of frames, digests that stand for payloads where
frames are compared, a memory of recent digests to know second copies (:class:`RecentContents`), and the
frames of a capture (:class:`FrameRows`), for the merge of captures.
"""

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
Digests = NDArray[np.uint64]

STATUS = tuple(codes.FRAME_STATUS)
GOOD, DUPLICATE, CONFLICT, LATE, INCONSISTENT, UNPLACED = (
    np.int8(STATUS.index(name))
    for name in ("good", "duplicate", "conflict", "late", "inconsistent", "unplaced")
)
"""Indices into ``codes.FRAME_STATUS``."""
IN_ORDER = (GOOD, LATE)
"""Statuses of frames whose counters and stamp fit."""
DISTINCT = tuple(np.int8(STATUS.index(name)) for name in codes.DISTINCT)
"""Statuses of frames that stand for a position in the sequence."""
COPIES = DUPLICATE, CONFLICT
"""Statuses of frames that repeat such a position."""

REASON = tuple(codes.REJECT_REASON)
BAD_CHECKSUM, BAD_STUFFING, TRUNCATED, UNKNOWN_KIND, UNKNOWN_NODE, IMPLAUSIBLE = (
    np.int8(REASON.index(name))
    for name in (
        "bad_checksum",
        "bad_stuffing",
        "truncated",
        "unknown_kind",
        "unknown_node",
        "implausible",
    )
)
"""Indices into ``codes.REJECT_REASON``."""
NO_REASON = np.int8(-1)

WINDOW = 100_000
"""Frames of a stream remembered to know a second copy. An older one counts as a conflict, since nothing
can tell any more whether it is the first of its number."""
WORD = 4
"""Bytes that are hashed as one number."""
SPREAD = np.uint64(0x9E3779B97F4A7C15)
"""Odd factor that spreads small numbers over 64 bits."""
_PLAIN = ("boot", "seq_raw", "seq", "ticks_raw", "ticks", "hub_ns")


def digests(payload: Bytes) -> Digests:
    """Return a digest (n,) of each row of bytes (n, length).

    The method is multilinear hashing modulo 2**64 of words of 32 bits, the last one filled up with zeros.
    """
    short = -payload.shape[1] % WORD
    padded = np.pad(payload, ((0, 0), (0, short))) if short else np.ascontiguousarray(payload)
    words = padded.view(f"<u{WORD}")
    size = words.shape[1]
    weights: Digests = np.random.default_rng(1982).integers(1, 1 << 63, size, np.uint64) | np.uint64(1)
    out = np.zeros(len(payload), np.uint64)
    for index in range(size):
        out += words[:, index] * weights[index]
    return out


def payload_digests(payloads: arrow.Array | arrow.ChunkedArray) -> Digests:
    """Return the digest of each payload (n,), as from :func:`digests`."""
    if isinstance(payloads, arrow.ChunkedArray):
        return np.concatenate(
            [np.empty(0, np.uint64), *(payload_digests(chunk) for chunk in payloads.chunks)]
        )
    flat, sizes = joined_bytes(payloads)
    starts, out = np.cumsum(sizes) - sizes, np.empty(len(payloads), np.uint64)
    for size in np.unique(sizes).tolist():
        rows = np.flatnonzero(sizes == size)
        out[rows] = digests(flat[starts[rows][:, None] + np.arange(size)])
    return out


class RecentContents:
    """Digests of the frames of the last ``WINDOW`` sequence numbers, one cell for each number.

    The cells grow with the range of numbers, so that a short boot takes little memory.
    """

    LEAST, MOST = 1 << 10, 1 << WINDOW.bit_length()

    def __init__(self) -> None:
        self.number = np.full(self.LEAST, np.iinfo(np.int64).min)
        self.digest = np.empty(self.LEAST, np.uint64)
        self.lowest = np.iinfo(np.int64).max

    def lookup(self, number: Ints) -> tuple[Bools, Digests]:
        """Return whether each number (n,) is remembered, and its digest; any digest where it is not."""
        cell = number % len(self.number)
        return self.number[cell] == number, self.digest[cell]

    def add(self, number: Ints, digest: Digests) -> None:
        """Remember the digests (n,) of frames of the window; all their numbers differ."""
        if not len(number):
            return
        self.lowest = min(self.lowest, int(number.min()))
        self._fit(int(number.max()) - self.lowest + 1)
        cell = number % len(self.number)
        self.number[cell], self.digest[cell] = number, digest

    def _fit(self, span: int) -> None:
        """Grow to at least ``span`` cells, ``MOST`` at most."""
        if span <= len(self.number) or len(self.number) == self.MOST:
            return
        used = self.number != np.iinfo(np.int64).min
        number, digest = self.number[used], self.digest[used]
        size = min(1 << (span - 1).bit_length(), self.MOST)
        self.number, self.digest = np.full(size, np.iinfo(np.int64).min), np.empty(size, np.uint64)
        newest = number > (number.max(initial=0) - size)
        cell = number[newest] % size
        self.number[cell], self.digest[cell] = number[newest], digest[newest]


@dataclass(frozen=True)
class FrameRows:
    """Frames of one capture in its order; all columns are (n,).

    ``node`` and ``stream`` are numbers that mean the same in all captures. ``content`` is the digest of the
    payload, as from :func:`payload_digests`.
    """

    node: Ints
    stream: Ints
    boot: Ints
    seq_raw: Ints
    seq: Ints
    ticks_raw: Ints
    ticks: Ints
    hub_ns: Ints
    content: Digests
    status: States

    def __len__(self) -> int:
        return len(self.node)

    @classmethod
    def of(cls, rows: arrow.Table, hub_range_ns: int) -> FrameRows:
        """Return rows of table ``frames`` whose nodes and streams have the same dictionaries in all captures.

        Several hubs send their marks under one name. The stamps of marks, which wrap at ``hub_range_ns``,
        tell the hubs apart, so they go into the content.
        """
        plain = {name: rows[name].to_numpy().astype(np.int64) for name in _PLAIN}
        coded = {name: rows[name].combine_chunks() for name in ("node", "stream", "status")}
        named = {name: coded[name].indices.to_numpy().astype(np.int64) for name in ("node", "stream")}
        content = payload_digests(rows["payload"])
        nodes = coded["node"].dictionary.to_pylist()
        marks = named["node"] == (nodes.index(HUB) if HUB in nodes else -1)
        content[marks] += (plain["hub_ns"][marks] % hub_range_ns).astype(np.uint64) * SPREAD
        return cls(
            **named, **plain, content=content, status=coded["status"].indices.to_numpy().astype(np.int8)
        )

    @property
    def status_names(self) -> NDArray[np.str_]:
        """Status of each frame by name, (n,)."""
        return np.array(STATUS)[self.status]

    def take(self, rows: Ints | Bools | slice) -> FrameRows:
        """Return some of the rows."""
        return FrameRows(*(values[rows] for values in vars(self).values()))


def joined(parts: Sequence[FrameRows]) -> FrameRows:
    """Return pieces of a capture, at least one, one after the other."""
    columns = zip(*(vars(part).values() for part in parts), strict=True)
    return FrameRows(*(np.concatenate(column) for column in columns))
