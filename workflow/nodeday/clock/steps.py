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
from numpy.typing import NDArray

from nodeday.clock.edge import coarse_line
from nodeday.clock.hull import edge_line

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

BIN_S, BIN_POINTS, SIDE = 60.0, 12, 2
"""Low stamps are taken from minutes that hold 12 points or more, or from longer bins, and compared over
two of them on each side: longer than a burst of delays. Choices of this project."""
LOW = 2
"""The third least point of a bin stands for it, so that a false early stamp or two do no harm."""
LEAST_MS, PER_S = 10.0, 0.005
"""A step is more than 10 ms and 5 ppm of the time between both sides: a crystal whose mean rate was
taken out does not move so far. Choices of this project."""
AROUND_S = 1200.0
"""Lines over up to 20 minutes on each side tell the size. Choice of this project."""
ALIKE_MS, ALIKE_SHARE, STALL_S = 5.0, 0.02, 900.0
"""Sizes that differ by less than 5 ms and 2 % are alike. A rise that is undone within 15 minutes by a
like fall is a long delay and no step. Choices of this project."""


@dataclass(frozen=True)
class Step:
    """Between points ``before`` and ``before + 1`` the edge jumps by ``size_ms``."""

    before: int
    size_ms: float


def find_steps(x: Floats, y: Floats) -> list[Step]:
    """Steps of the edge under points ``x`` (s, never falling) and ``y`` (ms), (n,) each, in order."""
    if len(x) < 4 * BIN_POINTS:
        return []
    length = max(BIN_S, BIN_POINTS * 2 * (x[-1] - x[0]) / len(x))
    number = ((x - x[0]) / length).astype(np.int64)
    base, slope = coarse_line(x, y, number)
    flat = y - (base + slope * x)
    start = np.concatenate([[0], np.flatnonzero(np.diff(number)) + 1])
    stop = np.append(start[1:], len(x))
    many = stop - start >= BIN_POINTS
    start, stop = start[many], stop[many]
    low = np.array([np.partition(flat[a:b], LOW)[LOW] for a, b in zip(start, stop, strict=True)])
    found = [
        step
        for first, last in _rises(low, x[start], length)
        if (step := _place(x, flat, low, start, stop, first, last)) is not None
    ]
    return _without_stalls(x, found)


def _rises(low: Floats, at: Floats, length: float) -> list[tuple[int, int]]:
    """Runs [first, last] of borders between bins over which the least of both sides differ."""
    if len(low) < 2:
        return []
    wide = np.pad(low, SIDE - 1, mode="edge")
    least = np.lib.stride_tricks.sliding_window_view(wide, SIDE).min(axis=1)
    jump = least[SIDE:] - least[: len(low) - 1]
    most = LEAST_MS + PER_S * (np.diff(at) + SIDE * length)
    sign = np.where(np.abs(jump) > most, np.sign(jump), 0)
    edges = np.flatnonzero(np.diff(np.concatenate([[0], sign, [0]])))
    return [(a, b - 1) for a, b in pairwise(edges.tolist()) if sign[a]]


def _place(
    x: Floats, flat: Floats, low: Floats, start: Ints, stop: Ints, first: int, last: int
) -> Step | None:
    """The step that a run of borders shows: between which points it lies, and its size."""
    before, after = low[max(first - 1, 0) : first + 1].min(), low[last + 1 : last + 3].min()
    begin, end = int(start[max(first - 1, 0)]), int(stop[min(last + 2, len(stop) - 1)])
    under = begin + np.flatnonzero(flat[begin:end] < (before + after) / 2)
    if len(under) < 2:
        return None
    # A lone point under the middle is a false early stamp.
    close = np.diff(under) <= 2 * BIN_POINTS
    if not close.any():
        return None
    if after > before:
        at = int(under[np.flatnonzero(close)[-1] + 1])
    else:
        at = int(under[np.flatnonzero(close)[0]]) - 1
    if not 0 <= at < len(x) - 1:
        return None
    return Step(at, _size(x, flat, at, float(after - before)))


def _size(x: Floats, flat: Floats, at: int, rough: float) -> float:
    """Difference of the lines under both sides, at the step; ``rough`` where a side is too short."""
    middle, found = (x[at] + x[at + 1]) / 2, []
    for part in (slice(np.searchsorted(x, x[at] - AROUND_S), at + 1),
                 slice(at + 1, np.searchsorted(x, x[at + 1] + AROUND_S))):  # fmt: skip
        own_x, own = x[part], flat[part]
        if len(own_x) < BIN_POINTS or np.ptp(own_x) < BIN_S:
            return rough
        offset, slope = edge_line(own_x, own)
        found.append(offset + slope * middle)
    return float(found[1] - found[0])


def alike(one: float, other: float) -> bool:
    """Whether two sizes (ms) are the same step's."""
    return abs(one - other) <= ALIKE_MS + ALIKE_SHARE * max(abs(one), abs(other))


def _without_stalls(x: Floats, steps: list[Step]) -> list[Step]:
    kept: list[Step] = []
    for step in steps:
        back = kept and kept[-1].size_ms > 0 and alike(kept[-1].size_ms, -step.size_ms)
        if back and x[step.before] - x[kept[-1].before] < STALL_S:
            kept.pop()
        else:
            kept.append(step)
    return kept


@dataclass(frozen=True)
class Shared:
    """A step of the hub's clock by ``size_ms``, known to a standard ``deviation_ms``, between the frames
    ``before`` and ``after`` of the capture, as ``witnesses`` show it."""

    before: int
    after: int
    size_ms: float
    deviation_ms: float
    witnesses: tuple[str, ...]


def of_hub(
    seen: Mapping[str, list[tuple[int, int, float]]], heard: Mapping[str, Ints], marks: str
) -> tuple[list[Shared], dict[str, list[tuple[int, int, float]]]]:
    """Steps that are the hub's, and those that stay each node's own.

    ``seen`` are steps by node as (row before, row after, size in ms); ``heard`` the rows of each
    node's frames. The hub's steps show in every node that was heard on both sides, at the same rows
    and by the same size, and in two witnesses or more, the host's ``marks`` being one.
    """
    events = sorted(
        (before, after, size, node) for node, steps in seen.items() for before, after, size in steps
    )
    shared, own = [], {node: [] for node in seen}
    while events:
        before, after, size, _ = events[0]
        group = [each for each in events if each[0] <= after and each[1] >= before and alike(each[2], size)]
        names = {each[3] for each in group}
        events = [each for each in events if each not in group]
        late, soon = max(each[0] for each in group), min(each[1] for each in group)
        should = {name for name, rows in heard.items() if name != marks and _around(rows, before, after)}
        if late < soon and len(names) > 1 and len(should & names) >= max(1, (len(should) + 1) // 2):
            sizes = np.array([each[2] for each in group if each[3] != marks] or [size])
            shared.append(
                Shared(late, soon, float(np.median(sizes)), _deviation(sizes), tuple(sorted(names)))
            )
        else:
            for one in group:
                own[one[3]].append(one[:3])
    return shared, own


def _around(rows: Ints, before: int, after: int) -> bool:
    return len(rows) > 0 and bool(rows[0] <= before and rows[-1] >= after)


def _deviation(sizes: Floats) -> float:
    return float(max(np.std(sizes) / np.sqrt(len(sizes)), 0.02))
