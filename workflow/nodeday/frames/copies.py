"""What frames hold, as a number for each: to know a second copy, and the same frame in another capture."""

from __future__ import annotations

import numpy as np
import pyarrow as arrow
from numpy.typing import NDArray

from nodeday.arrays import Bools, Bytes, Ints

Marks = NDArray[np.uint64]

WINDOW = 100_000
"""Frames of a stream remembered to know a second copy; an older one counts as a conflict, since
nothing can tell any more whether it is the first of its number."""
WORD = 4
"""Bytes that are hashed as one number."""


def digests(payload: Bytes) -> Marks:
    """A number for each row of bytes, (n, length) -> (n,): multilinear hashing modulo 2**64 of its words of
    32 bits, the last one filled up with zeros."""
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


class Seen:
    """What the frames of the last ``WINDOW`` sequence numbers held: each number has a place of its own."""

    SIZE = 1 << WINDOW.bit_length()

    def __init__(self) -> None:
        self.number = np.full(self.SIZE, np.iinfo(np.int64).min)
        self.digest = np.empty(self.SIZE, np.uint64)

    def twins(self, number: Ints) -> tuple[Bools, Marks]:
        """Whether each number (n,) was seen, and with which content."""
        place = number % self.SIZE
        return self.number[place] == number, self.digest[place]

    def add(self, number: Ints, digest: Marks) -> None:
        """Remember frames (n,) of the window, each with a number of its own."""
        place = number % self.SIZE
        self.number[place], self.digest[place] = number, digest
