"""Where in the recording the signal looks like that around a gap: a search on means of about 20 ms.

::

    |-------- SEARCH_S --------|-- NEAR_S --| gap |-- NEAR_S --|-------- SEARCH_S --------|
      where nothing near is alike          always            where nothing near is alike
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from nodeday.core.arrays import Bools, Ints, Singles
from nodeday.stages.repair.blend import CONTEXT_S, LONGEST_S, Context, misfit

NEAR_S, SEARCH_S = 60.0, 300.0
"""How far away a stretch may lie that a gap is filled from: one near, and one far where of all near ones the
best leaves more than the share ``POOR`` of the context's mean square."""
POOR = 0.05
COARSE_HZ = 50.0
PLACES = 24
CHUNK = 2048
"""So many stretches are looked at in one go; their samples stay in the processor's cache."""


def bin_width(rate_hz: float) -> int:
    """Samples in a mean. Two cuts of a recording whose first samples lie a multiple of it apart have the
    same means.
    """
    return max(1, round(rate_hz / COARSE_HZ))


@dataclass(frozen=True)
class Bins:
    """The signal as means over ``width`` samples: ``mean`` and the ``share`` of known samples, (b,)."""

    mean: Singles
    share: Singles
    width: int
    rate_hz: float

    @staticmethod
    def of(level: Singles, known: Bools, rate_hz: float) -> Bins:
        width = bin_width(rate_hz)
        whole = len(level) // width * width
        count = known[:whole].reshape(-1, width).sum(axis=1)
        total = level[:whole].reshape(-1, width).sum(axis=1, dtype=np.float64)
        return Bins(
            (total / np.maximum(count, 1)).astype(np.float32),
            (count / width).astype(np.float32),
            width,
            rate_hz,
        )

    def places(self, starts: Ints, ends: Ints) -> Ints:
        """First samples (g, PLACES) of the stretches that would stand in for each gap; -1 for none."""
        place, left = self._within(NEAR_S, starts, ends)
        poor = np.flatnonzero(left > POOR)
        if len(poor):
            place[poor] = self._within(SEARCH_S, starts[poor], ends[poor])[0]
        return place

    def _within(self, reach_s: float, starts: Ints, ends: Ints) -> tuple[Ints, Singles]:
        """The places no further than ``reach_s`` from each gap, and what the best of them leaves (g,)."""
        side = round(CONTEXT_S * self.rate_hz / self.width)
        size = 2 * side + int(np.ceil(LONGEST_S * self.rate_hz / self.width)) + 2
        first, reach = starts // self.width - side, round(reach_s * self.rate_hz / self.width)
        # One more on either side, so that the last place looked at has a neighbour wherever the block ends.
        low = max(0, int(first.min()) - reach - 1)
        high = min(len(self.mean), int(first.max()) + reach + 1 + size)
        if high - low < size:
            return np.full((len(starts), PLACES), -1, np.int64), np.full(len(starts), np.inf, np.float32)
        left = self._left(self._context(first, size, starts, ends), low, high)
        for row, at in zip(left, (first - low).tolist(), strict=True):
            row[: max(at - reach, 0)] = row[max(at + reach + 1, 0) :] = np.inf
        return self._best(left, low + side, starts), left.min(axis=1)

    def _context(self, first: Ints, size: int, starts: Ints, ends: Ints) -> Context:
        column = first[:, None] + np.arange(size)
        there = (column >= 0) & (column < len(self.mean))
        column = np.clip(column, 0, len(self.mean) - 1)
        middle = column * self.width + self.width // 2 - starts[:, None]
        share = np.where(there, self.share[column], 0.0)
        return Context.of(self.mean[column], share, middle, (ends - starts)[:, None], self.rate_hz)

    def _left(self, context: Context, low: int, high: int) -> Singles:
        """What each stretch leaves of each context, (g, stretches); infinite where one is not whole."""
        size = context.weight.shape[1]
        rows, windows = np.concatenate(context.rows), sliding_window_view(self.mean[low:high], size)
        left = np.empty((len(context.weight), len(windows)), np.float32)
        for at in range(0, len(windows), CHUNK):
            stretch = np.array(windows[at : at + CHUNK].T, order="C")
            level, slope, cross = np.split(rows @ stretch, 3)
            stretch *= stretch
            left[:, at : at + CHUNK] = misfit(context.total, context.weight @ stretch, level, slope, cross)[0]
        gone = np.concatenate([[0], np.cumsum(self.share[low:high] < 1)])
        left[:, gone[size:] > gone[:-size]] = np.inf
        return left

    def _best(self, left: Singles, first: int, starts: Ints) -> Ints:
        inner = left[:, 1:-1]
        dip = np.where((inner <= left[:, :-2]) & (inner < left[:, 2:]), inner, np.float32(np.inf))
        count = min(PLACES, dip.shape[1])
        best = np.argpartition(dip, count - 1, axis=1)[:, :count] if count else np.zeros((len(dip), 0), int)
        found = np.isfinite(np.take_along_axis(dip, best, axis=1))
        at = (first + 1 + best) * self.width + (starts % self.width)[:, None]
        out = np.full((len(starts), PLACES), -1, np.int64)
        out[:, :count] = np.where(found, at, -1)
        return out
