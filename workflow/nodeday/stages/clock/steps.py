"""Steps of a clock against another: where the lower edge of delays jumps, and by how much.

Delays only ever lift a stamp, so a step shows in the least stamps of a stretch, and its place in the
first or last stamp that the level on one side cannot explain::

    y |         .   . .            forward: the last stamp under the upper level
      |     .  _.__._.__._         is still before the step
      |  . .  |
      | ._._._*                    back: the first stamp under the upper level
      +-------------- x            is after it
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from nodeday.core.arrays import Floats, Ints
from nodeday.stages.clock.edge import MIN_POINTS, fit_edge
from nodeday.stages.clock.rounding import Unit

BIN_S, BIN_POINTS, SIDE = 60.0, 12, 2
"""Low stamps are taken from minutes that hold 12 points or more, or from longer bins, and compared over
two of them on each side: longer than a burst of delays. Choices of this project."""
LOW, FEW = 2, 10
"""The third least point of a bin stands for it, so that a false early stamp or two do no harm. The mean
rate is taken over ten bins at a time. Choices of this project."""
LEAST_MS, PER_S = 10.0, 0.005
"""A step is more than 10 ms and 5 ppm of the time between both sides: a crystal whose mean rate was
taken out does not move so far. Choices of this project."""
AROUND_S, ROUGH_MS = 3600.0, 2.0
"""Edges over up to an hour on each side tell the size; where there is none, two low stamps do, to about
2 ms. Choices of this project."""
ALIKE_MS, ALIKE_SHARE, STALL_S = 5.0, 0.02, 900.0
"""Sizes that differ by less than 5 ms and 2 % are alike. A rise that is undone within 15 minutes by a
like fall is a long delay and no step. Choices of this project."""


@dataclass(frozen=True)
class ClockStep:
    """Between points ``before`` and ``before + 1`` the edge jumps by ``size_ms``."""

    before: int
    size_ms: float
    deviation_ms: float


def find_steps(x: Floats, y: Floats, unit: Unit) -> list[ClockStep]:
    """Steps, in order, of the edge under points ``x`` (n,) in s, never falling, and ``y`` (n,) in ms.

    ``y`` is rounded to ``unit``.
    """
    if len(x) < 4 * BIN_POINTS:
        return []
    length = max(BIN_S, BIN_POINTS * 2 * (x[-1] - x[0]) / len(x))
    number = ((x - x[0]) / length).astype(np.int32)
    start = np.concatenate([[0], np.flatnonzero(np.diff(number)) + 1])
    stop = np.append(start[1:], len(x))
    many = stop - start >= BIN_POINTS
    start, stop = start[many], stop[many]
    low = np.array([np.partition(y[a:b], LOW)[LOW] for a, b in zip(start, stop, strict=True)])
    slope = _local_slope(x[start], low)
    low = low - slope * x[start]
    rises = _rises(low, x[start], length, unit.ms)
    flat = y - slope * x if rises else y[:0]
    found = []
    for borders in rises:
        at, rough = _place(flat, low, start, stop, borders)
        if 0 <= at < len(x) - 1:
            size, deviation = _size(x, y, at, rough, unit)
            if abs(size) > max(LEAST_MS, unit.ms):
                found.append(ClockStep(at, size, deviation))
    return _without_stalls(x, found)


def _local_slope(at: Floats, low: Floats) -> float:
    """Median slope between bins that lie a few apart, so that a step is in few of them."""
    apart = max(1, min(FEW, len(at) // 6))
    return float(np.median((low[apart:] - low[:-apart]) / (at[apart:] - at[:-apart]))) if len(at) > 1 else 0.0


def _rises(low: Floats, at: Floats, length: float, unit_ms: float) -> list[tuple[int, int]]:
    """Runs [first, last] of borders between bins over which the least of both sides differ."""
    if len(low) < 2:
        return []
    wide = np.pad(low, SIDE - 1, mode="edge")
    least = np.lib.stride_tricks.sliding_window_view(wide, SIDE).min(axis=1)
    jump = least[SIDE:] - least[: len(low) - 1]
    most = max(LEAST_MS, 2 * unit_ms) + PER_S * (np.diff(at) + SIDE * length)
    sign = np.where(np.abs(jump) > most, np.sign(jump), 0)
    edges = np.flatnonzero(np.diff(np.concatenate([[0], sign, [0]])))
    return [(a, b - 1) for a, b in pairwise(edges.tolist()) if sign[a]]


def _place(flat: Floats, low: Floats, start: Ints, stop: Ints, borders: tuple[int, int]) -> tuple[int, float]:
    """The last point before the step that a run of borders shows, -1 if none, and about its size."""
    first, last = borders
    before, after = low[max(first - 1, 0) : first + 1].min(), low[last + 1 : last + 3].min()
    begin, end = int(start[max(first - 1, 0)]), int(stop[min(last + 2, len(stop) - 1)])
    under = begin + np.flatnonzero(flat[begin:end] < (before + after) / 2)
    if len(under) < 2:
        return -1, 0.0
    # A lone point under the middle is a false early stamp.
    close = np.diff(under) <= 2 * BIN_POINTS
    if not close.any():
        return -1, 0.0
    if after > before:
        at = int(under[np.flatnonzero(close)[-1] + 1])
    else:
        at = int(under[np.flatnonzero(close)[0]]) - 1
    return at, float(after - before)


def _size(x: Floats, y: Floats, at: int, rough: float, unit: Unit) -> tuple[float, float]:
    """Difference of the edges under both sides at the step, and its standard deviation.

    ``rough`` stands in where a side is too short for an edge or has none.
    """
    middle, found = (x[at] + x[at + 1]) / 2, []
    for part in (
        slice(np.searchsorted(x, x[at] - AROUND_S), at + 1),
        slice(at + 1, np.searchsorted(x, x[at + 1] + AROUND_S)),
    ):
        own = x[part]
        if len(own) < 2 * MIN_POINTS or np.ptp(own) < 2 * BIN_S:
            return rough, ROUGH_MS
        try:
            edge = fit_edge(own, y[part], unit)
        except ValueError:
            return rough, ROUGH_MS
        end = slice(-2, None) if own[0] < middle and own[-1] < middle else slice(0, 2)
        slope = float(np.diff(edge.y[end])[0] / np.diff(edge.x[end])[0])
        near = 1 if end.start == -2 else 0
        level = float(edge.y[end][near] + slope * (middle - edge.x[end][near]))
        # At its end an edge is read past its last block: twice the deviation that its band stands for.
        found.append((level, float(edge.uncertainty[end][near])))
    return found[1][0] - found[0][0], float(np.hypot(found[0][1], found[1][1]))


def alike(one: float, other: float) -> bool:
    """Whether two sizes (ms) are the same step's."""
    return abs(one - other) <= ALIKE_MS + ALIKE_SHARE * max(abs(one), abs(other))


