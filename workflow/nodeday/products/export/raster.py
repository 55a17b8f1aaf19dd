"""Samples on an even raster of UTC, as formats ask for that know a start and a rate and nothing else.

A node's crystal is not quite at its nominal rate, so its samples wander over the raster. Each sample goes to
the place nearest to it; between 0.4 and 0.6 periods from one it stays with the neighbour before it, so
that the jitter of stamps does not make it go back and forth. Counts stay what was sent, and times move by 0.6
periods at most. Where a crystal is fast a sample is left out now and then, where it is slow one is taken
twice; both are counted, and only what was lost is a hole::

    raster    |     |     |     |     |     |
    samples    a     b      (lost)     c    d e        c, and of d and e the nearer one
    places    a     b     -     -     c     e
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from nodeday.core.arrays import Ints

SECOND = 1_000_000_000
EDGE = 0.1
"""Periods on both sides of a half in which a sample stays with the one before. A choice of this project."""


@dataclass(frozen=True)
class RasterSamples:
    """For each place (n,) the sample that it takes, -1 where it takes none."""

    sample: Ints

    @property
    def filled(self) -> NDArray[np.bool_]:
        return np.asarray(self.sample >= 0, np.bool_)

    @property
    def twice(self) -> int:
        """Places that repeat the sample of the place before."""
        own = self.sample[self.filled]
        return int((np.diff(own) == 0).sum())

    def left_out(self, there: int) -> int:
        """Samples of ``there`` that no place takes."""
        return there - len(np.unique(self.sample[self.filled]))


def place(utc_ns: Ints, start_ns: int, places: int, rate_hz: float) -> RasterSamples:
    """Samples (m,) at ``utc_ns``, in order, on ``places`` instants from ``start_ns`` at ``rate_hz``."""
    taken = np.full(places, -1, np.int64)
    if not len(utc_ns):
        return RasterSamples(taken)
    at = (utc_ns - start_ns) * (rate_hz / SECOND)
    steps = np.rint(np.diff(at)).astype(np.int64)
    index = np.concatenate([[0], np.cumsum(steps)]) + int(np.rint(at[0]))
    to = index + _held(at - index)
    nearest_last = np.argsort(-np.abs(at - to), kind="stable")
    inside = nearest_last[(to[nearest_last] >= 0) & (to[nearest_last] < places)]
    taken[to[inside]] = inside
    slipped = np.flatnonzero((steps == 1) & (np.diff(to) == 2))
    between = to[slipped] + 1
    real = (between >= 0) & (between < places)
    taken[between[real]] = slipped[real]
    return RasterSamples(taken)


def _held(off: NDArray[np.float64]) -> Ints:
    """``off`` (m,), in periods, as whole ones; what is near a half keeps the value before it."""
    whole = np.rint(off).astype(np.int64)
    certain = np.rint(off - EDGE) == np.rint(off + EDGE)
    last = np.maximum.accumulate(np.where(certain, np.arange(len(off)), -1))
    return np.where(last >= 0, whole[np.maximum(last, 0)], whole)
