"""The law of delays: how often a stamp lies how far above the truth, and where that law ends below.

A stamp is the truth plus a delay that is never negative, plus what rounding adds or cuts off, which
is as good as uniform while the truth sweeps over the unit. The delay's own law is not known, but
that shorter delays are commoner than longer ones: any such law is a mixture of uniform ones that
begin at 0, and their weights come from the stamps (the EM algorithm of Dempster, Laird and Rubin
1977, from memory)::

    often |  #
          |  ###             delay: nothing under 0,
          |  #######___      never rising above it
          +--|--------------
             0      ms above the truth (rounding blurs the edge at 0 into a ramp)

Without that, a law that is empty just above 0 would fit as well, a little lower down.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product
from math import factorial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nodeday.core.arrays import Bools, Floats, Ints

STEPS = np.array([0.15, 0.3, 0.5, 0.75, 1, 1.5, 2, 3, 5, 10, 50])
"""Tops of the uniform parts in median delays: fine where they begin. Choice of this project."""
EXPECTED = 30.0
"""As many stamps seem to have been seen before, with exponential delays. Of narrow parts the likeliest
mixture has too many (the spiking at 0 of Woodroofe and Sun 1993, from memory), which lifts the edge of few
stamps. Choice of this project."""
FAR = 1.0
"""Residuals count up to so many median delays past the rounding: bursts come and go, and would change
the law from minute to minute. Choice of this project: on simulated days 0.5 erred more, 2 alike."""
FALSE = 1e-9
"""Share of stamps that may lie anywhere at all: keeps logarithms finite."""
NEVER = 1e-30
"""Chance of a stamp under the edge within a block; false stamps are left out before."""
COARSE, RAMPS, WIDE = 4.0, 8, 0.5
"""Ticks are coarse where they are 4 times as long as the unit of rounding. Then delays may rise in 8 ways
before they fall, and uniform parts are half a median delay wide at least. Choices of this project."""
ROUNDS, PROFILE_ROUNDS, OFFSETS = 40, 200, 17
"""Rounds of the EM algorithm, more of them for a profile, and offsets of the lower end tried on each grid."""
LESS_LIKELY = 4.0
"""The profile of the lower end is followed to where it is less likely by a factor of 50."""
GRID, NORMAL = 161, np.linspace(-5, 5, 91)
"""Offsets at which the likelihood of a block is known, and at which it is weighed, in standard deviations."""


@dataclass(frozen=True)
class Blur:
    """What rounding does: independent uniform parts of ``widths`` (ms), the least sum being ``low``.

    Where a count of ``ticks_ms`` each stood still before a frame was made, by up to a tick, nobody knows
    how often: there is a uniform part of that width, or none.
    """

    widths: tuple[float, ...]
    low: float
    ticks_ms: float = 0.0

    @property
    def coarse_ticks(self) -> bool:
        """Whether ticks are long against the rounding."""
        return self.ticks_ms > COARSE * self.widths[0]


@dataclass(frozen=True)
class Cells:
    """Cells in which residuals are counted: narrow where delays may begin, wide where they are rare.

    ``scale`` (ms) is about the median delay.
    """

    edges: Floats
    scale: float

    def __len__(self) -> int:
        return len(self.edges) - 1

    def of(self, above: Floats) -> tuple[Ints, Bools]:
        """Cell of each residual (n,), and whether it lies in one: far above, a delay tells nothing."""
        at = np.searchsorted(self.edges, above, side="right") - 1
        return at, (at >= 0) & (at < len(self))


def cells_for(above: Floats, blur: Blur, reach: float) -> Cells:
    """Cells for residuals ``above`` (n,) a curve that is off by no more than ``reach`` (ms).

    The median of an exponential delay is three times its lower fifth; up to half of all frames may wait
    for others by design, and their delays say nothing of the law.
    """
    unit = sum(blur.widths)
    fifth = float(np.partition(above, len(above) // 5)[len(above) // 5])
    scale = max(3 * (fifth - blur.low - unit / 2), 0.5 * unit)
    low, near = blur.low - 2 * reach, blur.low + 2 * reach
    far = max(blur.low + unit + FAR * scale, near + 0.1 * unit)
    return Cells(np.concatenate([np.linspace(low, near, 160, False), np.linspace(near, far, 60)]), scale)


@dataclass(frozen=True)
class DelayDistribution:
    """Distribution of delays: ``weights`` (k,) of its ``shapes``.

    Its lower end lies ``shift`` (ms) above the curve that residuals were taken from. That is known to a
    standard ``deviation`` less well than with known weights: the likelihood's profile, with weights found
    anew at each offset, is wider than with those of the best one, which readings of blocks stand for. Where
    delays are shorter than the narrowest shape, it holds that as well.
    """

    shapes: Shapes
    weights: Floats
    shift: float
    deviation: float

    @classmethod
    def learnt(
        cls, counts: NDArray[Any], cells: Cells, blur: Blur, smear: float, reach: float
    ) -> DelayDistribution:
        """Learn the distribution from residuals counted in cells (c,) around a curve.

        The curve is off by ``reach`` at most in the mean, and by ``smear`` here and there.

        Raises ValueError where no law fits.
        """
        total, around, weights = counts.astype(np.float64), 0.0, None
        steps = STEPS[STEPS >= WIDE] if blur.coarse_ticks else STEPS
        shapes = Shapes(cells, steps * cells.scale, blur)
        before = 0.0 if blur.coarse_ticks else EXPECTED * exponential(steps)
        for half in (reach, reach / 8, reach / 64):
            offsets = around + np.linspace(-half, half, OFFSETS)
            found, log_likelihood = weigh(total, shapes.seen(offsets, smear), weights, before=before)
            best = int(np.argmax(log_likelihood))
            around, weights = float(offsets[best]), found[best]
        if weights is None or not weights.any():
            raise ValueError("no edge: no delays fit these stamps")
        end, half, log_likelihood = around, reach / 64, np.zeros(1)
        while (
            half <= reach and max(log_likelihood[0], log_likelihood[-1]) >= log_likelihood.max() - LESS_LIKELY
        ):
            offsets, half = end + np.linspace(-half, half, OFFSETS), 2 * half
            seen = shapes.seen(offsets, smear)
            _, log_likelihood = weigh(total, seen, weights, PROFILE_ROUNDS, before)
        known = total @ np.log(_mixed(seen, np.broadcast_to(weights, (OFFSETS, len(weights))))).T
        mean, variance = _moments(log_likelihood[None], offsets)
        more = max(variance[0] - _moments(known[None], offsets)[1][0], 0.0)
        inside = np.maximum(shapes.at(np.array([end]), smear).sum(axis=1)[0], NEVER)
        # Delays shorter than the narrowest part cannot be told from it: at worst there are none at all.
        short = float(weights[0] / weights.sum() * shapes.tops[0] / 2)
        return cls(shapes, weights / inside, float(mean[0]), float(np.hypot(np.sqrt(more), short)))

    def readings(self, counts: NDArray[Any], reach: float) -> Readings:
        """Read where the edge lies from the curve by residuals counted in cells (b, c), block by block."""
        offsets = np.linspace(-reach, reach, GRID)
        chance = self.shapes.at(self.shift + offsets) @ self.weights
        chance /= np.maximum(chance.sum(axis=1, keepdims=True), NEVER)
        log_likelihood = counts @ np.log(chance + NEVER).T
        return Readings(self.shift + offsets, log_likelihood, counts.sum(axis=1) > 0)


@dataclass(frozen=True)
class Shapes:
    """Parts of a distribution, seen in ``cells``: delays that are uniform from 0 to each of ``tops`` (ms)."""

    cells: Cells
    tops: Floats
    blur: Blur

    def at(self, offsets: Floats, smear: float = 0.0) -> Floats:
        """Return the share of each part in each cell, seen from each offset (o,) of the curve: (o, c, k)."""
        blur, edges = self.blur, self.cells.edges
        above = (edges[:-1] + edges[1:]) / 2 - offsets[:, None]
        parts = [bells(above, self.tops, blur, smear)]
        if blur.coarse_ticks:
            ramps = np.geomspace(blur.widths[0] / 4, blur.ticks_ms / 4, RAMPS)
            parts.append(bells(above, ramps, Blur((*blur.widths, blur.ticks_ms), blur.low), smear))
        return np.concatenate(parts, axis=-1) * np.diff(edges)[:, None]

    def seen(self, offsets: Floats, smear: float) -> Floats:
        """Return shares of those stamps that lie in any cell, (o, c, k)."""
        shares = self.at(offsets, smear)
        return np.asarray(shares / np.maximum(shares.sum(axis=1, keepdims=True), NEVER))


@dataclass(frozen=True)
class Readings:
    """Likelihoods of ``offsets`` (o,) of the edge from a curve, for blocks (b,) of points.

    ``log_likelihood`` (b, o) holds their logarithms. A block without points is not ``seen`` (b,).
    """

    offsets: Floats
    log_likelihood: Floats
    seen: Bools

    def sites(self, mean: Floats, precision: Floats) -> tuple[Floats, Floats]:
        """Return what each block adds to the other blocks: precision, and precision times offset, (b,) each.

        The other blocks give its offset a normal distribution with ``mean`` (b,) and ``precision`` (b,). The
        product of this and the block's likelihood is far from normal, since the likelihood has one hard side.
        Its mean and variance are kept, as in expectation propagation (Minka 2001, from memory).
        """
        deviation = 1 / np.sqrt(precision)
        step = self.offsets[1] - self.offsets[0]
        at = (mean[:, None] + deviation[:, None] * NORMAL - self.offsets[0]) / step
        at = np.clip(at, 0, len(self.offsets) - 1.000001)
        left = at.astype(np.int64)
        log_likelihood = np.take_along_axis(self.log_likelihood, left, axis=1)
        log_likelihood += (at - left) * (
            np.take_along_axis(self.log_likelihood, left + 1, axis=1) - log_likelihood
        )
        shift, spread = _moments(log_likelihood - NORMAL**2 / 2, NORMAL)
        _, alone = _moments(-(NORMAL[None] ** 2) / 2, NORMAL)
        sharper = np.maximum(1 / spread - 1 / alone, 0.0) * precision
        both = (mean + deviation * shift) * (precision + sharper) - mean * precision  # so that means are kept
        return np.where(self.seen, sharper, 0.0), np.where(self.seen, both, 0.0)


def _moments(log_likelihood: Floats, offsets: Floats) -> tuple[Floats, Floats]:
    """Mean and variance (b,) of offsets (o,) of log-likelihoods (b, o)."""
    chance = np.exp(log_likelihood - log_likelihood.max(axis=1, keepdims=True))
    chance /= chance.sum(axis=1, keepdims=True)
    mean = chance @ offsets
    least = (offsets[1] - offsets[0]) ** 2 / 12
    return mean, np.maximum(chance @ offsets**2 - mean**2, 0.0) + least


def exponential(steps: Floats) -> Floats:
    """Return weights (k,) of uniform parts that make exponential delays, by their tops in median delays.

    Tops t, in mean delays, have the density t exp(-t) (by hand: their mixture's slope is that of exp(-t)).
    """
    tops = steps * np.log(2)
    weights = tops**2 * np.exp(-tops) * np.gradient(np.log(tops))
    return np.asarray(weights / weights.sum())


def bells(v: Floats, tops: Floats, blur: Blur, smear: float = 0.0) -> Floats:
    """Density at ``v`` (any shape) of delays uniform from 0 to each of ``tops`` (k,), plus ``blur``.

    Shape (*v.shape, k). A sum of p independent uniform parts has the density of differences of
    truncated powers of degree p - 1 (closed form, worked by hand). ``smear`` (ms) is the standard
    deviation of a normal part on top, by Gauss-Hermite quadrature.
    """
    if smear > 0:
        nodes, weights = np.polynomial.hermite_e.hermegauss(5)
        parts = [w * bells(v - smear * z, tops, blur) for z, w in zip(nodes, weights, strict=True)]
        return np.asarray(np.sum(parts, axis=0) / weights.sum())
    corners = product(*((0.0, width) for width in blur.widths))
    shifts = [(sum(each), (-1) ** np.count_nonzero(each)) for each in corners]
    degree = len(blur.widths)
    base = np.asarray(v, np.float64)[..., None] - blur.low - np.concatenate([[0.0], tops])
    powers, part = np.zeros_like(base), np.empty_like(base)
    for shift, sign in shifts:
        np.maximum(np.subtract(base, shift, out=part), 0, out=part)
        if degree > 1:
            part **= degree
        (np.add if sign > 0 else np.subtract)(powers, part, out=powers)
    scale = factorial(degree) * np.prod(blur.widths) * tops
    found = powers[..., :1] - powers[..., 1:]
    found /= scale
    return np.asarray(np.maximum(found, 0, out=found))


def weigh(
    counts: Floats,
    shapes: Floats,
    start: Floats | None = None,
    rounds: int = ROUNDS,
    before: Floats | float = 0.0,
) -> tuple[Floats, Floats]:
    """Weights (..., k) that make ``counts`` (n,) likeliest, and the logarithm of that likelihood (...).

    ``shapes`` (..., n, k) are the share of each part of the distribution in each cell, and ``before`` (k,)
    counts of each part that seem to have been seen before.
    """
    total = counts.sum() + np.sum(before)
    first = np.full(shapes.shape[-1], 1.0 / shapes.shape[-1]) if start is None else start
    weights = np.broadcast_to(first, (*shapes.shape[:-2], shapes.shape[-1]))
    for _ in range(rounds):
        ratio = counts / _mixed(shapes, weights)
        weights = (weights * np.matmul(ratio[..., None, :], shapes)[..., 0, :] + before) / total
        weights = weights / np.maximum(weights.sum(axis=-1, keepdims=True), NEVER)
    log_likelihood = np.sum(counts * np.log(_mixed(shapes, weights)), axis=-1)
    return weights, log_likelihood + np.sum(before * np.log(weights + NEVER), axis=-1)


def _mixed(shapes: Floats, weights: Floats) -> Floats:
    mixed = np.matmul(shapes, weights[..., None])[..., 0]
    return np.asarray(mixed * (1 - FALSE) + FALSE / shapes.shape[-2], np.float64)
