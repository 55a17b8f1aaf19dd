"""Figures of the bench held against the plan's limits, each with its outcome."""

from __future__ import annotations

import math
from collections.abc import Iterable

import numpy as np

from nodeday.config.bench_plan import UPS, BenchLimits
from nodeday.config.device_records import Acceleration, Check, CheckOutcome, calibrated
from nodeday.stages.devices.positions import STILL_MG, Rest, SixPositions, from_1_g_mg, reads, six_positions

AXES = "xyz"
MEANING = {
    "delivery": "share of the stream's frames that arrived",
    "skew": "how much faster than nominal the node's crystal runs",
    "rate_error": "heart rate found minus the simulator's",
    "noise": "RMS of the noise",
    "mains": "RMS of the mains pick-up",
    "clipped": "share of samples at a rail of the converter",
    "offset": "reading of an axis without acceleration on it",
    "gain_error": "reading per g, minus one",
    "cross_axis": "most that an axis shows of 1 g on another, tilt of the positions included",
    "rest": "most that a node at rest reads beside 1 g, as sent",
    "rest_calibrated": "the same with the coefficients applied",
}
"""Every check of a record, in words."""


def at_most(check: str, value: float, unit: str, limit: float | None, of: str = "", note: str = "") -> Check:
    """A check whose figure may not be further from zero than ``limit``; NaN is not measured."""
    return _check(check, value, unit, limit, of, note, limit is None or abs(value) <= limit)


def at_least(check: str, value: float, unit: str, limit: float, of: str = "", note: str = "") -> Check:
    """A check whose figure may not be below ``limit``; NaN is not measured."""
    return _check(check, value, unit, limit, of, note, value >= limit)


def _check(check: str, value: float, unit: str, limit: float | None, of: str, note: str, good: bool) -> Check:
    if math.isnan(value):
        return Check(
            check=check,
            of=of,
            value=None,
            unit=unit,
            limit=limit,
            outcome="not_measured",
            note=note or "nothing to measure it on",
        )
    outcome: CheckOutcome = "pass" if good else "fail"
    # Judged as measured, written to a digit that the instrument can bear out.
    rounded = float(f"{value:.5g}")
    return Check(check=check, of=of, value=rounded, unit=unit, limit=limit, outcome=outcome, note=note)


def missing(check: str, unit: str, limit: float, note: str, of: str = "") -> Check:
    """A check that the plan asks for and that could not be measured."""
    return at_most(check, float("nan"), unit, limit, of, note)


def acceleration(
    rests: Iterable[Rest], limits: BenchLimits, temperature_c: float | None
) -> tuple[list[Check], Acceleration | None]:
    """Checks and coefficients of an accelerometer from what it read in its positions.

    Without all six, at rest and as planned, there are no coefficients and the checks say why.
    """
    all_rests = list(rests)
    six = {rest.up: rest for rest in all_rests if rest.up}
    if trouble := _trouble(all_rests):
        asked = {
            "offset": ("mg", limits.max_offset_mg),
            "gain_error": ("1", limits.max_gain_error),
            "noise": ("mg", limits.max_noise_mg),
            "cross_axis": ("1", limits.max_cross_axis),
            "rest_calibrated": ("mg", limits.max_rest_error_mg),
        }
        return [missing(name, unit, limit, trouble) for name, (unit, limit) in asked.items()], None
    found = six_positions(*(np.stack([six[f"{sign}{axis}"].mean_g for axis in AXES]) for sign in "+-"))
    return _figures(found, all_rests, limits), Acceleration(
        offset_g=_three(found.offset_g),
        gain=_three(found.gain),
        cross_axis=(_three(found.cross_axis[0]), _three(found.cross_axis[1]), _three(found.cross_axis[2])),
        temperature_c=temperature_c,
    )


def _trouble(rests: list[Rest]) -> str:
    """Why positions cannot give coefficients, in a sentence; empty where they can."""
    for rest in rests:
        name = f"position {rest.up or 'without an axis'} at {rest.at_s:g} s"
        if not rest.samples:
            return f"nothing was received in {name}"
        if rest.spread_mg.max() >= STILL_MG:
            return f"the node moved in {name}: an axis spreads by {rest.spread_mg.max():.0f} mg"
        if rest.up and not reads(rest.mean_g, rest.up):
            read = ", ".join(f"{axis} {value:+.2f}" for axis, value in zip(AXES, rest.mean_g, strict=True))
            return f"{name} reads {read} g"
    return "" if {rest.up for rest in rests} >= set(UPS) else "the plan has no six positions"


def _figures(found: SixPositions, rests: list[Rest], limits: BenchLimits) -> list[Check]:
    means = np.stack([rest.mean_g for rest in rests])
    noise = np.sqrt(np.mean(np.stack([rest.spread_mg for rest in rests]) ** 2, axis=0))
    # Directions that gave no coefficient are the honest check; without any, the six must do.
    other = np.array([rest.up is None for rest in rests])
    shown = means[other] if other.any() else means
    where = f"{int(other.sum())} further directions" if other.any() else "the six positions themselves"
    per_axis = [
        check
        for at, axis in enumerate(AXES)
        for check in (
            at_most("offset", 1000 * found.offset_g[at], "mg", limits.max_offset_mg, axis),
            at_most("gain_error", found.gain[at] - 1, "1", limits.max_gain_error, axis),
            at_most("noise", noise[at], "mg", limits.max_noise_mg, axis),
        )
    ]
    after = calibrated(shown, found.offset_g, found.gain)
    cross = float(np.abs(found.cross_axis / found.gain).max())
    return [
        *per_axis,
        at_most("cross_axis", cross, "1", limits.max_cross_axis),
        at_most("rest", float(_furthest(from_1_g_mg(shown))), "mg", None, note=where),
        at_most(
            "rest_calibrated",
            float(_furthest(from_1_g_mg(after))),
            "mg",
            limits.max_rest_error_mg,
            note=where,
        ),
    ]


def _furthest(values: np.ndarray) -> float:
    return float(values[np.abs(values).argmax()])


def _three(values: np.ndarray) -> tuple[float, float, float]:
    x, y, z = (round(float(value), 6) for value in values)
    return x, y, z
