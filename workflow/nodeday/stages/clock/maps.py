"""From stamps to maps: node ticks to hub time, hub time to UTC, and both in one.

Times are whole nanoseconds; fits run on seconds and milliseconds since the first stamp, against
a clock of nominal rate, so that floats only ever hold small differences.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.ndimage import maximum_filter1d

from nodeday.core import timeline
from nodeday.core.arrays import Floats, Ints
from nodeday.stages.clock import by_stamps
from nodeday.stages.clock.edge import WANDER_PPM, fit_edge, lows, stretches
from nodeday.stages.clock.hull import edge_line
from nodeday.stages.clock.rounding import Unit

FIT_POINTS, FIT_S = 30, 60.0
"""With fewer stamps, or over less time, a rate is not fitted but taken as nominal."""
NOMINAL_PPM = 100.0
"""How far a crystal that was not measured may be off; twice the usual 50 ppm. Choice of this project."""
NOMINAL_DELAY_MS = 20.0
"""Delay that a stamp without company may hide. Choice of this project."""
COARSE_STRETCHES = 20
"""A line that is no edge is held against the least stamps of as many stretches. Choice of this project."""
APART_NS = 1_000_000_000
"""Knots of the hub nearer than this to a node's own are left out of the joined map."""


@dataclass(frozen=True)
class Map:
    """Knots of a map from one counter to another, arrays of shape (k,), k >= 2."""

    at: Ints
    to: Ints
    uncertainty_ms: Floats
    residual_ms: Floats
    status: str

    def __call__(self, at: Ints) -> Ints:
        return timeline.ticks_to_utc(at, self.at, self.to)

    def uncertainty(self, at: Ints) -> Floats:
        """Half width of the 95 % band (ms) at ``at``, (n,); it grows outside the knots."""
        inside = np.interp(at - self.at[0], self.at - self.at[0], self.uncertainty_ms)
        to, ends = self(at), self.to[[0, -1]]
        beyond_s = (np.maximum(ends[0] - to, 0) + np.maximum(to - ends[1], 0)) / 1e9
        per_s = 2 * WANDER_PPM if self.status == "fitted" else NOMINAL_PPM
        return np.asarray(inside + per_s * 1e-3 * beyond_s, np.float64)


def fit_map(
    at: Ints, stamp_ns: Ints, rate_hz: float, unit: Unit, delay_ms: float = 0.0, counted: bool = False
) -> Map:
    """Map from a counter ``at`` of nominal ``rate_hz`` to the clock of ``stamp_ns``, (n,) each, n >= 1.

    Stamps are the truth, plus at least ``delay_ms``, rounded to ``unit``; of a mirrored unit less as much.
    A counter may be no clock but the number of a frame (``counted``). The status says what was possible.
    """
    at, stamp_ns = np.asarray(at, np.int64), np.asarray(stamp_ns, np.int64)
    if (at[1:] < at[:-1]).any():
        order = np.argsort(at, kind="stable")
        at, stamp_ns = at[order], stamp_ns[order]
    if counted and not by_stamps.keeps_pace(at, stamp_ns, rate_hz, unit.ms):
        wait_ns = round((delay_ms + unit.middle_ms) * 1e6)
        knots, to, band_ms, late_ms = by_stamps.follow(at, stamp_ns - wait_ns, NOMINAL_DELAY_MS + unit.ms)
        return Map(knots, to, band_ms, late_ms, "by_stamps")
    if len(at) < FIT_POINTS or (at[-1] - at[0]) / rate_hz < FIT_S:
        return _nominal(at, stamp_ns, rate_hz, unit, delay_ms)
    for fit in (_fitted, _coarse):
        try:
            found = fit(at, stamp_ns, rate_hz, unit, delay_ms)
        except ValueError:  # no edge under these stamps: say so rather than guess
            continue
        if (np.diff(found.to) > 0).all() and np.isfinite(found.uncertainty_ms).all():
            return found
    return _nominal(at, stamp_ns, rate_hz, unit, delay_ms)


def _fitted(at: Ints, stamp_ns: Ints, rate_hz: float, unit: Unit, delay_ms: float) -> Map:
    x, y = points(at, stamp_ns, rate_hz)
    edge = fit_edge(x, -y if unit.mirrored else y, replace(unit, ticks_ms=1e3 / rate_hz))
    since, first = np.unique(np.rint(edge.x * rate_hz).astype(np.int64), return_index=True)
    y_ms = np.interp(since / rate_hz, edge.x, -edge.y if unit.mirrored else edge.y)
    to = stamp_ns[0] + np.rint(since * (1e9 / rate_hz) + (y_ms - delay_ms) * 1e6).astype(np.int64)
    return Map(at[0] + since, to, edge.uncertainty[first], edge.residual[first], "fitted")


def _coarse(at: Ints, stamp_ns: Ints, rate_hz: float, unit: Unit, delay_ms: float) -> Map:
    """One line under all stamps; the band holds how far the least of each stretch lie above it."""
    x, y = points(at, stamp_ns, rate_hz)
    sign = -1.0 if unit.mirrored else 1.0
    base, slope = edge_line(x, sign * y)
    above = sign * y - base - slope * x
    off = float(lows(x, above, stretches(x, x[-1] / COARSE_STRETCHES), 0.0)[1].max())
    ends = at[[0, -1]]
    since_s = (ends - at[0]) / rate_hz
    y_ms = sign * (base + slope * since_s) - unit.middle_ms - delay_ms
    to = stamp_ns[0] + np.rint(since_s * 1e9 + y_ms * 1e6).astype(np.int64)
    wide = unit.ms / 2 + max(NOMINAL_DELAY_MS, off)
    return Map(ends, to, np.full(2, wide), np.full(2, float(np.median(above))), "coarse")


