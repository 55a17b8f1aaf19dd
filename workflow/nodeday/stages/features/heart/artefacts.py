"""Which RR intervals are those of ectopic beats or artefacts.

After Lipponen and Tarvainen, "A robust algorithm for heart rate variability time series artefact correction
using novel beat classification", J. Med. Eng. Technol. 43(3), 2019; constants as in an open implementation.
Here intervals are classified and never corrected, and differences are taken within runs of whole intervals.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from scipy.ndimage import median_filter, percentile_filter

from nodeday.core.arrays import Bools, Floats, Ints

ECTOPIC_FOUND, ARTEFACT_FOUND = 1, 2
ALPHA, AROUND, SLOPE, OFFSET = 5.2, 91, 0.13, 0.17
NEIGHBOURS, LEAST_NEIGHBOURS = 11, 3
ENOUGH = 30
"""With fewer intervals quartiles tell nothing; then 20 % off the median decides (Malik, from memory)."""
DIFFERS = 0.2
FLOOR = 0.05
"""Limits never fall below 5 % of the median interval, else a paced heart would be all artefact. A choice of
this project."""


def irregular(rr: Floats, whole: Bools) -> Ints:
    """0, ``ECTOPIC_FOUND`` or ``ARTEFACT_FOUND`` for each interval (b,) in ms; only ``whole`` ones (b,) are
    looked at.
    """
    found = np.zeros(len(rr), np.int64)
    own = np.flatnonzero(whole)
    if len(own) < LEAST_NEIGHBOURS:
        return found
    value = rr[own]
    middle = _middle(value)
    if len(own) < ENOUGH:
        found[own[np.abs(value - middle) > DIFFERS * middle]] = ARTEFACT_FOUND
        return found
    linked = np.concatenate([[False], np.diff(own) == 1])
    step = np.where(linked, np.diff(value, prepend=value[:1]), 0.0)
    off = value - middle
    off = np.where(off < 0, 2 * off, off)
    floor = FLOOR * np.median(value)
    limits = _limit(np.abs(off), np.ones(len(off), np.bool_), floor)
    follows = np.concatenate([linked[1:], [False]])
    scaled = step / _limit(np.abs(step), linked, floor)
    ectopic, artefact = _classes(scaled, off / limits, linked)
    ectopic |= (_abrupt(value, step, middle, linked) | _at_edge(scaled, off, linked, follows)) & ~artefact
    # Two halves of one usual interval: an extra beat, of which the first half alone may have been found.
    pair = np.abs(value + np.concatenate([value[1:], [np.nan]]) - middle) < limits
    second = np.concatenate([[False], (artefact & pair & follows)[:-1]])
    found[own[artefact | second]] = ARTEFACT_FOUND
    found[own[ectopic]] = ECTOPIC_FOUND
    return found


def _classes(step: Floats, off: Floats, linked: Bools) -> tuple[Bools, Bools]:
    """Ectopic and artefact (n,) from scaled differences (n,) and scaled distances (n,) from the median."""
    later = [np.concatenate([step[ahead:], np.zeros(ahead)]) for ahead in (1, 2)]
    joined = np.concatenate([linked[1:], [False]])
    later[0] = np.where(joined, later[0], 0.0)
    later[1] = np.where(joined & np.concatenate([joined[1:], [False]]), later[1], 0.0)
    earlier = np.concatenate([[0.0], step[:-1]])
    rise, fall = step > 1, step < -1
    # Short-long or long-short around one beat: both of its intervals are its own.
    turn = (rise & (np.maximum(earlier, later[0]) < -SLOPE * step - OFFSET)) | (
        fall & (np.minimum(earlier, later[0]) > -SLOPE * step + OFFSET)
    )
    ectopic = turn | (np.concatenate([turn[1:], [False]]) & joined)
    wrong = (rise & (np.minimum(*later) < -1)) | (fall & (np.maximum(*later) > 1)) | (np.abs(off) > 3)
    return ectopic, wrong & ~ectopic


def _at_edge(step: Floats, off: Floats, linked: Bools, follows: Bools) -> Bools:
    """An interval (n,) whose neighbour on one side is not known, where the step (n,) to the other one is too
    large and it is the farther off the median of the two: its other half would have shown that it is one of a
    pair::

        whole     N  N  S  L  N        S short, L long: an early beat and its pause
        seen      N  N  S  x  N        S stands at an edge; no turn can show
    """
    size = np.abs(off)
    first = ~linked & follows & _next(np.abs(step) > 1, False) & (size > _next(size, np.inf))
    last = linked & ~follows & (np.abs(step) > 1) & (size > np.concatenate([[np.inf], size[:-1]]))
    return np.asarray(first | last, np.bool_)


def _next(of: Any, end: Any) -> Any:
    return np.concatenate([of[1:], [end]])


def _abrupt(value: Floats, step: Floats, middle: Floats, linked: Bools) -> Bools:
    """Off the median by more than 20 % and at once (Malik's rule, held against the median as well): where
    ectopic beats are frequent the quartiles hold them for usual. A slow sway stays normal.
    """
    joined = np.concatenate([linked[1:], [False]])
    leap = np.maximum(np.abs(step), np.where(joined, np.abs(np.concatenate([step[1:], [0.0]])), 0.0))
    leap = np.where(linked | joined, leap, np.inf)
    return np.asarray((np.abs(value - middle) > DIFFERS * middle) & (leap > DIFFERS * middle), np.bool_)


def _limit(size: Floats, of: Bools, floor: float) -> Floats:
    """5.2 times the quartile deviation (n,) of the 91 values around, taken ``of`` some."""
    if not of.any():
        return np.full(len(size), np.inf)
    own = size[of]
    width = min(AROUND, len(own))
    upper, lower = (percentile_filter(own, share, size=width, mode="reflect") for share in (75, 25))
    limit = ALPHA * (upper - lower) / 2
    if len(own) < len(size):
        at = np.arange(len(size))
        limit = np.interp(at, at[of], limit)
    return np.maximum(limit, floor)


def _middle(value: Floats) -> Floats:
    """Median (n,) of the 11 values around each, of fewer at the ends."""
    half = NEIGHBOURS // 2
    middle = np.asarray(median_filter(value, NEIGHBOURS, mode="nearest"), np.float64)
    for at in {*range(min(half, len(value))), *range(max(len(value) - half, 0), len(value))}:
        middle[at] = np.median(value[max(at - half, 0) : at + half + 1])
    return middle


def local_median(rr: Floats, steady: Bools) -> Floats:
    """Median (b,) of the 11 ``steady`` intervals around each interval; NaN where there are fewer than 3."""
    own = np.flatnonzero(steady)
    if len(own) < LEAST_NEIGHBOURS:
        return np.full(len(rr), np.nan)
    before: Ints = np.cumsum(steady) - steady
    return _middle(rr[own])[np.minimum(before, len(own) - 1)]
