"""The hub's clock to UTC: from host marks, by whatever convention a host writes them, or by hand.

A mark is the host's UTC, rounded, read a little before or after the hub's stamp; that is rounded down::

    read after     mark = UTC at the stamp + delay + rounding + what the stamp lost: a lower edge
    read before    mark = UTC at the stamp - delay + rounding + what the stamp lost: an upper edge
"""

from __future__ import annotations

from dataclasses import replace
from typing import Literal

import numpy as np

from nodeday.core.arrays import Ints
from nodeday.layouts.parts import Rounding
from nodeday.stages.clock.maps import APART_NS, NOMINAL_PPM, RANKS, Map, fit_map, less_certain
from nodeday.stages.clock.rounding import Unit

Read = Literal["before", "after"]
IN_STEP_UNITS = 4
"""Marks that stray by fewer units from whole periods were sent in step with the hub's clock: the part
cut off may not have gone through the unit often. Choice of this project."""
BLURRED = 4.0
"""Whether marks keep step with UTC cannot be seen through stamps of the hub, unless their unit is 4 times
as long. Choice of this project."""
SKEWED, SKEW_MARKS = 2.5, 100
"""Of 100 marks or more, where the tail of residuals on one side is 2.5 times as long as on the other, delays
are on that side. Choices of this project: without delays, rounding gives equal tails."""
TAILS = (0.05, 0.5, 0.95)
BY_HAND_MS = 60_000.0
"""A start written by a person, on a watch, to the minute. Choice of this project."""


def fit_marks(
    hub_ns: Ints,
    utc_ns: Ints,
    hub_unit_ms: float,
    utc_unit_ms: float,
    rounding: Rounding | None = None,
    read: Read | None = None,
) -> Map:
    """Map of the hub's clock to UTC from host marks, (n,) each, n >= 1.

    ``rounding`` of marks to their unit, and whether the host ``read`` its clock before or after the hub's
    stamp. Of what is None the map takes the middle, and the band holds every convention. Where the hub
    sends its marks in step with its own clock, the same part is cut off each of its stamps and nobody
    can tell how much: then half a unit is given back, and half is added to the uncertainty. It shifts
    all nodes alike. So do marks that a host sends in step with UTC, by its own unit.
    """
    unit_ns = round(hub_unit_ms * 1e6)
    steady = in_step(hub_ns, unit_ns)
    also = 0.0 if steady else hub_unit_ms
    reads: tuple[Read, ...] = (read,) if read else ("after", "before")

    def between(unit_ms: float) -> Map:
        units = [Unit(unit_ms, rounding or "nearest", also, mirrored=one == "before") for one in reads]
        return _between([fit_map(hub_ns, utc_ns, 1e9, unit) for unit in units], hub_ns, utc_ns)

    found = between(utc_unit_ms)
    lost_ms, unknown_ms = 0.0, 0.0 if rounding else utc_unit_ms / 2
    if also and utc_unit_ms < BLURRED * hub_unit_ms and in_step(found(hub_ns) // unit_ns * unit_ns, unit_ns):
        found, unknown_ms = between(0.0), unknown_ms + utc_unit_ms / 2
        lost_ms = Unit(utc_unit_ms, rounding or "nearest").middle_ms
    if steady:
        lost_ms, unknown_ms = lost_ms + hub_unit_ms / 2, unknown_ms + hub_unit_ms / 2
    to = found.to - round(lost_ms * 1e6)
    return replace(found, to=to, uncertainty_ms=found.uncertainty_ms + unknown_ms)


def of_utc(steady_ns: Ints, utc_ns: Ints) -> Map:
    """Map of a hub whose stamps are UTC, (n,) each, n >= 1; ``steady_ns`` are without its own steps.

    Where its clock was moved, the stretch with the most marks is believed; nobody can tell whether it is the
    right one, and the band of the others holds the move.
    """
    moved_ns = utc_ns - steady_ns
    levels, count = np.unique(moved_ns, return_counts=True)
    shift_ns = levels[count.argmax()]
    at = np.array([steady_ns.min(), max(steady_ns.max(), steady_ns.min() + APART_NS)], np.int64)
    exact = Map(at, at + shift_ns, np.zeros(2), np.zeros(2), "fitted")
    return less_certain(exact, steady_ns, np.abs(moved_ns - shift_ns) / 1e6)


def _between(fits: list[Map], hub_ns: Ints, utc_ns: Ints) -> Map:
    """Return the only map, or that of the side on which delays clearly lie, or the middle of both."""
    if len(fits) == 1:
        return fits[0]
    after, before = fits
    low, middle, high = np.quantile((utc_ns - after(hub_ns)) / 1e6, TAILS)
    if len(hub_ns) >= SKEW_MARKS and after.status == before.status == "fitted":
        if high - middle > SKEWED * (middle - low):
            return after
        if middle - low > SKEWED * (high - middle):
            return before
    apart = before(after.at) - after.to
    to = after.to + apart // 2
    band_ms = np.maximum(after.uncertainty_ms, before.uncertainty(after.at)) + np.abs(apart) / 2e6
    status = min(after.status, before.status, key=RANKS.index)
    return Map(after.at, to, band_ms, after.residual_ms, status)


def in_step(hub_ns: Ints, unit_ns: int) -> bool:
    """Whether stamps (n,) of the hub follow each other in full periods of its own clock.

    Where their commonest step is taken out as often as it fits, hardly more than a unit is left.
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
