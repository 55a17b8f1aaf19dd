"""Peers of the clock's fit for :mod:`clock`: curves through the same stamps by methods of others."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from scipy import stats
from scipy.interpolate import PchipInterpolator

from nodeday.core.arrays import Floats
from nodeday.stages.clock.hull import edge_line
from nodeday.stages.simulate.stamps import HUB_START_NS, TICK_HZ, StampedDay

Curve = Callable[[Floats], Floats]
DELAY_MS = 3.0


def least_squares(x: Floats, y: Floats, _: float) -> Curve:
    return np.poly1d(np.polyfit(x, y, 1))


def theil_sen(x: Floats, y: Floats, _: float) -> Curve:
    some = np.linspace(0, len(x) - 1, 1500).astype(np.int64)
    slope, base, *_ = stats.theilslopes(y[some], x[some])
    return np.poly1d([slope, base])


def hull_line(x: Floats, y: Floats, unit_ms: float) -> Curve:
    base, slope = edge_line(x, y)
    return np.poly1d([slope, base + unit_ms])


def bin_minima(x: Floats, y: Floats, unit_ms: float) -> Curve:
    """Least distance from the hull line in each 5 minutes, joined by a monotone cubic (PCHIP)."""
    line = hull_line(x, y, unit_ms)
    rest = y + unit_ms - line(x)
    number = (x // 300).astype(np.int64)
    start = np.concatenate([[0], np.flatnonzero(np.diff(number)) + 1])
    middle, low = np.add.reduceat(x, start) / np.diff(start, append=len(x)), np.minimum.reduceat(rest, start)
    curve = PchipInterpolator(middle, low)
    return lambda at: line(at) + curve(np.clip(at, middle[0], middle[-1]))


PEERS: dict[str, Callable[[Floats, Floats, float], Curve]] = {
    "least squares": least_squares,
    "Theil-Sen": theil_sen,
    "one hull line": hull_line,
    "bin minima": bin_minima,
}


def peer_errors(own: StampedDay, fit: Callable[[Floats, Floats, float], Curve], unit_ms: float) -> Floats:
    """Errors (ms) of a peer's curve for each boot, at every frame sent."""
    out = np.empty(len(own.ticks))
    for boot in np.unique(own.boot).tolist():
        mine = own.boot == boot
        got = mine & own.delivered
        x, stamp = own.ticks[got] / TICK_HZ, (own.stamp_ns[got] - HUB_START_NS) / 1e6
        at = own.ticks[mine] / TICK_HZ
        found = fit(x, stamp - x * 1e3, unit_ms)(at) - DELAY_MS + at * 1e3
        out[mine] = found - (own.true_ns[mine] - HUB_START_NS) / 1e6
    return out
