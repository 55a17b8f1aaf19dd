"""Types of arrays, and the runs of true values of a mask: a filter works inside one run only."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]
Bytes = NDArray[np.uint8]
Singles = NDArray[np.float32]


def runs(mask: Bools) -> tuple[Ints, Ints]:
    """Return half-open [start, end) of each run of true values of ``mask`` (n,), in order.

    >>> runs(np.array([False, True, True, False, True]))
    (array([1, 4]), array([3, 5]))
    """
    mask = np.asarray(mask, np.bool_)
    if not len(mask):
        return np.zeros(0, np.int64), np.zeros(0, np.int64)
    edges = np.concatenate([[0], np.flatnonzero(mask[1:] != mask[:-1]) + 1, [len(mask)]])
    opens = int(not mask[0])
    inner = edges[opens:]
    return inner[:-1:2], inner[1::2]


def groups(values: NDArray[np.integer[Any]]) -> dict[int, Ints]:
    """Return the positions of each value in ``values`` (n,), rising, by the values in their order.

    >>> groups(np.array([7, 3, 7]))
    {3: array([1]), 7: array([0, 2])}
    """
    order = np.argsort(values, kind="stable")
    found, first = np.unique(values[order], return_index=True)
    return dict(zip(found.tolist(), np.split(order, first[1:]), strict=True)) if len(found) else {}


def spread(starts: Ints, ends: Ints, n: int) -> Bools:
    """Return the mask (n,) that is true inside each [start, end): the reverse of :func:`runs`.

    Runs may overlap and stand in any order.
    """
    if not len(starts):
        return np.zeros(n, np.bool_)
    starts, ends = np.sort(starts), np.sort(ends)
    # A run stands alone where all that began before it have ended.
    alone = np.concatenate([[True], starts[1:] > ends[:-1]])
    edges = np.stack([starts[alone], ends[np.concatenate([alone[1:], [True]])]], axis=1).ravel()
    lengths = np.diff(np.concatenate([[0], edges, [n]]))
    return np.repeat(np.arange(len(lengths)) % 2 == 1, lengths)


@dataclass(frozen=True)
class Bits:
    """A mask as bits, for quick answers about many positions.

    ``words`` hold 64 positions each; ``before`` is how many bits are set before each word.
    """

    words: NDArray[np.uint64]
    before: NDArray[np.int64]

    @classmethod
    def of(cls, mask: Bools) -> Bits:
        """Return the bits of ``mask`` (n,).

        >>> bits = Bits.of(np.array([True, False, True]))
        >>> bits.has(np.array([0, 1])), bits.count(np.array([0, 1, 3]))
        (array([ True, False]), array([0, 1, 2]))
        """
        bits = np.zeros((len(mask) // 64 + 1) * 8, np.uint8)
        packed = np.packbits(mask, bitorder="little")
        bits[: len(packed)] = packed
        words = bits.view("<u8")
        held = np.bitwise_count(words).astype(np.int64)
        return cls(words, np.cumsum(held) - held)

    def has(self, positions: Ints) -> Bools:
        """Return whether the mask is true at each of ``positions``."""
        word, bit = positions >> 6, (positions & 63).astype(np.uint64)
        return np.asarray(self.words[word] >> bit & np.uint64(1), np.bool_)

    def count(self, positions: Ints) -> Ints:
        """Return how many true values lie before each of ``positions``, which may be n."""
        word, bit = positions >> 6, (positions & 63).astype(np.uint64)
        below = (np.uint64(1) << bit) - np.uint64(1)
        return np.asarray(self.before[word] + np.bitwise_count(self.words[word] & below), np.int64)
