"""Checks of a bench: each figure compared with the plan's limit, and its outcome."""

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
    "cross_axis": "largest share of 1 g on one axis that another one shows, tilt of the positions included",
    "rest": "largest difference from 1 g that a node at rest reads, as sent",
    "rest_calibrated": "largest difference from 1 g that a node at rest reads, with the coefficients applied",
}
"""Every check of a record, in words."""


def at_most(check: str, value: float, unit: str, limit: float | None, of: str = "", note: str = "") -> Check:
    """Return a check whose figure may not be further from zero than ``limit``; NaN is not measured."""
    return _check(check, value, unit, limit, of, note, limit is None or abs(value) <= limit)


def at_least(check: str, value: float, unit: str, limit: float, of: str = "", note: str = "") -> Check:
    """Return a check whose figure may not be below ``limit``; NaN is not measured."""
    return _check(check, value, unit, limit, of, note, value >= limit)


def _check(check: str, value: float, unit: str, limit: float | None, of: str, note: str, good: bool) -> Check:
    """Return a check that passes if it is ``good``; NaN is not measured."""
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
    # Compared as measured, written to a digit that the instrument can support.
    rounded = float(f"{value:.5g}")
    return Check(check=check, of=of, value=rounded, unit=unit, limit=limit, outcome=outcome, note=note)


def missing(check: str, unit: str, limit: float, note: str, of: str = "") -> Check:
    """Return a check that the plan asks for and that could not be measured."""
    return at_most(check, float("nan"), unit, limit, of, note)


def acceleration(
    rests: Iterable[Rest], limits: BenchLimits, temperature_c: float | None
) -> tuple[list[Check], Acceleration | None]:
    """Return the checks and coefficients of an accelerometer from what it read in its positions.

    Without all six, at rest and as planned, there are no coefficients and the notes of the checks say why.
    """
    all_rests = list(rests)
    six = {rest.up: rest for rest in all_rests if rest.up}
    if problem := _problem(all_rests):
        asked = {
            "offset": ("mg", limits.max_offset_mg),
            "gain_error": ("1", limits.max_gain_error),
            "noise": ("mg", limits.max_noise_mg),
            "cross_axis": ("1", limits.max_cross_axis),
            "rest_calibrated": ("mg", limits.max_rest_error_mg),
        }
        return [missing(name, unit, limit, problem) for name, (unit, limit) in asked.items()], None
    coefficients = six_positions(*(np.stack([six[f"{sign}{axis}"].mean_g for axis in AXES]) for sign in "+-"))
    first, second, third = (_three(row) for row in coefficients.cross_axis)
    return _figures(coefficients, all_rests, limits), Acceleration(
        offset_g=_three(coefficients.offset_g),
        gain=_three(coefficients.gain),
        cross_axis=(first, second, third),
        temperature_c=temperature_c,
    )


def _problem(rests: list[Rest]) -> str:
    """Return why positions cannot give coefficients, in a sentence; empty where they can."""
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


def _figures(coefficients: SixPositions, rests: list[Rest], limits: BenchLimits) -> list[Check]:
    """Return the checks of an accelerometer that has ``coefficients``."""
    means = np.stack([rest.mean_g for rest in rests])
    noise = np.sqrt(np.mean(np.stack([rest.spread_mg for rest in rests]) ** 2, axis=0))
    # Directions that gave no coefficient are the honest check; without any, the six must do.
    other = np.array([rest.up is None for rest in rests])
    shown = means[other] if other.any() else means
    where = f"{int(other.sum())} further directions" if other.any() else "the six positions themselves"
    per_axis = [
        check
        for k, axis in enumerate(AXES)
        for check in (
            at_most("offset", 1000 * coefficients.offset_g[k], "mg", limits.max_offset_mg, axis),
            at_most("gain_error", coefficients.gain[k] - 1, "1", limits.max_gain_error, axis),
            at_most("noise", noise[k], "mg", limits.max_noise_mg, axis),
        )
    ]
    after = calibrated(shown, coefficients.offset_g, coefficients.gain)
    cross = float(np.abs(coefficients.cross_axis / coefficients.gain).max())
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
    """Return the value (n,) that is the furthest from zero."""
    return float(values[np.abs(values).argmax()])


def _three(values: np.ndarray) -> tuple[float, float, float]:
    """Return three values (3,), rounded for a record."""
    x, y, z = (round(float(value), 6) for value in values)
    return x, y, z
