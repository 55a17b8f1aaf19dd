"""Loss against signal strength and link quality. A lost frame has none, so its neighbours lend theirs."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nodeday.arrays import Floats, Ints
from nodeday.loss.burst import interval

WIDTH = {"rssi_dbm": 2.0, "lqi": 5.0}
"""Width of a bin, in the unit of the measure. Choice of this project."""


def neighbours(
    boot: NDArray[np.integer], seq: Ints, values: Floats, gap_boot: Ints, first: Ints, stop: Ints
) -> Floats:
    """Mean of the values of the received frames next to each gap [first, stop), (n,) -> (g,).

    Frames (n,) are in order of boot and number. A gap that another cause cut off on one side has the
    value of the other; where neither side has one, nan::

        values   -60   .   .  -70        both: -65
        cause        radio | outage      radio: -60
    """
    out = np.full(len(first), np.nan)
    for each in np.unique(gap_boot).tolist():
        low, high = np.searchsorted(boot, [each, each + 1])
        mine = gap_boot == each
        own, value = seq[low:high], values[low:high]
        right = np.searchsorted(own, first[mine])
        sides = np.stack(
            [
                np.where(own[right - 1] == first[mine] - 1, value[right - 1], np.nan),
                np.where(own[right] == stop[mine], value[right], np.nan),
            ]
        )
        there = np.isfinite(sides)
        total = np.where(there, sides, 0.0).sum(axis=0)
        # Between both ends of a wider run lies a part that touches no received frame.
        apart = ~there.any(axis=0)
        total[apart] = (value[right - 1] + value[right])[apart] / 2
        out[mine] = total / np.maximum(there.sum(axis=0), 1)
    return out


def table_rows(measure: str, received: Floats, lost: Floats) -> Iterator[dict[str, Any]]:
    """A row for each bin in which a frame was received or lost; nothing where nothing was measured."""
    width = WIDTH[measure]
    got, gone = (np.floor(each[np.isfinite(each)] / width).astype(np.int64) for each in (received, lost))
    if not len(got):
        return
    low = min(int(got.min()), int(gone.min(initial=got[0])))
    counts = np.bincount(got - low), np.bincount(gone - low)
    size = max(len(each) for each in counts)
    came, went = (np.pad(each, (0, size - len(each))) for each in counts)
    for at in np.flatnonzero(came + went).tolist():
        expected, missing = int(came[at] + went[at]), int(went[at])
        ends = interval(missing, expected)
        yield {
            "measure": measure,
            "low": (low + at) * width,
            "high": (low + at + 1) * width,
            "expected": expected,
            "lost": missing,
            "share": missing / expected,
            "share_low": ends[0],
            "share_high": ends[1],
        }
