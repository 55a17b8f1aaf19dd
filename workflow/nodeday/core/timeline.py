"""Ticks to UTC and back along the knots of table ``clock``, in whole nanoseconds.

Knots of one boot, straight lines between them, the end lines going on past both ends::

    utc_ns |              x
           |        x  .'
           |      .'
           |  x.'            every x a knot; ticks before the first and
           |.'               after the last lie on the same lines
           +--------------- ticks
"""

from __future__ import annotations

import numpy as np

from nodeday.core.arrays import Ints


def ticks_to_utc(ticks: Ints, knot_ticks: Ints, knot_utc_ns: Ints) -> Ints:
    """UTC of ``ticks``, shape (n,) -> (n,) in ns, rounded half up to the nanosecond, exactly.

    ``knot_ticks`` and ``knot_utc_ns`` are of shape (k,), both strictly increasing, k >= 2; else
    ValueError. Exact for knots and instants less than 50 days apart.
    """
    return _along(ticks, knot_ticks, knot_utc_ns)


def invert(utc_ns: Ints, knot_ticks: Ints, knot_utc_ns: Ints) -> Ints:
    """Nearest tick of each instant, shape (n,) -> (n,); the reverse of :func:`ticks_to_utc`."""
    return _along(utc_ns, knot_utc_ns, knot_ticks)


def _along(at: Ints, knots: Ints, values: Ints) -> Ints:
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
    """``steps * rise / run`` rounded half up, exactly, all of shape (n,).

    The product may need more than 64 bits. A float quotient is near enough that what it leaves
    over is small, and that remainder is right although both products wrap modulo 2**64.
    """
    near = np.rint(steps.astype(np.float64) * rise / run).astype(np.int64)
    over = steps * rise - near * run
    return near + (2 * over + run) // (2 * run)
