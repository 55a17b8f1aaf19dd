"""Runs of lost samples, and which of them a written policy may fill."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from nodeday.arrays import Bools, Ints, runs


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
    good = (ends - starts <= most_samples) & anchor[starts - 1] & anchor[ends]
    if barred.any():
        touched = _counted(barred)
        good &= touched[ends] == touched[starts]
    if context_samples > 0:
        there, need, reach = (
            _counted(present),
            int(np.ceil(context_samples)),
            int(np.ceil(2 * context_samples)),
        )
        before = there[starts] - there[np.maximum(starts - reach, 0)]
        after = there[np.minimum(ends + reach, len(present))] - there[ends]
        good &= np.minimum(before, after) >= need
    return starts[good], ends[good]


def _counted(mask: Bools) -> NDArray[np.int32]:
    """How many are true before each sample, (n + 1,)."""
    out = np.zeros(len(mask) + 1, np.int32)
    np.cumsum(mask, dtype=np.int32, out=out[1:])
    return out
