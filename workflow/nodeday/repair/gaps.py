"""Runs of lost samples, and which of them a written policy may fill."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]


def runs(mask: Bools) -> tuple[Ints, Ints]:
    """Half-open [start, end) of each run of true values of ``mask`` (n,), in order.

    >>> runs(np.array([False, True, True, False, True]))
    (array([1, 4]), array([3, 5]))
    """
    edges = np.diff(np.concatenate([[0], np.asarray(mask, np.int8), [0]]))
    return np.flatnonzero(edges == 1), np.flatnonzero(edges == -1)


def spread(starts: Ints, ends: Ints, n: int) -> Bools:
    """The reverse of :func:`runs`: true inside [start, end), shape (n,)."""
    steps = np.zeros(n + 1, np.int64)
    np.add.at(steps, starts, 1)
    np.add.at(steps, ends, -1)
    return np.cumsum(steps[:-1]) > 0


def fillable(
    present: Bools, anchor: Bools, barred: Bools, most_samples: float, context_samples: float = 0
) -> tuple[Ints, Ints]:
    """Half-open [start, end) of the runs of lost samples of one boot that may be computed.

    Such a run holds at most ``most_samples``, none of it is ``barred``, and the samples on both sides
    are present and an ``anchor`` (a sample at a rail says only that the signal was beyond it); of twice
    ``context_samples`` on each side so many are present::

        present   1 1 0 0 1 1 0 1 1 0 0 0 1     most_samples = 2
        barred    0 0 0 0 0 0 1 0 0 0 0 0 0
        may be        x x
    """
    starts, ends = runs(~present)
    inside = (starts > 0) & (ends < len(present))
    starts, ends = starts[inside], ends[inside]
    touched, there = _counted(barred), _counted(present)
    need, reach, n = int(np.ceil(context_samples)), int(np.ceil(2 * context_samples)), len(present)
    before = there[starts] - there[np.maximum(starts - reach, 0)]
    after = there[np.minimum(ends + reach, n)] - there[ends]
    good = (ends - starts <= most_samples) & (touched[ends] == touched[starts])
    good &= anchor[starts - 1] & anchor[ends] & (np.minimum(before, after) >= need)
    return starts[good], ends[good]


def _counted(mask: Bools) -> Ints:
    """How many are true before each sample, (n + 1,)."""
    return np.concatenate([[0], np.cumsum(mask)])
