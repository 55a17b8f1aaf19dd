"""Search for candidates, the stretches of a recording that look like the context of a gap.

The search works on means of about 20 ms::

    |-------- SEARCH_S --------|-- NEAR_S --| gap |-- NEAR_S --|-------- SEARCH_S --------|
      if nothing near is alike           always            if nothing near is alike
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from nodeday.core.arrays import Bools, Ints, Singles
from nodeday.stages.repair.blend import CONTEXT_S, LONGEST_S, Context, misfit

NEAR_S, SEARCH_S = 60.0, 300.0
"""How far from its gap a candidate may be: the first value near, the second where all near ones are poor."""
POOR = 0.05
"""Residual above which the best near candidate is poor: the share of the context's mean square it leaves."""
COARSE_HZ = 50.0
"""Approximate rate of the means."""
CANDIDATES = 24
"""Most candidates of a gap."""
CHUNK = 2048
"""Stretches compared at a time; their samples stay in the processor's cache."""


def bin_width(rate_hz: float) -> int:
    """Return how many samples a mean holds.

    Two cuts of a recording whose first samples lie a multiple of it apart have the same means.
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
        """Return the means of ``level`` (n,), which is 0 where it is not ``known`` (n,)."""
        width = bin_width(rate_hz)
        end = len(level) // width * width
        count = known[:end].reshape(-1, width).sum(axis=1)
        total = level[:end].reshape(-1, width).sum(axis=1, dtype=np.float64)
        return Bins(
            (total / np.maximum(count, 1)).astype(np.float32),
            (count / width).astype(np.float32),
            width,
            rate_hz,
        )

    def candidates(self, starts: Ints, ends: Ints) -> Ints:
        """Return samples (g, CANDIDATES) that would be the first of each gap [start, end); -1 for none."""
        candidate, residual = self._within(NEAR_S, starts, ends)
        poor = np.flatnonzero(residual > POOR)
        if len(poor):
            candidate[poor] = self._within(SEARCH_S, starts[poor], ends[poor])[0]
        return candidate

    def _within(self, reach_s: float, starts: Ints, ends: Ints) -> tuple[Ints, Singles]:
        """Return the candidates no further than ``reach_s`` from each gap, and the least residual (g,)."""
        side = round(CONTEXT_S * self.rate_hz / self.width)
        size = 2 * side + int(np.ceil(LONGEST_S * self.rate_hz / self.width)) + 2
        first, reach = starts // self.width - side, round(reach_s * self.rate_hz / self.width)
        # One more on either side, so that the last bin compared has a neighbour wherever the block ends.
        low = max(0, int(first.min()) - reach - 1)
        high = min(len(self.mean), int(first.max()) + reach + 1 + size)
        if high - low < size:
            return _none(starts), np.full(len(starts), np.inf, np.float32)
        residual = self._residuals(self._context(first, size, starts, ends), low, high)
        for row, at in zip(residual, (first - low).tolist(), strict=True):
            row[: max(at - reach, 0)] = row[max(at + reach + 1, 0) :] = np.inf
        return self._best(residual, low + side, starts), residual.min(axis=1)

    def _context(self, first: Ints, size: int, starts: Ints, ends: Ints) -> Context:
        """Return the contexts of gaps in bins: ``size`` of them from ``first`` (g,) on."""
        column = first[:, None] + np.arange(size)
        inside = (column >= 0) & (column < len(self.mean))
        column = np.clip(column, 0, len(self.mean) - 1)
        middle = column * self.width + self.width // 2 - starts[:, None]
        share = np.where(inside, self.share[column], 0.0)
        return Context.of(self.mean[column], share, middle, (ends - starts)[:, None], self.rate_hz)

    def _residuals(self, context: Context, low: int, high: int) -> Singles:
        """Return the residuals (g, stretches) of each context; infinite for one with unknown samples."""
        size = context.weight.shape[1]
        rows, windows = np.concatenate(context.rows), sliding_window_view(self.mean[low:high], size)
        residual = np.empty((len(context.weight), len(windows)), np.float32)
        for at in range(0, len(windows), CHUNK):
            stretch = np.array(windows[at : at + CHUNK].T, order="C")
            level, slope, cross = np.split(rows @ stretch, 3)
            stretch *= stretch
            square = context.weight @ stretch
            residual[:, at : at + CHUNK] = misfit(context.total, square, level, slope, cross)[0]
        gone = np.concatenate([[0], np.cumsum(self.share[low:high] < 1)])
        residual[:, gone[size:] > gone[:-size]] = np.inf
        return residual

    def _best(self, residual: Singles, first: int, starts: Ints) -> Ints:
        """Return the candidates (g, CANDIDATES) at the deepest local minima of ``residual``."""
        inner = residual[:, 1:-1]
        dip = np.where((inner <= residual[:, :-2]) & (inner < residual[:, 2:]), inner, np.float32(np.inf))
        count = min(CANDIDATES, dip.shape[1])
        best = np.argpartition(dip, count - 1, axis=1)[:, :count] if count else np.zeros((len(dip), 0), int)
        usable = np.isfinite(np.take_along_axis(dip, best, axis=1))
        at = (first + 1 + best) * self.width + (starts % self.width)[:, None]
        out = _none(starts)
        out[:, :count] = np.where(usable, at, -1)
        return out


def _none(starts: Ints) -> Ints:
    return np.full((len(starts), CANDIDATES), -1, np.int64)
