"""Power of the heart period's bands, by the periodogram of Lomb and Scargle on the beats' own times.

Bands: Task Force of the ESC and NASPE 1996, from memory. No interval is made up for a lost one; what
is missing has no weight.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from nodeday.arrays import Bools, Floats, Ints
from nodeday.features.heart.rates import Series, counted

BANDS_HZ = {"vlf": (1 / 300, 0.04), "lf": (0.04, 0.15), "hf": (0.15, 0.4)}
STEPS = 2.0
"""Frequencies of the grid in each 1 / length."""


@dataclass(frozen=True)
class Basis:
    """What a window's intervals need for their spectrum whatever their weights: frequencies (f,), seconds
    (n,) from the window's middle, cosines and sines (n, f)."""

    frequency: Floats
    seconds: Floats
    cosine: Floats
    sine: Floats


def basis(seconds: Floats) -> Basis:
    """For intervals that end at ``seconds`` (n,), at least two, over as much time as they span."""
    length = float(seconds[-1] - seconds[0])
    low, high = BANDS_HZ["vlf"][0], BANDS_HZ["hf"][1]
    frequency = np.arange(low, high, 1 / (STEPS * length))
    centred = seconds - (seconds[0] + seconds[-1]) / 2
    angle = 2 * np.pi * centred[:, None] * frequency
    return Basis(frequency, centred, np.cos(angle), np.sin(angle))


def density(of: Basis, rr_ms: Floats, weights: Floats) -> Floats:
    """One-sided power density (k, f) in ms^2/Hz of the intervals ``rr_ms`` (n,), for each row of ``weights``
    (k, n), 0 or 1; a straight line is taken off first.

    P = (YC^2 SS + YS^2 CC - 2 YC YS CS) / (2 (CC SS - CS^2)), which is Lomb's periodogram
    without his shift of time (Lomb 1976, Scargle 1982); density = 2 P T / N, so that its
    integral is the variance.
    """
    value = _detrended(of.seconds, rr_ms, weights)
    c, s = of.cosine, of.sine
    yc, ys = value @ c, value @ s
    cc, cs = weights @ (c * c), weights @ (c * s)
    count = weights.sum(axis=1, keepdims=True)
    ss = count - cc
    whole = np.maximum(cc * ss - cs**2, 1e-9)
    power = (yc**2 * ss + ys**2 * cc - 2 * yc * ys * cs) / (2 * whole)
    length = (of.seconds[-1] - of.seconds[0]) * len(rr_ms) / (len(rr_ms) - 1)
    return np.asarray(2 * power * length / np.maximum(count, 1), np.float64)


def _detrended(seconds: Floats, rr_ms: Floats, weights: Floats) -> Floats:
    """Weighted intervals (k, n) without mean and slope, which are those of what has weight."""
    count = np.maximum(weights.sum(axis=1, keepdims=True), 1)
    at = weights @ seconds
    mean_t, mean_y = at[:, None] / count, (weights @ rr_ms)[:, None] / count
    square = (weights @ seconds**2)[:, None] - count * mean_t**2
    product = (weights @ (seconds * rr_ms))[:, None] - count * mean_t * mean_y
    slope = product / np.maximum(square, 1e-12)
    return np.asarray(weights * (rr_ms - mean_y - slope * (seconds - mean_t)), np.float64)


def band_powers(of: Basis, rr_ms: Floats, weights: Floats) -> dict[str, Floats]:
    """Absolute power (k,) in ms^2 of each band."""
    spectrum = density(of, rr_ms, weights)
    width = of.frequency[1] - of.frequency[0]
    return {
        name: spectrum[:, (of.frequency >= low) & (of.frequency < high)].sum(axis=1) * width
        for name, (low, high) in BANDS_HZ.items()
    }


def window_powers(series: Series, starts_ns: Ints, ends_ns: Ints, worth: Bools) -> dict[str, Floats]:
    """Absolute power (w,) in ms^2 of each band in each window [start, end), NaN where it is not
    ``worth`` it."""
    low, high = series.within(starts_ns, ends_ns)
    use = counted(series.status)
    powers = {name: np.full(len(low), np.nan) for name in BANDS_HZ}
    for window in np.flatnonzero(worth):
        own = np.flatnonzero(use[low[window] : high[window]]) + low[window]
        of = basis((series.at_ns[own] - series.at_ns[own[0]]) / 1e9)
        found = band_powers(of, series.rr[own], np.ones((1, len(own))))
        for name, power in found.items():
            powers[name][window] = power[0]
    return powers
