"""Lower convex hulls: the points on which a straight edge can rest from below."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from nodeday.core.arrays import Floats, Ints

Numbers = NDArray[np.integer]
BLOCK = 50_000
"""Points of whole groups that are looked at together, about."""
PASSES = 12
"""Vectorised sweeps before the sequential one; each removes about half of noisy points."""


def lower_hull(x: Floats, y: Floats, group: Numbers | None = None) -> Ints:
    """Indices of the lower hull's vertices, in order of x, (n,) -> (h,).

    ``x`` never falls. With ``group`` (n,), which never falls either, one hull a group, joined.
    A point on or above a chord between two others is no vertex, so sweeps may remove many at
    once; what is left goes through the monotone chain (Andrew 1979, from memory). O(n)::

        y   o     o          o       removed in the first sweep: points above the chord
            |  o     o    .          of their neighbours
            *-----___*--''           *: hull
    """
    group = np.zeros(len(x), np.int8) if group is None else group
    starts = np.concatenate([[0], np.flatnonzero(group[1:] != group[:-1]) + 1])
    cuts = np.unique(starts[np.searchsorted(starts, np.arange(0, len(x), BLOCK), side="right") - 1])
    parts = [slice(*each) for each in pairwise([*cuts.tolist(), len(x)])]
    return np.concatenate([part.start + _hulls(x[part], y[part], group[part]) for part in parts])


def _hulls(x: Floats, y: Floats, group: Numbers) -> Ints:
    keep = _lowest_of_each_x(x, y, group)
    for _ in range(PASSES):
        drop = _above_chord(x[keep], y[keep], group[keep])
        if not drop.any():
            return keep
        keep = keep[~drop]
    return _chain(x, y, group, keep)


def _lowest_of_each_x(x: Floats, y: Floats, group: Numbers) -> Ints:
    if not ((np.diff(x) == 0) & (np.diff(group) == 0)).any():
        return np.arange(len(x))
    order = np.lexsort((y, x, group))
    first = np.ones(len(x), bool)
    first[1:] = (np.diff(x[order]) > 0) | (np.diff(group[order]) > 0)
    return order[first].astype(np.int64)


def _above_chord(x: Floats, y: Floats, group: Numbers) -> NDArray[np.bool_]:
    drop = np.zeros(len(x), bool)
    if len(x) > 2:
        cross = (x[1:-1] - x[:-2]) * (y[2:] - y[:-2]) - (y[1:-1] - y[:-2]) * (x[2:] - x[:-2])
        drop[1:-1] = (cross <= 0) & (group[:-2] == group[2:])
    return drop


def _chain(x: Floats, y: Floats, group: Numbers, keep: Ints) -> Ints:
    stack: list[tuple[float, float, int, int]] = []
    for point in zip(x[keep].tolist(), y[keep].tolist(), group[keep].tolist(), keep.tolist(), strict=True):
        while len(stack) > 1 and stack[-2][2] == point[2] and _turns_down(stack[-2], stack[-1], point):
            stack.pop()
        stack.append(point)
    return np.array([point[3] for point in stack], np.int64)


def _turns_down(a: tuple[float, ...], b: tuple[float, ...], c: tuple[float, ...]) -> bool:
    return (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0]) <= 0


def edge_line(x: Floats, y: Floats) -> tuple[float, float]:
    """Offset and slope (a, b) of the line a + b x below all points with the least sum above it.

    The linear program of Moon, Skelly and Towsley (INFOCOM 1999), solved by the hull: of all
    hull edges the one that spans the mean of x is best (Zhang, Liu and Xia, INFOCOM 2002).
    Raises ValueError where all x are one.
    """
    order = np.argsort(x, kind="stable")
    vertices = order[lower_hull(x[order], y[order])]
    if len(vertices) < 2:
        raise ValueError("a line needs points at two places or more")
    right = int(np.clip(np.searchsorted(x[vertices], x.mean()), 1, len(vertices) - 1))
    one, two = vertices[right - 1], vertices[right]
    slope = float((y[two] - y[one]) / (x[two] - x[one]))
    return float(y[one] - slope * x[one]), slope
