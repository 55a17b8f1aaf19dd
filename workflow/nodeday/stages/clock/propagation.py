"""Refinement of a first curve under one-sided delays: each block of points against all other blocks.

The distribution of delays gives, for each block of points, a likelihood of how far the edge is from a
curve. The lowest point of a block is a hard limit from above. From below there is hardly a limit, so the
likelihood of few points is far from normal. All other blocks give a normal distribution of the same
distance. Both are multiplied, and the mean and variance of the product are kept (expectation
propagation, Minka 2001, from memory)::

    likely |      block alone          |  others, and both
           |         ____.             |    .-.
           |   __..--    |             |   / /|'.
           |..-          |             | .' / |  '.
           +-------------+-- edge      +------+----- edge
                   lowest point          lowest point

The smoother knows how crystals wander: see :mod:`nodeday.stages.clock.smooth`. The distribution is learnt
from residuals of each block against the curve of all *others*: against a curve that has followed a block's
points they would be too small, and the band too narrow.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from nodeday.core.arrays import Floats, Ints
from nodeday.stages.clock.delay_distribution import Blur, Cells, DelayDistribution, Readings, cells_for
from nodeday.stages.clock.smooth import Smooth, Wander, averaged, smooth

POINTS = 50_000
"""Points counted at a time."""
MIN_NEAR = 12
"""So many points must lie near the curve."""
PASSES, FIRST_SWEEPS, SWEEPS, DAMPING = 4, 20, 10, 0.4
"""The distribution is learnt four times; in between each block is weighed ten times against the others, 20
times at first, and moves by 0.4 of the way: all the way, blocks would swing. Choices of this project."""
SPREADS, LEAST_REACH, NARROWER, FIRST_SMEAR = 6.0, 0.2, 4.0, 0.1
"""The edge is looked for within 6 standard deviations of what others know, 0.2 units at least, and a fourth
of the pass before at least. The first curve is off by a tenth of the first reach in the mean. Choices of this
project."""
BENDS = 10.0 ** np.arange(-5.5, -0.4, 0.25)
"""Changes of the level's slope (ms over a minute) that a crystal may show: from a rate that stays to 0.05 ppb
to one that moves by 5 ppm a minute."""
USUAL_BEND, BEND_DECADES = 3e-3, 0.5
"""A bend is likely about 0.003 ms, give or take a decade: a worn crystal moves by some 0.05 ppm in a minute
(0.035 ppm/K^2, 8 K off its turning point, a kelvin in several minutes). It counts where stamps tell little. A
choice of this project."""
BACK_S = (np.inf, 4 * 3600.0, 3600.0)
"""A rate goes on from where it is, or returns to its mean within 4 hours or one. Choice of this project."""
FIRST_PPM = 1.0
"""How far off the first line a rate begins that does not return (as a deviation). Choice of this project."""
NEXT_DECADES, AROUND_DECADES = 0.3, 1.1
"""From one weighing to the next a bend moves by 0.3 decades at most; the result is a mean over a decade."""


@dataclass(frozen=True)
class _Known:
    """Levels by all blocks and, for each, by all others; and what each block adds, (b,) each.

    ``precision`` is 1 / variance, and ``weighted`` that times the level.
    """

    all: Smooth
    others: Smooth
    precision: Floats
    weighted: Floats


def refined(
    x: Floats, flat: Floats, knots: Floats, level: Floats, blur: Blur, reach: float
) -> tuple[Floats, Floats]:
    """Return levels at ``knots`` and their standard deviations (ms), (k,) each, from a first curve ``level``.

    Points are ``x`` (s) and ``flat`` (ms), (n,) each; the first curve is off by ``reach`` at most. Raises
    ValueError where no edge shows.
    """
    step = float(knots[1] - knots[0])
    wanders, block = _wanders(step), np.rint((x - knots[0]) / step).astype(np.int32)
    centre, smear, known = level, FIRST_SMEAR * reach, None
    for _ in range(PASSES):
        above = np.interp(x, knots, level)
        above += (centre - level)[block]
        np.subtract(flat, above, out=above)
        cells = cells_for(above, blur, reach)
        counts = _counted(block, above, len(knots), cells)
        if counts.sum() < MIN_NEAR:
            raise ValueError("no edge: hardly a stamp lies near the first curve")
        delays = DelayDistribution.learnt(counts.sum(axis=0), cells, blur, smear, reach)
        known = _propagated(delays.readings(counts, reach), centre, wanders, known)
        level, centre = known.all.level, known.others.level
        off = float(np.sqrt(np.median(known.others.variance[counts.any(axis=1)])))
        # A parabola's mean square distance from its chord is the square of its second difference over 120.
        smear = float(np.hypot(off, np.sqrt(np.mean(np.diff(level, 2) ** 2) / 120)))
        reach = max(SPREADS * off, LEAST_REACH * blur.widths[0], reach / NARROWER)
    assert known is not None  # there is a pass
    around = _near(wanders, known.all.wander, AROUND_DECADES)
    level, variance = averaged(known.weighted, known.precision, around)
    return level, np.hypot(np.sqrt(variance), delays.deviation)


def _propagated(read: Readings, centre: Floats, wanders: list[Wander], before: _Known | None) -> _Known:
    """Weigh the readings of blocks, each around its ``centre`` (b,), against what all others know.

    Goes on from what was known ``before``, or begins with readings that are weighed by themselves.
    """
    if before is None:
        flat = np.full(len(centre), 12 / float(np.ptp(read.offsets)) ** 2)
        precision, shift = read.sites(np.full(len(centre), float(read.offsets.mean())), flat)
        weighted, wander = shift + precision * centre, max(wanders, key=lambda each: each.log_prior)
    else:
        precision, weighted, wander = before.precision, before.weighted, before.all.wander
    for _ in range(SWEEPS if before else FIRST_SWEEPS):
        found = smooth(weighted, precision, _near(wanders, wander, NEXT_DECADES))
        wander = found.wander
        known = np.maximum(1 / found.variance - precision, 1e-9)
        mean = (found.level / found.variance - weighted) / known
        sharper, shift = read.sites(mean - centre, known)
        precision = precision + DAMPING * (sharper - precision)
        weighted = weighted + DAMPING * (shift + sharper * centre - weighted)
    return _Known(found, Smooth(mean, 1 / known, found.wander), precision, weighted)


def _wanders(step_s: float) -> list[Wander]:
    """Return ways in which a rate may wander, for levels every ``step_s``."""
    found = []
    for bend in (BENDS * (step_s / 60.0) ** 1.5).tolist():
        off = np.log10(bend / (step_s / 60.0) ** 1.5 / USUAL_BEND) / BEND_DECADES
        for back_s in BACK_S:
            kept = float(np.exp(-step_s / back_s))
            first = FIRST_PPM * 1e-3 * step_s if kept == 1 else bend / float(np.sqrt(1 - kept**2))
            found.append(Wander(bend, kept, first, -0.5 * float(off) ** 2))
    return found


def _near(wanders: list[Wander], to: Wander, decades: float) -> list[Wander]:
    """Return wanders whose bend is within some ``decades`` of another's."""
    return [each for each in wanders if abs(np.log10(each.bend / to.bend)) < decades]


def _counted(block: NDArray[np.int32], above: Floats, blocks: int, cells: Cells) -> Ints:
    """Count the points (n,) in each cell of each block, (b, c); some points at a time."""
    counts = np.zeros(blocks * len(cells), np.int64)
    for start in range(0, len(above), POINTS):
        cell, within = cells.of(above[start : start + POINTS])
        part = block[start : start + POINTS].astype(np.int64)
        first, last = int(part[0]) * len(cells), (int(part[-1]) + 1) * len(cells)
        counts[first:last] += np.bincount((part * len(cells) + cell)[within] - first, minlength=last - first)
    return counts.reshape(blocks, -1)
