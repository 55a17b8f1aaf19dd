"""Classification of RR intervals: usual, ectopic or artefact.

After Lipponen and Tarvainen, "A robust algorithm for heart rate variability time series artefact correction
using novel beat classification", J. Med. Eng. Technol. 43(3), 2019; constants as in an open implementation.
Here intervals are classified and never corrected, and a difference is taken only between two usable intervals
that follow each other.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from scipy.ndimage import median_filter, percentile_filter

from nodeday.core.arrays import Bools, Floats, Ints

ECTOPIC_FOUND, ARTEFACT_FOUND = 1, 2
ALPHA, AROUND, SLOPE, OFFSET = 5.2, 91, 0.13, 0.17
"""Limits are ``ALPHA`` quartile deviations of ``AROUND`` values; the line ``SLOPE``, ``OFFSET`` bounds the
differences before and after an ectopic beat."""
NEIGHBOURS, LEAST_NEIGHBOURS = 11, 3
"""Intervals of the running median, and the fewest that a recording must have."""
ENOUGH = 30
"""With fewer intervals quartiles mean nothing; then 20 % off the median decides (Malik, from memory)."""
DIFFERS = 0.2
FLOOR = 0.05
"""Limits never fall below 5 % of the median interval, else a paced heart would be all artefact. A choice of
this project."""


def irregular(rr: Floats, usable: Bools) -> Ints:
    """Classify RR intervals as usual, ectopic or artefact.

    ``rr`` (b,) are intervals in ms, of which only the ``usable`` ones (b,) are looked at. Returns (b,): 0,
    ``ECTOPIC_FOUND`` or ``ARTEFACT_FOUND``; 0 for all others.
    """
    classes = np.zeros(len(rr), np.int64)
    index = np.flatnonzero(usable)
    if len(index) < LEAST_NEIGHBOURS:
        return classes
    value = rr[index]
    median = _running_median(value)
    if len(index) < ENOUGH:
        classes[index[np.abs(value - median) > DIFFERS * median]] = ARTEFACT_FOUND
        return classes
    linked = np.concatenate([[False], np.diff(index) == 1])
    step = np.where(linked, np.diff(value, prepend=value[:1]), 0.0)
    off = value - median
    off = np.where(off < 0, 2 * off, off)
    floor = FLOOR * np.median(value)
    limits = _limit(np.abs(off), np.ones(len(off), np.bool_), floor)
    follows = np.concatenate([linked[1:], [False]])
    scaled = step / _limit(np.abs(step), linked, floor)
    ectopic, artefact = _classes(scaled, off / limits, linked)
    ectopic |= (_abrupt(value, step, median, linked) | _at_edge(scaled, off, linked, follows)) & ~artefact
    # Two halves of one usual interval: an extra beat, of which the first half alone may have been found.
    pair = np.abs(value + np.concatenate([value[1:], [np.nan]]) - median) < limits
    second = np.concatenate([[False], (artefact & pair & follows)[:-1]])
    classes[index[artefact | second]] = ARTEFACT_FOUND
    classes[index[ectopic]] = ECTOPIC_FOUND
    return classes


def _classes(step: Floats, off: Floats, linked: Bools) -> tuple[Bools, Bools]:
    """Return which intervals (n,) are ectopic and which are artefacts.

    ``step`` (n,) are scaled differences from the interval before, ``off`` (n,) scaled distances from the
    median; ``linked`` (n,) where the interval before is known.
    """
    later = [np.concatenate([step[ahead:], np.zeros(ahead)]) for ahead in (1, 2)]
    follows = np.concatenate([linked[1:], [False]])
    later[0] = np.where(follows, later[0], 0.0)
    later[1] = np.where(follows & np.concatenate([follows[1:], [False]]), later[1], 0.0)
    earlier = np.concatenate([[0.0], step[:-1]])
    rise, fall = step > 1, step < -1
    # Short-long or long-short around one beat: both intervals belong to that beat.
    turn = (rise & (np.maximum(earlier, later[0]) < -SLOPE * step - OFFSET)) | (
        fall & (np.minimum(earlier, later[0]) > -SLOPE * step + OFFSET)
    )
    ectopic = turn | (np.concatenate([turn[1:], [False]]) & follows)
    wrong = (rise & (np.minimum(*later) < -1)) | (fall & (np.maximum(*later) > 1)) | (np.abs(off) > 3)
    return ectopic, wrong & ~ectopic


def _at_edge(step: Floats, off: Floats, linked: Bools, follows: Bools) -> Bools:
    """Return which intervals (n,) at an unknown neighbour are one half of an ectopic pair.

    One neighbour is not known, the step (n,) to the other one is too large, and this interval is the farther
    off the median of the two: the unknown half would have shown that it is one of a pair::

        true      N  N  S  L  N        S short, L long: an early beat and its pause
        known     N  N  S  x  N        S stands at an edge; no turn can show
    """
    size = np.abs(off)
    first = ~linked & follows & _next(np.abs(step) > 1, False) & (size > _next(size, np.inf))
    last = linked & ~follows & (np.abs(step) > 1) & (size > np.concatenate([[np.inf], size[:-1]]))
    return np.asarray(first | last, np.bool_)


def _next(values: Any, end: Any) -> Any:
    """Return ``values`` (n,) moved forward by one, with ``end`` as the last one."""
    return np.concatenate([values[1:], [end]])


def _abrupt(value: Floats, step: Floats, median: Floats, linked: Bools) -> Bools:
    """Return which intervals (n,) leave the median by more than 20 % at once.

    Malik's rule, held against the median as well: where ectopic beats are frequent the quartiles take them
    for usual. A slow sway stays normal.
    """
    follows = np.concatenate([linked[1:], [False]])
    leap = np.maximum(np.abs(step), np.where(follows, np.abs(np.concatenate([step[1:], [0.0]])), 0.0))
    leap = np.where(linked | follows, leap, np.inf)
    return np.asarray((np.abs(value - median) > DIFFERS * median) & (leap > DIFFERS * median), np.bool_)


def _limit(size: Floats, use: Bools, floor: float) -> Floats:
    """Return 5.2 times the quartile deviation (n,) of the 91 values around, of those in ``use`` (n,)."""
    if not use.any():
        return np.full(len(size), np.inf)
    used = size[use]
    width = min(AROUND, len(used))
    upper, lower = (percentile_filter(used, share, size=width, mode="reflect") for share in (75, 25))
    limit = ALPHA * (upper - lower) / 2
    if len(used) < len(size):
        position = np.arange(len(size))
        limit = np.interp(position, position[use], limit)
    return np.maximum(limit, floor)


def _running_median(value: Floats) -> Floats:
    """Return the median (n,) of the 11 values around each value, of fewer at the ends."""
    half = NEIGHBOURS // 2
    median = np.asarray(median_filter(value, NEIGHBOURS, mode="nearest"), np.float64)
    for at in {*range(min(half, len(value))), *range(max(len(value) - half, 0), len(value))}:
        median[at] = np.median(value[max(at - half, 0) : at + half + 1])
    return median


def local_median(rr: Floats, steady: Bools) -> Floats:
    """Return the median (b,) of the 11 ``steady`` intervals around each interval.

    ``rr`` (b,) are intervals in ms, ``steady`` (b,) those that count. NaN where fewer than 3 count.
    """
    index = np.flatnonzero(steady)
    if len(index) < LEAST_NEIGHBOURS:
        return np.full(len(rr), np.nan)
    before: Ints = np.cumsum(steady) - steady
    return _running_median(rr[index])[np.minimum(before, len(index) - 1)]
