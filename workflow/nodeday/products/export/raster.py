"""Samples on an even raster of UTC, for formats that know a start and a rate and nothing else.

A node's crystal is not quite at its nominal rate, so its samples wander over the raster. Each sample goes to
the nearest position; between 0.4 and 0.6 periods from one it follows the sample before it, so that the jitter
of stamps does not make it go back and forth. Counts stay as sent, and times move by 0.6 periods at most.
Where a crystal is fast a sample is left out now and then, where it is slow one is taken twice; both are
counted, and only lost samples leave a hole::

    raster    |     |     |     |     |     |
    samples    a     b      (lost)     c    d e        c, and of d and e the nearer one
    result    a     b     -     -     c     e
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from nodeday.core.arrays import Bools, Floats, Ints

SECOND = 1_000_000_000
EDGE = 0.1
"""Periods on both sides of a half in which a sample follows the one before. A choice of this project."""
REACH = 0.5 + EDGE
"""Periods that a sample may lie from its position."""


@dataclass(frozen=True)
class RasterSamples:
    """Index of the sample at each position (n,) of the raster, -1 where it has none."""

    sample: Ints

    @property
    def filled(self) -> Bools:
        """Positions (n,) with a sample."""
        return np.asarray(self.sample >= 0, np.bool_)

    @property
    def twice(self) -> int:
        """Count of positions that repeat the sample of the position before."""
        return int((np.diff(self.sample[self.filled]) == 0).sum())

    def left_out(self, count: int) -> int:
        """Return how many of ``count`` samples have no position."""
        return count - len(np.unique(self.sample[self.filled]))


def on_raster(utc_ns: Ints, start_ns: int, count: int, rate_hz: float) -> RasterSamples:
    """Put samples (m,) at ``utc_ns``, in order, on ``count`` instants from ``start_ns`` at ``rate_hz``."""
    taken = np.full(count, -1, np.int64)
    if not len(utc_ns):
        return RasterSamples(taken)
    at = (utc_ns - start_ns) * (rate_hz / SECOND)
    steps = np.rint(np.diff(at)).astype(np.int64)
    index = np.concatenate([[0], np.cumsum(steps)]) + int(np.rint(at[0]))
    to = index + _periods(at - index)
    nearest_last = np.argsort(-np.abs(at - to), kind="stable")
    inside = nearest_last[(to[nearest_last] >= 0) & (to[nearest_last] < count)]
    taken[to[inside]] = inside
    slipped = np.flatnonzero((steps == 1) & (np.diff(to) == 2))
    between = to[slipped] + 1
    real = (between >= 0) & (between < count)
    taken[between[real]] = slipped[real]
    return RasterSamples(taken)


def _periods(off: Floats) -> Ints:
    """Distances (m,) in whole periods; one near a half keeps the value before it."""
    rounded = np.rint(off).astype(np.int64)
    certain = np.rint(off - EDGE) == np.rint(off + EDGE)
    last = np.maximum.accumulate(np.where(certain, np.arange(len(off)), -1))
    return np.where(last >= 0, rounded[np.maximum(last, 0)], rounded)