def _without_stalls(x: Floats, steps: list[ClockStep]) -> list[ClockStep]:
    kept: list[ClockStep] = []
    for step in steps:
        back = kept and kept[-1].size_ms > 0 and alike(kept[-1].size_ms, -step.size_ms)
        if back and x[step.before] - x[kept[-1].before] < STALL_S:
            kept.pop()
        else:
            kept.append(step)
    return kept


@dataclass(frozen=True)
class ObservedStep:
    """Step as one witness shows it: rows of the capture before and after it, and its size.

    By ``size_ms`` the hub's clock moved forward against the witness's, known to a standard ``deviation_ms``.
    """

    before: int
    after: int
    size_ms: float
    deviation_ms: float


@dataclass(frozen=True)
class Shared:
    """A step of the hub's clock, with its ``witnesses``."""

    step: ObservedStep
    witnesses: tuple[str, ...]


def of_hub(
    seen: Mapping[str, list[ObservedStep]], heard: Mapping[str, Ints], marks: str
) -> tuple[list[Shared], dict[str, list[ObservedStep]]]:
    """Steps that are the hub's, and those that stay each node's own.

    ``heard`` are the rows of each node's frames. The hub's steps show at the same rows and by the same
    size in at least half of the nodes that were heard on both sides, and in two witnesses or more, the
    host's ``marks`` being one.
    """
    waiting = sorted(
        ((each, node) for node, steps in seen.items() for each in steps), key=lambda one: one[0].before
    )
    shared: list[Shared] = []
    own: dict[str, list[ObservedStep]] = {node: [] for node in seen}
    while waiting:
        first = waiting[0][0]
        group = [
            (each, node)
            for each, node in waiting
            if each.before < first.after and each.after > first.before and alike(each.size_ms, first.size_ms)
        ]
        waiting = [one for one in waiting if one not in group]
        names = {node for _, node in group}
        before, after = max(each.before for each, _ in group), min(each.after for each, _ in group)
        should = {node for node, rows in heard.items() if rows.min() <= before and rows.max() >= after} - {
            marks
        }
        if before < after and len(names) > 1 and 2 * len(should & names) >= len(should):
            shared.append(
                Shared(ObservedStep(before, after, *_mean([each for each, _ in group])), tuple(sorted(names)))
            )
        else:
            for each, node in group:
                own[node].append(each)
    return shared, own


def _mean(steps: list[ObservedStep]) -> tuple[float, float]:
    """Mean size, weighted by 1 / variance, and its standard deviation, which their spread may raise."""
    size, deviation = (
        np.array([getattr(each, name) for each in steps]) for name in ("size_ms", "deviation_ms")
    )
    weight = 1 / deviation**2
    mean = float(weight @ size / weight.sum())
    scale = max(1.0, float(weight @ (size - mean) ** 2) / max(len(steps) - 1, 1))
    return mean, float(np.sqrt(scale / weight.sum()))
