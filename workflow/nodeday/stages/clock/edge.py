"""The lower edge of one-sided delays as a smooth curve, with what is known of its error.

A stamp is the truth plus a delay that is never shorter than its constant part, rounded down (a
hub's) or up (a host's) to a whole unit. Seen against a clock of nominal rate, the truth runs
along the lower edge::

    y |   .  .      .        .      .  . delayed
      |  . .  .  . . .. .  ..  . . .
      | ..._.-.-''''`-.-..__.._.-.-'     the edge: as high as the points allow,
      | '''                 '' ' ''      bent no more than they ask for
      +-------------------------- x

One line over everything is the linear program of Moon, Skelly and Towsley (INFOCOM 1999), which the
convex hull solves: see :mod:`nodeday.stages.clock.hull`. Crystals follow temperature, so that line is drawn
under each stretch of a few minutes and is only a first curve, which :mod:`nodeday.stages.clock.propagation`
refines. Chosen by measurement: benchmarks/clock.py prints its errors beside those of bin minima joined by a
cubic, and benchmarks/clock_slow.py how much of the truth its band holds.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from nodeday.core.arrays import Bools, Floats, Ints
from nodeday.stages.clock.hull import edge_line, lower_hull
from nodeday.stages.clock.propagation import refined
from nodeday.stages.clock.rounding import ARCS, AROUND_S, FINE_MS, Unit, unswept

Numbers = NDArray[np.integer]
MIN_POINTS = 12
"""An edge needs as many."""
EARLY_SPREADS = 5.0
"""A stamp this many lower spreads under its stretch's low quantile is false. Choice of this
project: the lower side of one-sided delays is steep, and its spread hardly feels bursts."""
WANDER_PPM = 1.0
"""How far a rate may have moved where there are no data; a crystal cut for 25 degC moves by less
than 0.8 ppm a degree at skin temperature. Choice of this project."""
BLOCK_S, BLOCK_POINTS, BLOCKS = 60.0, 30, 3000
SLOW_BLOCK_S, SLOW_POINTS = 480.0, 8
"""A block is a minute, or as long as 30 points take; where that is more than 8 minutes, as long as 8 points
take, since a crystal bends in longer blocks. Of blocks there are 3000 at most. Choices of this project."""
STRETCH_S, STRETCH_POINTS = 300.0, 30
"""Stretches for the first curve last 5 minutes, a block, or as long as 30 points take: of fewer, the lowest
lies far above the edge. Choices of this project; 60 points would outlast fast swings of a slow node."""
SWEEP_S = 3600.0
"""Blocks of coarse stamps are never longer. Choice of this project."""
MODEL_SHARE, MODEL_BOTH = 0.001, 0.05
"""Error (standard deviation), in units, that the coarse shape of the distribution adds, and more where both
ends are rounded or ticks are coarse, which hides how delays begin. Found on simulated days, where the band
would hold too little without them."""


@dataclass(frozen=True)
class Edge:
    """Knots of the edge, arrays of shape (k,): ``x`` in s, the rest in ms; the band is 95 %."""

    x: Floats
    y: Floats
    uncertainty: Floats
    residual: Floats


def fit_edge(x: Floats, y: Floats, unit: Unit) -> Edge:
    """Fit the edge to points ``x`` (s, never falling) and ``y`` (ms), shape (n,) each.

    Raises ValueError for fewer than MIN_POINTS points, and where no edge shows.
    """
    if len(x) < MIN_POINTS:
        raise ValueError(f"{len(x)} points, an edge needs {MIN_POINTS}")
    span = float(x[-1] - x[0])
    length = _block_s(span, len(x))
    stretch = stretches(x, _stretch_s(length, span, len(x)))
    base, slope = coarse_line(x, y, stretch)
    line = base + slope * x
    tenth = delay_spread(y - line, stretch)
    y, blur = unit.with_blur(y, tenth)
    flat = np.subtract(y, line, out=line)
    del y
    length = max(length, _sweep_s(flat, slope, unit))
    stretch = stretches(x, _stretch_s(length, span, len(x)))
    false = early(flat, stretch, unit.ms)
    if false.any():
        x, flat, stretch = x[~false], flat[~false], stretch[~false]
    knots = np.linspace(x[0], x[-1], max(4, round(span / length)) + 1)
    level = first_curve(x, flat, stretch, knots) - blur.low
    level, deviation = refined(x, flat, knots, level, blur, max(tenth, blur.widths[0]))
    hidden = blur.widths[0] if blur.coarse_ticks else min(unit.also, unit.ms)
    model = MODEL_SHARE * blur.widths[0] + MODEL_BOTH * hidden
    spread = 1.96 * np.hypot(deviation, model) + curvature(level)
    above = np.interp(x, knots, level)
    if blur.widths[0] == unit.ms:
        at_zero = base + slope * x + (-1e3 * x if unit.mirrored else 1e3 * x)
        level, more = _with_unswept(x, flat, knots, level, blur.low, unit.ms, at_zero)
        spread = spread + more
        above = np.interp(x, knots, level)
    residual = np.interp(knots, *lows(x, np.subtract(flat, above, out=above), stretch, 0.5))
    where, level, residual, spread = _through_holes(x, knots, level, residual, spread)
    return Edge(where, level + base + slope * where, spread, residual)


def _with_unswept(
    x: Floats, flat: Floats, knots: Floats, level: Floats, low: float, unit_ms: float, line: Floats
) -> tuple[Floats, Floats]:
    """Levels in the middle of what rounding leaves possible, and half of that, (k,) each.

    ``line`` (n,) is by how much a level of 0 is past whole units at each point, all off by one constant.
    No clock wanders through an arc of a long unit within an hour: where that is not swept, a curve has only
    followed the rounding, and a straight line under all points stands for it.
    """
    knot = np.rint((x - knots[0]) / (knots[1] - knots[0])).astype(np.int64)
    above = np.interp(x, knots, level)
    long = unit_ms / ARCS >= WANDER_PPM * 1e-3 * AROUND_S
    phase = line if long else line + above
    lift, half = unswept(phase, flat - above - low, knot, knots, unit_ms)
    if long and half.any():
        base, slope = edge_line(x, flat)
        level = base + slope * knots - low
        lift, half = unswept(phase, flat - np.interp(x, knots, level) - low, knot, knots, unit_ms)
    return level + lift, half


def _block_s(span: float, count: int) -> float:
    """Length of a block (s), of ``count`` points over ``span`` s."""
    apart = span / count
    return max(BLOCK_S, min(BLOCK_POINTS * apart, max(SLOW_BLOCK_S, SLOW_POINTS * apart)), span / BLOCKS)


def _stretch_s(block: float, span: float, count: int) -> float:
    """Length of a stretch (s) with a line of its own, of ``count`` points over ``span`` s."""
    return min(max(STRETCH_S, block, STRETCH_POINTS * span / count), span / 5)


def curvature(level: Floats) -> Floats:
    """Return by how much a curve through levels (k,) at equal distances may leave the lines between them.

    A curve whose second difference is d lies d / 8 off its chord in the middle; twice that, since levels err
    where it bends. Of a knot, its neighbours count too, (k,).
    """
    off = np.abs(np.diff(level, 2)) / 4
    return np.asarray(np.lib.stride_tricks.sliding_window_view(np.pad(off, 2, "edge"), 3).max(axis=1))


def stretches(x: Floats, length: float) -> Numbers:
    """Number of the stretch of about ``length`` that each x lies in, all of them whole, (n,)."""
    count = max(1, int((x[-1] - x[0]) / length))
    number = x - x[0]
    number *= count / max(x[-1] - x[0], 1e-9)
    return np.asarray(np.minimum(number.astype(np.int32), count - 1), np.int32)


def _sweep_s(flat: Floats, slope: float, unit: Unit) -> float:
    """How long the truth takes to cross a unit, where delays are too short to tell what was cut off."""
    if unit.ms < 4 * max(float(np.median(np.abs(np.diff(flat)))), FINE_MS):
        return 0.0
    return min(unit.ms / max(abs(slope), 1e-9), SWEEP_S)


def first_curve(x: Floats, flat: Floats, stretch: Numbers, knots: Floats) -> Floats:
    """First curve at ``knots`` (k,): the line under each stretch that holds many points, joined.

    Each line counts by its height at the stretch's mean x. The best line rests on the hull's edge there, so
    that is the hull's own height.
    """
    vertices = lower_hull(x, flat, stretch)
    start, count = _groups(stretch)
    many = count >= np.median(count) / 4
    where = (np.add.reduceat(x, start) / count)[many]
    return np.asarray(np.interp(knots, where, np.interp(where, x[vertices], flat[vertices])))


def coarse_line(x: Floats, y: Floats, stretch: Numbers) -> tuple[float, float]:
    """A first line through low quantiles of stretches, median of all slopes (Theil 1950, Sen 1968)."""
    where, low = lows(x, y, stretch // np.int32(max(1, int(stretch[-1]) // 300 + 1)), 0.1)
    if len(low) < 3:
        return float(low.min()), 0.0
    slope, base, *_ = stats.theilslopes(low, where)
    return float(base), float(slope)


def lows(x: Floats, y: Floats, group: Numbers, share: float) -> tuple[Floats, Floats]:
    """Mean of ``x`` and a lower quantile of ``y`` in each group present, (g,) each; groups never fall."""
    start, count = _groups(group)
    return np.add.reduceat(x, start) / count, _quantiles(y, start, share)[:, 0]


def _groups(group: Numbers) -> tuple[Ints, Ints]:
    """First point and number of points of each group present, (g,) each; groups never fall."""
    start = np.concatenate([[0], np.flatnonzero(group[1:] != group[:-1]) + 1])
    return start, np.diff(start, append=len(group))


def _quantiles(y: Floats, start: Ints, *shares: float) -> Floats:
    """Lower quantiles of ``y`` in groups that begin at ``start`` (g,): (g, shares)."""
    found = []
    for each in np.split(y, start[1:]):  # few, and each is quick to part
        ranks = [int(share * (len(each) - 1)) for share in shares]
        found.append(np.partition(each, ranks)[ranks])
    return np.array(found)


def delay_spread(flat: Floats, stretch: Numbers) -> float:
    """Return how far (ms) the lowest tenth of ``flat`` (n,) reaches, in the median stretch.

    The lower side alone: most frames may wait in a queue while a few do not.
    """
    lowest, tenth = _quantiles(flat, _groups(stretch)[0], 0.0, 0.1).T
    return float(np.median(tenth - lowest))


def early(flat: Floats, stretch: Numbers, unit_ms: float = 0.0) -> Bools:
    """Return which points lie too far under the others of their stretch to be true ones, (n,).

    Rounding may put a true one a unit lower.
    """
    start, count = _groups(stretch)
    low, middle = _quantiles(flat, start, 0.1, 0.5).T
    trusted, number = count >= min(MIN_POINTS, count.max()), np.arange(len(start))
    spread = max(float(np.median((middle - low)[trusted])), 1e-3)
    level = np.interp(number, number[trusted], low[trusted])
    return np.asarray(flat < (level - EARLY_SPREADS * spread - max(1.0, unit_ms)).repeat(count), np.bool_)


def _through_holes(x: Floats, knots: Floats, *values: Floats) -> tuple[Floats, ...]:
    """Leave out knots inside holes in the data but the middle one; widen the last of ``values`` there.

    A rate may wander while nobody looks: WANDER_PPM of the time to the nearest point.
    """
    step = knots[1] - knots[0]
    hole = np.flatnonzero(np.diff(x) > 2 * step)
    middle = (x[hole] + x[hole + 1]) / 2
    right = np.clip(np.searchsorted(x, knots), 1, len(x) - 1)
    near = np.minimum(np.abs(knots - x[right - 1]), np.abs(knots - x[right])) <= step
    near[[0, -1]] = True
    wanted = np.union1d(knots[near], middle)
    *levels, spread = (np.interp(wanted, knots, value) for value in values)
    right = np.clip(np.searchsorted(x, wanted), 1, len(x) - 1)
    distance = np.minimum(np.abs(wanted - x[right - 1]), np.abs(wanted - x[right]))
    return wanted, *levels, spread + WANDER_PPM * 1e-3 * np.where(distance > step, distance, 0.0)
