"""The lower edge of one-sided delays as a broken line, with what is known of its error.

A stamp is the truth plus a delay that is never shorter than its constant part, rounded down (a
hub's) or up (a host's) to a whole unit. Seen against a clock of nominal rate, the truth runs
along the lower edge::

    y |   .  .      .        .      .  . delayed
      |  . .  .  . . .. .  ..  . . .
      | ..._.-.-''''`-.-..__.._.-.-'     the edge: as high as the points allow,
      | '''                 '' ' ''      bent no more than they ask for
      +-------------------------- x

One line over everything is the linear program of Moon, Skelly and Towsley (INFOCOM 1999). Here
the line may bend at knots, since crystals follow temperature, and each bend costs something.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import optimize, sparse, special, stats

from nodeday.clock.hull import lower_hull

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

MIN_POINTS = 12
"""Stretches with fewer points get no knot of their own."""
EARLY_SPREADS = 5.0
"""A stamp this many lower spreads under its stretch's low quantile is false. Choice of this
project: the lower side of one-sided delays is steep, and its spread hardly feels bursts."""
RANK = 12
"""Which of the lowest residuals of a stretch measures how densely points lie on the edge."""
FINE_MS = 0.1
"""Stamps in units shorter than this count as not rounded."""
WANDER_PPM = 1.0
"""How far a rate may have moved where there are no data; a crystal cut for 25 degC moves by less
than 0.8 ppm a degree at skin temperature. Choice of this project."""


@dataclass(frozen=True)
class Edge:
    """Knots of the edge, arrays of shape (k,): ``x`` in s, the rest in ms."""

    x: Floats
    y: Floats
    uncertainty: Floats
    residual: Floats


@dataclass(frozen=True)
class Unit:
    """The unit (ms) to which stamps are rounded, ``down`` or up."""

    ms: float
    down: bool = True

    @property
    def coarse(self) -> bool:
        """Whether rounding is worth a thought beside delays of milliseconds."""
        return self.ms >= FINE_MS


def fit_edge(x: Floats, y: Floats, unit: Unit, bin_s: float, smooth_s: float) -> Edge:
    """Fit the edge to points ``x`` (s, never falling) and ``y`` (ms), shape (n,) each.

    ``y`` is rounded to ``unit``. Knots lie ``bin_s`` apart where there are data; bends that last shorter
    than about ``smooth_s`` are smoothed. Raises ValueError for fewer than MIN_POINTS points.
    """
    if len(x) < MIN_POINTS:
        raise ValueError(f"{len(x)} points, an edge needs {MIN_POINTS}")
    base, slope = coarse_line(x, y, bin_s)
    flat = y - (base + slope * x)
    knots = place_knots(x, bin_s)
    keep = ~early(flat, segment_of(x, knots))
    x, flat = x[keep], flat[keep]
    level = broken_line(x, flat, knots, (smooth_s / bin_s) ** 2 / 4)
    above = flat - np.interp(x, knots, level)
    # No stamp is earlier than the truth once a part that was cut off is given back.
    back = unit.ms if unit.down else 0.0
    phase = np.interp(x, knots, level) + base + slope * x
    bias, spread = slack(above, x, knots, 1 + unit.coarse, smooth_s)
    half = unswept(phase, x, knots, unit.ms, smooth_s) * unit.ms / 2 if unit.coarse else np.zeros(len(knots))
    lift = back - bias - half
    residual = _median_by(above, x, knots) + bias + half
    where, level, lift, residual, spread = _through_holes(
        x, bin_s, knots, level, lift, residual, spread + half + _between_knots(knots, level)
    )
    return Edge(where, level + base + slope * where + lift, spread, residual)


def coarse_line(x: Floats, y: Floats, bin_s: float) -> tuple[float, float]:
    """A first line through low quantiles of bins, median of all slopes (Theil 1950, Sen 1968)."""
    cell = np.floor((x - x[0]) / max(bin_s, (x[-1] - x[0]) / 300)).astype(np.int64)
    (low,) = grouped_quantiles(y, cell, 0.1)
    count = np.bincount(cell)
    where = (np.bincount(cell, x) / np.maximum(count, 1))[count > 0]
    if len(low) < 3:
        return float(low.min()), 0.0
    slope, base, *_ = stats.theilslopes(low, where)
    return float(base), float(slope)


def grouped_quantiles(y: Floats, group: Ints, *shares: float) -> tuple[Floats, ...]:
    """Lower quantiles of ``y`` in each group present, for each of ``shares``; groups never fall."""
    start = np.concatenate([[0], np.flatnonzero(np.diff(group)) + 1])
    pieces = np.split(y, start[1:])  # few, and each is quick to part
    return tuple(np.array([_nth(each, int(share * (len(each) - 1))) for each in pieces]) for share in shares)


def _nth(values: Floats, rank: int) -> float:
    """The ``rank``-th least of ``values``, from 0."""
    return float(np.partition(values, rank)[rank])


def place_knots(x: Floats, bin_s: float) -> Floats:
    """Knots at both ends and at the borders of bins of about ``bin_s`` that hold enough points."""
    bins = max(1, round((x[-1] - x[0]) / bin_s))
    edges = np.linspace(x[0], x[-1], bins + 1)
    full = np.bincount(segment_of(x, edges), minlength=bins) >= MIN_POINTS
    wanted = np.concatenate([[True], full[:-1] | full[1:], [True]])
    return np.asarray(edges[wanted], np.float64)


def segment_of(x: Floats, knots: Floats) -> Ints:
    """Which segment between knots each x lies in, (n,)."""
    return np.clip(np.searchsorted(knots, x, side="right") - 1, 0, len(knots) - 2)


def early(flat: Floats, segment: Ints) -> NDArray[np.bool_]:
    """Points too far under the others of their segment to be delayed ones: false stamps, (n,)."""
    present, position = np.unique(segment, return_inverse=True)
    low, middle = grouped_quantiles(flat, segment, 0.1, 0.5)
    count = np.bincount(position)
    trusted = count >= min(MIN_POINTS, count.max())
    spread = max(float(np.median((middle - low)[trusted])), 1e-3)
    level = np.interp(present, present[trusted], low[trusted])
    return np.asarray(flat < level[position] - EARLY_SPREADS * spread - 1.0, np.bool_)


def broken_line(x: Floats, y: Floats, knots: Floats, stiffness: float) -> Floats:
    """Heights at ``knots`` of the highest broken line under all points, (n,), (n,), (k,) -> (k,).

    Maximises the sum of the line over all x, less ``stiffness`` x points a segment x the sum of
    all changes of slope. Two knots give the line of Moon, Skelly and Towsley.
    """
    segment = segment_of(x, knots)
    share = (x - knots[segment]) / np.diff(knots)[segment]
    count = len(knots)
    weight = np.bincount(segment, 1 - share, count) + np.bincount(segment + 1, share, count)
    rest = lower_hull(x, y, segment)
    rows = np.arange(len(rest)).repeat(2)
    columns = np.stack([segment[rest], segment[rest] + 1], axis=1).ravel()
    values = np.stack([1 - share[rest], share[rest]], axis=1).ravel()
    under = sparse.coo_array((values, (rows, columns)), shape=(len(rest), count))
    bend = _bends(knots)
    slack_of = sparse.eye_array(bend.shape[0])
    blocks = sparse.block_array(
        [[under, None], [bend, -slack_of], [-bend, -slack_of]] if bend.shape[0] else [[under]], format="csr"
    )
    limits = np.concatenate([y[rest], np.zeros(2 * bend.shape[0])])
    price = np.full(bend.shape[0], stiffness * len(x) / (count - 1))
    bounds = [(None, None)] * count + [(0, None)] * bend.shape[0]
    cost = np.concatenate([-weight, price])
    # The stubs of scipy know dense constraints only.
    found = optimize.linprog(cost, blocks, limits, bounds=bounds, method="highs")  # type: ignore[call-overload]
    if found.status != 0:
        raise ValueError(f"no edge lies under these points: {found.message}")
    return np.asarray(found.x[:count], np.float64)


def _bends(knots: Floats) -> sparse.csr_array:
    """Change of slope at each inner knot, in y per mean knot distance, as a matrix (k - 2, k)."""
    step = np.diff(knots)
    inner = len(step) - 1
    scale = step.mean() if len(step) else 1.0
    left, right = scale / step[:-1], scale / step[1:]
    rows = np.arange(inner)
    return sparse.csr_array(
        (np.concatenate([left, -left - right, right]),
         (np.tile(rows, 3), np.concatenate([rows, rows + 1, rows + 2]))), shape=(inner, inner + 2),
    )  # fmt: skip


def unswept(phase: Floats, x: Floats, knots: Floats, unit: float, smooth_s: float) -> Floats:
    """Longest arc of a unit in which the truth never fell, by knot: (n,), (n,), (k,) -> (k,) in 0..1.

    Where a clock keeps step with the unit, floored stamps hold no news of the part cut off.
    """
    cells = 16
    window, count = _windows(x, knots, smooth_s)
    cell = np.floor(np.mod(phase / unit, 1.0) * cells).astype(np.int64) % cells
    filled = np.zeros((count, cells), bool)
    filled[window, cell] = True
    run, longest = np.zeros(count, np.int64), np.zeros(count, np.int64)
    for column in np.tile(np.arange(cells), 2):
        run = np.where(filled[:, column], 0, run + 1)
        longest = np.maximum(longest, run)
    share = np.minimum(longest, cells - 1) / cells
    return _at_knots(share, window, x, knots)


def slack(above: Floats, x: Floats, knots: Floats, parts: int, smooth_s: float) -> tuple[Floats, Floats]:
    """How far the fitted edge lies above the true one, and a 95 % half width of that, (k,) each.

    Near its least value, a sum of ``parts`` independent delays, rounding being one, is
    Weibull-like of shape a = parts, so the least of many lies A g(1) above the edge and the k-th
    least A g(k), g(k) = Gamma(k + 1/a) / Gamma(k) (order statistics of the Weibull law, from
    memory). The residuals' k-th least gives A.
    """
    shape = float(parts)
    window, count = _windows(x, knots, smooth_s)
    points = np.bincount(window, minlength=count)
    rank = np.clip(points // 8, 2, RANK)
    start = np.cumsum(points) - points
    pieces = np.split(above, start[1:])
    rank = np.minimum(rank, points)
    nth = np.array([_nth(piece, k - 1) for piece, k in zip(pieces, rank.tolist(), strict=True)])
    first = special.gamma(1 + 1 / shape)
    scale = nth / (np.exp(special.gammaln(rank + 1 / shape) - special.gammaln(rank)) - first)
    deviation = np.sqrt(special.gamma(1 + 2 / shape) - first**2)
    found = _at_knots(scale, window, x, knots)
    return first * found, 2.5 * deviation * found


def _between_knots(knots: Floats, level: Floats) -> Floats:
    """How far a smooth curve through the knots may leave the straight lines between them, (k,).

    A parabola lies an eighth of its second difference off its chord; bends gather in few knots
    although the truth turns all along, hence the mean over three.
    """
    turn = np.zeros(len(knots))
    turn[1:-1] = np.abs(_bends(knots) @ level)
    return np.convolve(np.pad(turn, 1, mode="edge"), np.ones(3) / 3, mode="valid") / 8


def _windows(x: Floats, knots: Floats, smooth_s: float) -> tuple[Ints, int]:
    """Stretches of whole segments about ``smooth_s`` long, none empty: of each point, and how many.

    Thin ones at the edge of a hole count with the one before.
    """
    raw = np.floor((knots[segment_of(x, knots)] - knots[0]) / smooth_s + 1e-9).astype(np.int64)
    present, count = np.unique(raw, return_counts=True)
    present = present[count >= min(2 * MIN_POINTS, count.max())]
    window = np.clip(np.searchsorted(present, raw, side="right") - 1, 0, None)
    return window.astype(np.int64), len(present)


def _at_knots(values: Floats, window: Ints, x: Floats, knots: Floats) -> Floats:
    centre = np.bincount(window, x) / np.bincount(window)
    return np.interp(knots, centre, values)


def _median_by(above: Floats, x: Floats, knots: Floats) -> Floats:
    segment = segment_of(x, knots)
    present = np.unique(segment)
    middle = (knots[present] + knots[present + 1]) / 2
    (median,) = grouped_quantiles(above, segment, 0.5)
    return np.asarray(np.interp(knots, middle, median), np.float64)


def _through_holes(x: Floats, bin_s: float, knots: Floats, *values: Floats) -> tuple[Floats, ...]:
    """Add a knot in the middle of each hole in the data; widen the last of ``values`` there.

    A rate may wander while nobody looks: WANDER_PPM of the time to the nearest point.
    """
    hole = np.flatnonzero(np.diff(x) > bin_s)
    wanted = np.union1d(knots, (x[hole] + x[hole + 1]) / 2)
    *levels, spread = (np.interp(wanted, knots, value) for value in values)
    right = np.clip(np.searchsorted(x, wanted), 1, len(x) - 1)
    distance = np.minimum(np.abs(wanted - x[right - 1]), np.abs(wanted - x[right]))
    return wanted, *levels, spread + WANDER_PPM * 1e-3 * distance
