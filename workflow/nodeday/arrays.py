"""Types of arrays, and the stretches where a mask holds without a break: the only places for a filter."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]
Bytes = NDArray[np.uint8]
Singles = NDArray[np.float32]


def runs(mask: Bools) -> tuple[Ints, Ints]:
    """Half-open [start, end) of each run of true values of ``mask`` (n,), in order.

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


def spread(starts: Ints, ends: Ints, n: int) -> Bools:
    """The reverse of :func:`runs`: true inside [start, end), shape (n,); runs may overlap."""
    if not len(starts):
        return np.zeros(n, np.bool_)
    steps = np.zeros(n + 1, np.int32)
    np.add.at(steps, starts, 1)
    np.add.at(steps, ends, -1)
    return np.cumsum(steps[:-1], dtype=np.int32) > 0
