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
"""Tops of the law's uniform parts in median delays: fine where it begins. Choice of this project."""
FAR = 1.0
"""Residuals count up to so many median delays past the rounding: bursts come and go, and would change
the law from minute to minute. Choice of this project: on simulated days 0.5 erred more, 2 alike."""
FALSE = 1e-9
"""Share of stamps that may lie anywhere at all: keeps logarithms finite."""
NEVER = 1e-30
"""Chance of a stamp under the edge within a block; false stamps are left out before."""
ROUNDS, OFFSETS = 40, 17
"""Rounds of the EM algorithm, and places tried for the law's lower end on each of three grids."""


@dataclass(frozen=True)
class Blur:
    """What rounding does: independent uniform parts of ``widths`` (ms), the least sum being ``low``."""

    widths: tuple[float, ...]
    low: float


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
    """Distribution of delays: ``weights`` (k,) of delays that are uniform from 0 to ``tops`` (k,) in ms.

    Its lower end lies ``shift`` (ms, known to a standard ``deviation``) above the curve that residuals were
    taken from.
    """

    tops: Floats
    weights: Floats
    blur: Blur
    cells: Cells
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
        tops, around, weights = STEPS * cells.scale, 0.0, None
        for half in (reach, reach / 8, reach / 64):
            offsets = around + np.linspace(-half, half, OFFSETS)
            shapes = _shapes(cells, tops, blur, offsets, smear)
            inside = np.maximum(shapes.sum(axis=1, keepdims=True), NEVER)
            shapes = shapes / inside
            start = None if weights is None else np.repeat(weights[None], OFFSETS, axis=0)
            found, told = weigh(counts.astype(np.float64), shapes, start)
            best = int(np.argmax(told))
            around, weights = float(offsets[best]), found[best]
        if weights is None or not weights.any():
            raise ValueError("no edge: no delays fit these stamps")
        weights = weights / inside[best, 0]
        chance = np.exp(told - told.max())
        chance /= chance.sum()
        mean = float(chance @ offsets)
        return cls(tops, weights, blur, cells, mean, float(np.sqrt(chance @ (offsets - mean) ** 2)))

    def readings(self, counts: NDArray[Any], reach: float) -> tuple[Floats, Floats]:
        """Mean distance of the edge from the curve (ms), and 1 / variance, for each block (b,).

        Blocks are residuals counted in cells (b, c). The distance is the mean of the likelihood over all
        offsets within ``reach`` of the shift (Pitman 1939, from memory: no estimate of a location errs less
        at a known law). What that range says by itself is taken out again, so that a block without points
        says nothing.
        """
        offsets = np.linspace(-reach, reach, 81)
        shapes = _shapes(self.cells, self.tops, self.blur, self.shift + offsets, 0.0)
        chance = shapes @ self.weights
        chance /= np.maximum(chance.sum(axis=1, keepdims=True), NEVER)
        told = counts @ np.log(chance + NEVER).T
        chance = np.exp(told - told.max(axis=1, keepdims=True))
        chance /= chance.sum(axis=1, keepdims=True)
        mean = chance @ offsets
        variance = np.maximum(chance @ offsets**2 - mean**2, (offsets[1] - offsets[0]) ** 2 / 4)
        precision = np.maximum(1 / variance - 1 / float(np.mean(offsets**2)), 0.0)
        told_of = precision > 0
        return self.shift + np.where(told_of, mean / variance / np.where(told_of, precision, 1), 0), precision


def _shapes(cells: Cells, tops: Floats, blur: Blur, offsets: Floats, smear: float) -> Floats:
    """Share of each part of the law in each cell, seen from each offset: (o, c, k)."""
    middle = (cells.edges[:-1] + cells.edges[1:]) / 2
    return bells(middle - offsets[:, None], tops, blur, smear) * np.diff(cells.edges)[:, None]


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
    counts: Floats, shapes: Floats, start: Floats | None = None, rounds: int = ROUNDS
) -> tuple[Floats, Floats]:
    """Weights (..., k) that make ``counts`` (n,) likeliest, and the logarithm of that likelihood (...).

    ``shapes`` (..., n, k) are the share of each part of the distribution in each cell.
    """
    total = counts.sum()
    weights = (
        np.full((*shapes.shape[:-2], shapes.shape[-1]), 1.0 / shapes.shape[-1]) if start is None else start
    )
    for _ in range(rounds):
        told = counts / _mixed(shapes, weights)
        weights = weights * np.matmul(told[..., None, :], shapes)[..., 0, :] / total
        weights = weights / np.maximum(weights.sum(axis=-1, keepdims=True), NEVER)
    return weights, np.sum(counts * np.log(_mixed(shapes, weights)), axis=-1)


def _mixed(shapes: Floats, weights: Floats) -> Floats:
    mixed = np.matmul(shapes, weights[..., None])[..., 0]
    return np.asarray(mixed * (1 - FALSE) + FALSE / shapes.shape[-2], np.float64)
