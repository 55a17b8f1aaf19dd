"""Rounding of stamps: which way, to which unit, and where nobody can tell how much was cut off."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from nodeday.core.arrays import Bools, Floats, Ints
from nodeday.layouts.parts import Rounding
from nodeday.stages.clock.delay_distribution import Blur

LEAST_OFF: dict[Rounding, float] = {"down": -1.0, "up": 0.0, "nearest": -0.5}
"""The least that rounding adds to a value, in units; the most is a unit above that."""
FINE_MS, FINE_SHARE = 0.1, 0.1
"""Stamps in units shorter than 0.1 ms, or than half of the reach of the lowest tenth of delays, are rounded
to that first, so that one way serves all. Choices of this project."""
ARCS = 16
"""Parts of a unit that the truth is seen to cross or not."""
SWEPT = 0.5
"""An arc of a unit longer than this which the truth never crossed leaves the rounding unknown."""
AROUND_S = 3600.0
"""Crossings are looked for within an hour around each knot. Choice of this project."""


@dataclass(frozen=True)
class Unit:
    """The unit (ms) to which stamps are rounded, and which way.

    ``also`` (ms) is the unit of a second rounding, which lifts them: that of the clock they are compared
    with, rounded down. ``mirrored`` values have their sign turned, so that an upper edge becomes a lower one.
    """

    ms: float
    rounding: Rounding = "down"
    also: float = 0.0
    ticks_ms: float = 0.0
    mirrored: bool = False

    @property
    def blur(self) -> Blur:
        """What rounding adds to the truth."""
        least = LEAST_OFF[self.rounding]
        parts = [(self.ms, (-1.0 - least if self.mirrored else least) * self.ms)]
        parts.append((self.also, -self.also if self.mirrored else 0.0))
        seen = [part for part in parts if part[0] >= FINE_MS]
        return Blur(tuple(width for width, _ in seen), sum(low for _, low in seen), self.ticks_ms)

    @property
    def middle_ms(self) -> float:
        """What rounding to the first unit adds in the mean."""
        middle = (LEAST_OFF[self.rounding] + 0.5) * self.ms
        return -middle if self.mirrored else middle

    def with_blur(self, y: Floats, spread_ms: float) -> tuple[Floats, Blur]:
        """Return values ``y`` (n,) and their blur; their lowest tenth reaches over ``spread_ms``.

        Values in a unit that is far shorter than that are rounded down to a longer one.
        """
        blur, fine = self.blur, max(FINE_MS, FINE_SHARE * spread_ms)
        if self.ms >= fine:
            return y, blur
        return np.floor(y / fine) * fine, Blur((fine, *blur.widths), blur.low - fine, self.ticks_ms)


def unswept(
    phase_ms: Floats, spare_ms: Floats, knot: Ints, knots: Floats, unit_ms: float
) -> tuple[Floats, Floats]:
    """Return how far to lift an edge at its knots, and half widths of what is possible there, (k,) each.

    Where a clock keeps step with the unit, stamps hold no news of the part that rounding took: the edge
    belongs in the middle of what is possible. ``phase_ms`` (n,) are the truth's distances from whole units,
    all off by one constant, ``spare_ms`` (n,) those of stamps above the edge, ``knot`` (n,) the nearest
    knot, and ``knots`` (k,) are in s. Looks at an hour around each knot: the longest arc of a unit in
    which the truth never fell.
    """
    width = max(1, round(AROUND_S / 2 / (knots[1] - knots[0])))
    cell = np.floor(np.mod(phase_ms / unit_ms, 1.0) * ARCS).astype(np.int64) % ARCS
    seen = np.bincount(knot * ARCS + cell, minlength=len(knots) * ARCS).reshape(len(knots), ARCS)
    total = np.cumsum(np.pad(seen, ((width + 1, width), (0, 0))), axis=0)
    around = (total[2 * width + 1 :] - total[: -2 * width - 1]) > 0
    share = np.minimum(_longest_gap(around), ARCS - 1) / ARCS
    unknown = (share > SWEPT) & around.any(axis=1)
    # Of the arcs at both ends, which were crossed, a part may not have been.
    half = np.where(unknown, np.minimum(share + 2 / ARCS, 1.0) * unit_ms / 2, 0.0)
    # The lowest point around says how far the edge may rise: to where nothing more was taken.
    spare = np.full(len(knots), np.inf)
    np.minimum.at(spare, knot, spare_ms)
    padded = np.pad(spare, width, constant_values=np.inf)
    spare = np.lib.stride_tricks.sliding_window_view(padded, 2 * width + 1).min(axis=1)
    return np.where(unknown, spare - half, 0.0), half


def _longest_gap(seen: Bools) -> Ints:
    """Longest run of false in each row of a circle, (r, c) -> (r,)."""
    run, longest = np.zeros(len(seen), np.int64), np.zeros(len(seen), np.int64)
    for column in np.tile(np.arange(seen.shape[1]), 2):
        run = np.where(seen[:, column], 0, run + 1)
        longest = np.maximum(longest, run)
    return longest
