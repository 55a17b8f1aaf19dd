"""Clocks of nodes and hub: a crystal with an offset and a temperature, true time to ticks and back.

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
    """Temperature (n,) of a node put on at second 0: settles exponentially, then swings slowly."""
    since = np.maximum(seconds, 0.0)
    settled = 1.0 - np.exp(-since / settle_s)
    return start_c + (worn_c - start_c + swing_c * np.sin(2 * np.pi * since / swing_s)) * settled


def temperature_at(
    seconds: Floats, start_c: float, moves: tuple[tuple[float, float], ...], settle_s: float
) -> Floats:
    """Temperature (n,) of a node that is taken from place to place: ``moves`` are (second, degC), in
    order; each is approached exponentially, or at once where ``settle_s`` is 0.
    """
    out = np.full(seconds.shape, start_c)
    for at, celsius in moves:
        since = np.maximum(seconds - at, 0.0)
        left = np.exp(-since / settle_s) if settle_s else 0.0
        now = np.interp(at, seconds, out)
        out = np.where(seconds >= at, celsius + (now - celsius) * left, out)
    return out


def skew_ppm(temperature: Floats, ppm: float) -> Floats:
    """How much faster than nominal (ppm) a crystal runs at each temperature, degC."""
    return ppm + CURVE_PPM_PER_K2 * (temperature - TURNOVER_C) ** 2


@dataclass(frozen=True)
class CrystalClock:
    """A clock as a piecewise straight map, both ways, between true seconds since the session's
    start and the clock's own seconds; ``skew_ppm`` is its mean over the session.
    """

    true_s: Floats
    own_s: Floats
    skew_ppm: float

    def own(self, true_s: ArrayLike) -> Floats:
        """The clock's seconds at true seconds."""
        return np.asarray(np.interp(np.asarray(true_s, np.float64), self.true_s, self.own_s))

    def true(self, own_s: ArrayLike) -> Floats:
        """True seconds at the clock's seconds; the reverse of :meth:`own`."""
        return np.asarray(np.interp(np.asarray(own_s, np.float64), self.own_s, self.true_s))


def clock(
    ppm: float,
    seconds: float,
    profile: tuple[float, float, float, float, float],
    moves: tuple[tuple[float, float], ...] = (),
) -> CrystalClock:
    """The clock of a crystal over a session of ``seconds``.

    ``profile`` is what :func:`temperature_c` takes after its first argument; ``moves`` (second, degC)
    hold from the first of them on, settling as fast. The map reaches a
    minute beyond the session on both sides. It rises throughout, since skews are far below 100 %.
    """
    true_s = np.arange(-MARGIN_S, seconds + MARGIN_S + STEP_S, STEP_S)
    celsius = temperature_c(true_s, *profile)
    if moves:
        first = float(np.interp(moves[0][0], true_s, celsius))
        celsius = np.where(true_s < moves[0][0], celsius, temperature_at(true_s, first, moves, profile[2]))
    skew = skew_ppm(celsius, ppm) * 1e-6
    own_s = true_s + cumulative_trapezoid(skew, true_s, initial=0)
    own_s = own_s - np.interp(0.0, true_s, own_s)
    mean = (np.interp(seconds, true_s, own_s) / seconds - 1.0) * 1e6
    return CrystalClock(true_s, own_s, float(mean))
