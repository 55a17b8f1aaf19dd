"""All nodes on one grid of UTC: straight lines between neighbours that are both there.

samples      a       b       (lost)      c
grid         .   v   .   -   .   -   .   .         v on the line from a to b, - missing
"""

from __future__ import annotations

from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from nodeday.schemas import codes

Ints = NDArray[np.int64]

SECOND = 1_000_000_000
MISSING = list(codes.ORIGIN).index("missing")
WEAKER = tuple(codes.ORIGIN)
"""Origins from the strongest to the weakest: of two, the one further back counts."""
NEIGHBOURS = 1.5
"""Two samples more than so many sample periods apart are no neighbours."""

if WEAKER != ("measured", "recovered", "interpolated", "missing"):
    raise ImportError("the codes of origin changed their order; nodeday.repair.align must follow")


def ratio(rate_hz: float) -> Fraction:
    """The rate as a ratio of whole numbers, so that grids of any session share their instants."""
    return Fraction(rate_hz).limit_denominator(10_000)


def grid_range(first_ns: int, last_ns: int, rate_hz: float) -> tuple[int, int]:
    """Half-open range of multiples k of the grid's period that lie in [first_ns, last_ns]."""
    rate = ratio(rate_hz)
    return -(-first_ns * rate // SECOND) if first_ns else 0, int(last_ns * rate // SECOND) + 1


def grid(k_from: int, k_to: int, rate_hz: float) -> Ints:
    """Instants of the multiples [k_from, k_to), ns since 1970, rounded down to whole ns.

    Exact in integers for up to 500 000 instants at once.
    """
    rate = ratio(rate_hz)
    whole, rest = divmod(k_from * SECOND * rate.denominator, rate.numerator)
    steps = np.arange(k_to - k_from, dtype=np.int64) * (SECOND * rate.denominator)
    return np.asarray(whole + (rest + steps) // rate.numerator, np.int64)


def on_grid(
    at_ns: Ints, utc_ns: Ints, value: NDArray[np.float32], origin: NDArray[np.int8], period_ns: float
) -> tuple[NDArray[np.float32], NDArray[np.int8]]:
    """Values and origins (g,) at instants ``at_ns`` (g,), from samples (n,) in order of time.

    ``origin`` is an index into ``codes.ORIGIN``. An instant that is a sample's own takes it as
    it is. NaN and missing where a neighbour is absent, missing, or not a neighbour.
    """
    if not len(utc_ns):
        return np.full(len(at_ns), np.nan, np.float32), np.full(len(at_ns), MISSING, np.int8)
    left = np.searchsorted(utc_ns, at_ns, side="right") - 1
    own = (left >= 0) & (utc_ns[left] == at_ns)
    right = np.where(own, left, left + 1)
    inside = (left >= 0) & (right < len(utc_ns))
    left, right = np.maximum(left, 0), np.minimum(right, len(utc_ns) - 1)
    apart = utc_ns[right] - utc_ns[left]
    there = inside & (apart <= NEIGHBOURS * period_ns)
    weaker = np.where(there, np.maximum(origin[left], origin[right]), MISSING).astype(np.int8)
    before, after = value[left].astype(np.float64), value[right].astype(np.float64)
    share = (at_ns - utc_ns[left]) / np.maximum(apart, 1)
    line = before + (after - before) * np.where(there, share, 0.0)
    return np.where(weaker == MISSING, np.nan, line).astype(np.float32), weaker
