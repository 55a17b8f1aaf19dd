"""From stamps to maps: node ticks to hub time, hub time to UTC, and both in one.

Times are whole nanoseconds; fits run on seconds and milliseconds since the first stamp, against
a clock of nominal rate, so that floats only ever hold small differences.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from nodeday.core import timeline
from nodeday.core.arrays import Floats, Ints
from nodeday.stages.clock.edge import WANDER_PPM, fit_edge
from nodeday.stages.clock.rounding import Unit

IN_STEP_UNITS = 4
"""Marks that stray by fewer units from whole periods were sent in step with the hub's clock: the part
cut off may not have gone through the unit often. Choice of this project."""
FIT_POINTS, FIT_S = 30, 60.0
"""With fewer stamps, or over less time, a rate is not fitted but taken as nominal."""
NOMINAL_PPM = 100.0
"""How far a crystal that was not measured may be off; twice the usual 50 ppm. Choice of this project."""
NOMINAL_DELAY_MS = 20.0
"""Delay that a stamp without company may hide. Choice of this project."""
BY_HAND_MS = 60_000.0
"""A start written by a person, on a watch, to the minute. Choice of this project."""
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
        per_s = NOMINAL_PPM if self.status == "nominal_rate" else 2 * WANDER_PPM
        return np.asarray(inside + per_s * 1e-3 * beyond_s, np.float64)


def fit_map(at: Ints, stamp_ns: Ints, rate_hz: float, unit: Unit, delay_ms: float = 0.0) -> Map:
    """Map from a counter ``at`` of nominal ``rate_hz`` to the clock of ``stamp_ns``, (n,) each, n >= 1.

    Stamps are the truth, plus at least ``delay_ms``, rounded to ``unit``. Too few stamps for a
    rate give two knots at nominal rate.
    """
    at, stamp_ns = np.asarray(at, np.int64), np.asarray(stamp_ns, np.int64)
    if (at[1:] < at[:-1]).any():
        order = np.argsort(at, kind="stable")
        at, stamp_ns = at[order], stamp_ns[order]
    if len(at) < FIT_POINTS or (at[-1] - at[0]) / rate_hz < FIT_S:
        return _nominal(at, stamp_ns, rate_hz, unit, delay_ms)
    try:
        edge = fit_edge(*points(at, stamp_ns, rate_hz), unit)
    except ValueError:  # no edge under these stamps: say so rather than guess
        return _nominal(at, stamp_ns, rate_hz, unit, delay_ms)
    knots = at[0] + np.rint(edge.x * rate_hz).astype(np.int64)
    since_ns = (knots - at[0]) * (1e9 / rate_hz) + (edge.y - delay_ms) * 1e6
    to = stamp_ns[0] + np.rint(since_ns).astype(np.int64)
    return Map(knots, to, edge.uncertainty, edge.residual, "fitted")


def points(at: Ints, stamp_ns: Ints, rate_hz: float) -> tuple[Floats, Floats]:
    """Seconds on a counter of nominal rate, and by how many ms stamps went further, (n,) each."""
    x = (at - at[0]) / rate_hz
    y = (stamp_ns - stamp_ns[0]) / 1e6
    y -= x * 1e3
    return x, y


def _nominal(at: Ints, stamp_ns: Ints, rate_hz: float, unit: Unit, delay_ms: float) -> Map:
    _, y = points(at, stamp_ns, rate_hz)
    ends = np.array([at[0], max(at[-1], at[0] + round(rate_hz))], np.int64)
    since_s = (ends - at[0]) / rate_hz
    height_ms = float(y.min()) + (unit.ms / 2 if unit.down else -unit.ms / 2) - delay_ms
    to = stamp_ns[0] + np.rint(since_s * 1e9 + height_ms * 1e6).astype(np.int64)
    drift_ms = NOMINAL_PPM * 1e-3 * float(since_s[-1])
    wide = unit.ms / 2 + drift_ms + max(NOMINAL_DELAY_MS, float(np.ptp(y)))
    residual = float(np.median(y) - y.min())
    return Map(ends, to, np.full(2, wide), np.full(2, residual), "nominal_rate")


def fit_marks(hub_ns: Ints, utc_ns: Ints, hub_unit_ms: float, utc_unit_ms: float) -> Map:
    """Map of the hub's clock to UTC from host marks, (n,) each, n >= 1.

    A host is never early: its instants are rounded up, and the hub's stamps down, so that both
    roundings and every delay lie on one side. Where the hub sends its marks in step with its own
    clock, the same part is cut off each of its stamps and nobody can tell how much: then half a
    unit is given back, and half is added to the uncertainty. It shifts all nodes alike.
    """
    steady = in_step(hub_ns, round(hub_unit_ms * 1e6))
    fit = fit_map(hub_ns, utc_ns, 1e9, Unit(utc_unit_ms, down=False, also=0.0 if steady else hub_unit_ms))
    if not steady:
        return fit
    half_ms = hub_unit_ms / 2
    return replace(fit, to=fit.to - round(half_ms * 1e6), uncertainty_ms=fit.uncertainty_ms + half_ms)


def in_step(hub_ns: Ints, unit_ns: int) -> bool:
    """Whether stamps (n,) of the hub follow each other in whole periods of its own clock: leaving
    their commonest step out as often as it fits, hardly more than a unit is left.
    """
    steps = np.diff(hub_ns)
    if not len(steps):
        return True
    values, count = np.unique(steps, return_counts=True)
    period = max(int(values[count.argmax()]), 1)
    left = hub_ns - hub_ns[0]
    left = left - np.rint(left / period).astype(np.int64) * period
    return bool(
        np.ptp(np.sort(left)[len(left) // 20 : len(left) - len(left) // 20]) < IN_STEP_UNITS * unit_ns
    )


def by_hand(first_hub_ns: int, last_hub_ns: int, start_utc_ns: int) -> Map:
    """The hub's clock anchored by a written start of the session, at nominal rate."""
    at = np.array([first_hub_ns, max(last_hub_ns, first_hub_ns + APART_NS)], np.int64)
    to = start_utc_ns + at - at[0]
    drift_ms = NOMINAL_PPM * 1e-3 * (at - at[0]) / 1e9
    return Map(at, to, BY_HAND_MS + drift_ms, np.zeros(2), "start_by_hand")


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
    """The map with a band that is wider by ``more_ms`` (n,) around the points ``at`` (n,), and with knots
    where that changes, so that no band narrows before its place.
    """
    if not more_ms.any():
        return found
    order = np.argsort(at, kind="stable")
    at, more_ms = at[order], more_ms[order]
    change = np.flatnonzero(np.diff(more_ms))
    knots = np.union1d(found.at, at[np.concatenate([change, change + 1])])
    since = knots - at[0]
    residual = np.interp(since, found.at - at[0], found.residual_ms)
    band = found.uncertainty(knots) + np.interp(since, at - at[0], more_ms)
    return Map(knots, found(knots), band, residual, found.status)


RANKS = ("start_by_hand", "nominal_rate", "fitted")


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