def points(at: Ints, stamp_ns: Ints, rate_hz: float) -> tuple[Floats, Floats]:
    """Seconds on a counter of nominal rate, and by how many ms stamps went further, (n,) each."""
    x = (at - at[0]) / rate_hz
    y = (stamp_ns - stamp_ns[0]) / 1e6
    y -= x * 1e3
    return x, y


def _nominal(at: Ints, stamp_ns: Ints, rate_hz: float, unit: Unit, delay_ms: float) -> Map:
    _, y = points(at, stamp_ns, rate_hz)
    least = float(y.max() if unit.mirrored else y.min())
    ends = np.array([at[0], max(at[-1], at[0] + max(round(rate_hz), 1))], np.int64)
    since_s = (ends - at[0]) / rate_hz
    to = stamp_ns[0] + np.rint(since_s * 1e9 + (least - unit.middle_ms - delay_ms) * 1e6).astype(np.int64)
    drift_ms = NOMINAL_PPM * 1e-3 * float(since_s[-1])
    wide = unit.ms / 2 + drift_ms + max(NOMINAL_DELAY_MS, float(np.ptp(y)))
    residual = abs(float(np.median(y)) - least)
    return Map(ends, to, np.full(2, wide), np.full(2, residual), "nominal_rate")


def join(node: Map, hub: Map) -> Map:
    """Node counter to UTC through hub time; knots of both, uncertainties as independent ones."""
    inner = hub.at[(hub.at > node.to[0]) & (hub.at < node.to[-1])]
    right = np.clip(np.searchsorted(node.to, inner), 1, len(node.to) - 1)
    near = np.minimum(np.abs(inner - node.to[right - 1]), np.abs(inner - node.to[right])) < APART_NS
    at = np.union1d(node.at, timeline.invert(inner[~near], node.at, node.to))
    hub_ns = node(at)
    spread = np.hypot(node.uncertainty(at), hub.uncertainty(hub_ns))
    residual = np.interp(at - at[0], node.at - at[0], node.residual_ms)
    status = min(node.status, hub.status, key=RANKS.index)
    return Map(at, hub(hub_ns), spread, residual, status)


def less_certain(found: Map, at: Ints, more_ms: Floats) -> Map:
    """Map with a band that is wider by ``more_ms`` (n,) around the points ``at`` (n,).

    Between two points where that changes, the band has the greater of both: nobody knows where it changed.
    """
    if not more_ms.any():
        return found
    order = np.argsort(at, kind="stable")
    at, more_ms = at[order], maximum_filter1d(more_ms[order], 3, mode="nearest")
    change = np.flatnonzero(np.diff(more_ms))
    knots = np.union1d(found.at, at[np.concatenate([change, change + 1])])
    since = knots - at[0]
    residual = np.interp(since, found.at - at[0], found.residual_ms)
    band = found.uncertainty(knots) + np.interp(since, at - at[0], more_ms)
    return Map(knots, found(knots), band, residual, found.status)


RANKS = ("start_by_hand", "by_stamps", "nominal_rate", "coarse", "fitted")
"""Statuses from the least certain on: a map of several parts has that of the worst."""


def in_order(found: list[Map]) -> Map:
    """Maps of one counter, one after the other; a knot that another map has passed is left out."""
    if len(found) == 1:
        return found[0]
    found = sorted(found, key=lambda each: int(each.at[0]))
    at, to, uncertainty, residual = (
        np.concatenate([getattr(each, name) for each in found])
        for name in ("at", "to", "uncertainty_ms", "residual_ms")
    )
    keep = np.ones(len(at), bool)
    for values in (at, to):
        keep[1:] &= values[1:] > np.maximum.accumulate(values)[:-1]
    status = min((each.status for each in found), key=RANKS.index)
    return Map(at[keep], to[keep], uncertainty[keep], residual[keep], status)


def skew_ppm(ticks: Ints, utc_ns: Ints, rate_hz: float) -> Floats:
    """How much faster than ``rate_hz`` the counter runs around each knot, (k,)."""
    left, right = (
        np.maximum(np.arange(len(ticks)) - 1, 0),
        np.minimum(np.arange(len(ticks)) + 1, len(ticks) - 1),
    )
    nominal_ns = (ticks[right] - ticks[left]) * (1e9 / rate_hz)
    return np.asarray((nominal_ns / (utc_ns[right] - utc_ns[left]) - 1.0) * 1e6, np.float64)


def offset_ms(ticks: Ints, utc_ns: Ints, rate_hz: float) -> Floats:
    """The map minus a crystal of nominal rate that starts with the first knot, (k,)."""
    nominal_ns = (ticks - ticks[0]) * (1e9 / rate_hz)
    return np.asarray(((utc_ns - utc_ns[0]) - nominal_ns) / 1e6, np.float64)
