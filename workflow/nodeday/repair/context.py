"""How alike the signal on both sides of a gap and another stretch of the recording are.

::

    weight    .-' |  gap  | '-._        a level, a slope and an amplitude within limits are fitted,
    ...__/\\__.....|_______|._/~\\_...    what is left is a weighted mean square

The limits and the tapers are choices of this project, made on five MIT-BIH records (benchmarks/repair.py).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from nodeday.arrays import Ints, Singles

LONGEST_S = 0.25
"""No longer gap is filled from its context."""
CONTEXT_S = 0.35
"""Looked at on each side of a gap."""
TAPER_S, LONGER = (0.04, 0.07), 0.08
"""So far before and behind the gap a sample's weight has fallen to 1/e: ST and T behind a QRS tell its time
better than the P wave before it. Before it the distance grows by such a share of the gap: beside a short one
the flank of the QRS tells, beside a long one the P wave."""
AMPLITUDE = (0.9, 1.1)


@dataclass(frozen=True)
class Context:
    """What surrounds gaps, (g, s), with level and slope taken out; ``total`` (g, 1) is its mean square.

    ``weight`` sums to 1 a row and is 0 inside the gap and where nothing is known; under it ``ramp`` has
    mean 0 and mean square 1.
    """

    weight: Singles
    ramp: Singles
    value: Singles
    total: Singles

    @staticmethod
    def of(
        value: Singles, known: NDArray[np.generic], offset: Ints, length: Ints | int, rate_hz: float
    ) -> Context:
        """``value`` and the share ``known`` of it (g, s) at samples ``offset`` from the start of a gap."""
        distance = np.maximum(np.maximum(-offset, offset - length + 1), 0)
        near = (distance > 0) & (distance <= CONTEXT_S * rate_hz)
        before, behind = TAPER_S
        taper = np.where(offset < 0, before * rate_hz + LONGER * length, behind * rate_hz)
        weight = np.where(near, np.exp(-distance / taper), 0.0) * known
        weight /= np.maximum(weight.sum(axis=1, keepdims=True), 1e-12)
        ramp = offset - (weight * offset).sum(axis=1, keepdims=True)
        ramp /= np.sqrt(np.maximum((weight * ramp * ramp).sum(axis=1, keepdims=True), 1e-12))
        rest = value - (weight * value).sum(axis=1, keepdims=True)
        rest -= (weight * ramp * rest).sum(axis=1, keepdims=True) * ramp
        total = (weight * rest * rest).sum(axis=1, keepdims=True)
        return Context(*(each.astype(np.float32) for each in (weight, ramp, rest, total)))

    @property
    def rows(self) -> tuple[Singles, Singles, Singles]:
        """What to multiply a stretch by for its level, its slope and its covariance with the context."""
        return self.weight, self.weight * self.ramp, self.weight * self.value


def misfit(
    total: Singles, square: Singles, level: Singles, slope: Singles, cross: Singles
) -> tuple[Singles, Singles, Singles]:
    """Of a context's ``total`` the share that a stretch leaves at its best amplitude within limits, that
    amplitude, and the correlation.

    ``square`` is the stretch's weighted mean square; ``level``, ``slope`` and ``cross`` are its products
    with :attr:`Context.rows`.
    """
    least, low, high = (np.float32(value) for value in (1e-9, *AMPLITUDE))
    own = np.maximum(square - level * level - slope * slope, least)
    total = np.maximum(total, least)
    amplitude = np.clip(cross / own, low, high)
    left = np.maximum(1 - amplitude * (2 * cross - amplitude * own) / total, np.float32(0))
    return left, amplitude, cross / np.sqrt(own * total)
