"""Clocks of nodes and hub: a crystal with an offset and a temperature, from true time to ticks and back.

A tuning-fork crystal's rate falls with the square of the distance from its turnover at 25 degC,
by 0.034 ppm/K^2 (from memory; data sheets state 0.030 to 0.035, plus or minus 0.010).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.integrate import cumulative_trapezoid

from nodeday.core.arrays import Floats

CURVE_PPM_PER_K2 = -0.034
TURNOVER_C = 25.0
STEP_S = 5.0
MARGIN_S = 60.0


def temperature_c(
    seconds: Floats, start_c: float, worn_c: float, settle_s: float, swing_c: float, swing_s: float
) -> Floats:
    """Return the temperature (n,), degC, of a node put on at second 0, which settles and then swings."""
    since = np.maximum(seconds, 0.0)
    settled = 1.0 - np.exp(-since / settle_s)
    return start_c + (worn_c - start_c + swing_c * np.sin(2 * np.pi * since / swing_s)) * settled


def temperature_at(
    seconds: Floats, start_c: float, moves: tuple[tuple[float, float], ...], settle_s: float
) -> Floats:
    """Return the temperature (n,), degC, of a node that is moved between warm and cold surroundings.

    ``moves`` are (second, degC), in order. The node approaches each temperature exponentially, or
    takes it at once if ``settle_s`` is 0.
    """
    out = np.full(seconds.shape, start_c)
    for at, celsius in moves:
        since = np.maximum(seconds - at, 0.0)
        left = np.exp(-since / settle_s) if settle_s else 0.0
        now = np.interp(at, seconds, out)
        out = np.where(seconds >= at, celsius + (now - celsius) * left, out)
    return out


def skew_ppm(temperature: Floats, ppm: float) -> Floats:
    """Return the skew (n,) in ppm (positive: fast) of a crystal at each temperature in degC."""
    return ppm + CURVE_PPM_PER_K2 * (temperature - TURNOVER_C) ** 2


@dataclass(frozen=True)
class CrystalClock:
    """Piecewise straight map between true seconds since the session's start and a clock's seconds.

    ``true_s`` and ``clock_s`` (k,) are its knots; ``skew_ppm`` is the mean skew over the session.
    """

    true_s: Floats
    clock_s: Floats
    skew_ppm: float

    def to_clock(self, true_s: ArrayLike) -> Floats:
        """Return the clock's seconds at true seconds."""
        return np.asarray(np.interp(np.asarray(true_s, np.float64), self.true_s, self.clock_s))

    def to_true(self, clock_s: ArrayLike) -> Floats:
        """Return true seconds at the clock's seconds; the inverse of :meth:`to_clock`."""
        return np.asarray(np.interp(np.asarray(clock_s, np.float64), self.clock_s, self.true_s))


def clock(
    ppm: float,
    seconds: float,
    profile: tuple[float, float, float, float, float],
    moves: tuple[tuple[float, float], ...] = (),
) -> CrystalClock:
    """Return the clock of a crystal, ``ppm`` fast at 25 degC, over a session of ``seconds``.

    ``profile`` holds the arguments of :func:`temperature_c` after its first. ``moves`` (second,
    degC) replace it from the first move on, and settle as fast. The map reaches a minute beyond
    the session on both sides, and rises throughout, since skews are far below 100 %.
    """
    true_s = np.arange(-MARGIN_S, seconds + MARGIN_S + STEP_S, STEP_S)
    celsius = temperature_c(true_s, *profile)
    if moves:
        first = float(np.interp(moves[0][0], true_s, celsius))
        celsius = np.where(true_s < moves[0][0], celsius, temperature_at(true_s, first, moves, profile[2]))
    skew = skew_ppm(celsius, ppm) * 1e-6
    clock_s = true_s + cumulative_trapezoid(skew, true_s, initial=0)
    clock_s = clock_s - np.interp(0.0, true_s, clock_s)
    mean = (np.interp(seconds, true_s, clock_s) / seconds - 1.0) * 1e6
    return CrystalClock(true_s, clock_s, float(mean))
