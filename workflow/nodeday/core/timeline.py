"""Ticks to UTC and back along the knots of table ``clock``, in whole nanoseconds.

The knots of one boot are joined by straight lines; the first and last line go on past the ends::

    utc_ns |              x
           |        x  .'
           |      .'
           |  x.'            x is a knot; ticks before the first and
           |.'               after the last knot lie on the same lines
           +--------------- ticks
"""

from __future__ import annotations

import numpy as np

from nodeday.core.arrays import Ints, groups

Knots = tuple[Ints, Ints]
"""Ticks and UTC in ns of the knots of one boot, (k,) each."""


def knots_by_boot(boot: Ints, ticks: Ints, utc_ns: Ints) -> dict[int, Knots]:
    """Return the knots of each boot that has two or more, from those of all boots (n,)."""
    return {number: (ticks[at], utc_ns[at]) for number, at in groups(boot).items() if len(at) > 1}


def ticks_to_utc(ticks: Ints, knot_ticks: Ints, knot_utc_ns: Ints) -> Ints:
    """Return UTC of ``ticks``, (n,) -> (n,) in ns, rounded half up to the nanosecond, exactly.

    ``knot_ticks`` and ``knot_utc_ns`` are of shape (k,), both strictly increasing, k >= 2; else
    raises ValueError. Exact for knots and instants less than 50 days apart.
    """
    return _interpolate(ticks, knot_ticks, knot_utc_ns)


def invert(utc_ns: Ints, knot_ticks: Ints, knot_utc_ns: Ints) -> Ints:
    """Return the nearest tick of each instant, (n,) -> (n,): the reverse of :func:`ticks_to_utc`."""
    return _interpolate(utc_ns, knot_utc_ns, knot_ticks)


def _interpolate(at: Ints, knots: Ints, values: Ints) -> Ints:
    knots, values = np.asarray(knots, np.int64), np.asarray(values, np.int64)
    if len(knots) < 2 or len(knots) != len(values):
        raise ValueError(f"{len(knots)} and {len(values)} knots; a map needs two or more, in pairs")
    if (np.diff(knots) <= 0).any() or (np.diff(values) <= 0).any():
        raise ValueError("the knots of a map must strictly increase")
    at = np.asarray(at, np.int64)
    left = np.clip(np.searchsorted(knots, at, side="right") - 1, 0, len(knots) - 2)
    run, rise = np.diff(knots)[left], np.diff(values)[left]
    return values[left] + _rounded(at - knots[left], rise, run)


def _rounded(steps: Ints, rise: Ints, run: Ints) -> Ints:
    """Return ``steps * rise / run`` rounded half up, exactly, all of shape (n,).

    The product may need more than 64 bits. The float quotient is so near that its remainder is
    small, and the remainder is exact although both products wrap modulo 2**64.
    """
    near = np.rint(steps.astype(np.float64) * rise / run).astype(np.int64)
    over = steps * rise - near * run
    return near + (2 * over + run) // (2 * run)
