r"""Spikes of a pacemaker: very narrow, high, in a row; taken out before beats are sought.

A pacing pulse lasts 0.1 to 2 ms (from memory); a converter's filter smears it over about three samples. It
rises and is gone within a few milliseconds and leaves the signal where it was, which no QRS does::

    spike    |          R and S   /\
         ____|____            ___/  \   ___      d: 8 ms, or two samples where these are longer
            d d                      \_/
         3 d   3 d

Apart from the samples nearer than d, all within 3 d lie near a straight line. Below 200 Hz nothing tells the
one from the other, and nothing is sought; nor is a spike seen that a filter below 100 Hz has widened. The
constants are choices of this project.
"""

from __future__ import annotations

import numpy as np
from scipy.ndimage import maximum_filter1d

from nodeday.core.arrays import Bools, Floats, Ints, Singles
from nodeday.stages.features.heart.candidates import highest_apart

LEAST_HZ = 200.0
NARROW_S, NARROW, AROUND = 0.008, 2, 3
"""The width d, and how many such widths are seen on either side."""
LEFT, LEFT_IN_ROW = 0.2, 0.6
"""Share of the spike's height that the signal around may be away from the line; among spikes like it."""
EQUAL = 0.9
"""A spike between two samples makes both of them high: either may be its top."""
LEAST_MV, CLEAR = 0.3, 10.0
"""A spike has 0.3 mV, and ten times the deviation of what noise makes of the same difference."""
NOISE_S = 2.0
"""That noise is a median over two seconds, the highest of three such in a row."""
TAIL_S, TAIL, RETURNED, STILL = 0.06, 0.2, 0.05, 0.05
"""The electrode discharges behind a spike: for 60 ms at most, by less than a fifth of the spike's height,
until the signal is back within a twentieth of it, and only where it was as still before. A paced QRS is
higher, or is not over so soon."""
LIKE, APART_S, NEXT = 2.0, 2.0, 4
"""Spikes in a row differ in height by less than a factor of two, are at most two seconds apart, and have at
most three others between them: two chambers may take turns, and one spike may be unclear."""


def spikes(value: Singles | Floats, rate_hz: float) -> Ints:
    """Return the samples (s,) that are the top of a spike, of an ECG ``value`` (n,) in mV, NaN where lost."""
    narrow = _width(rate_hz)
    far = AROUND * narrow
    if rate_hz < LEAST_HZ or len(value) < NOISE_S * rate_hz:
        return np.zeros(0, np.int64)
    middle = value[far:-far]
    before, after = (middle - value[far + step : len(value) - far + step] for step in (-narrow, narrow))
    noise = _noise(np.abs(before + after) / 2, round(NOISE_S * rate_hz))
    least = np.maximum(LEAST_MV, CLEAR * noise)
    high = (np.minimum(before, after) >= least) | (np.maximum(before, after) <= -least)
    at = np.flatnonzero(high) + far
    steps = np.arange(-far, far + 1)
    window = value[at[:, None] + steps]
    window = window - window[:, :1] - (window[:, -1:] - window[:, :1]) * ((steps + far) / (2 * far))
    away, height = np.abs(window), np.abs(window[:, far])
    top = height >= EQUAL * away.max(axis=1, initial=0.0)
    around = np.where(np.abs(steps) < narrow, 0.0, away).max(axis=1, initial=0.0)
    likely = top & (around < LEFT_IN_ROW * height)
    at, height, clear = at[likely], height[likely], (around < LEFT * height)[likely]
    once = highest_apart(at.astype(np.float64), height, narrow + 1)
    at, height, clear = at[once], height[once], clear[once]
    return np.asarray(at[clear | _in_row(at / rate_hz, height, clear)], np.int64)


def _in_row(at_s: Floats, height: Singles | Floats, clear: Bools) -> Bools:
    """Return which of the spikes (s,) have a ``clear`` one (s,) of like ``height`` (s,) close by."""
    found = np.zeros(len(at_s), np.bool_)
    for step in range(1, min(NEXT + 1, len(at_s))):
        low, high = np.sort([height[step:], height[:-step]], axis=0)
        pair = (at_s[step:] - at_s[:-step] <= APART_S) & (high < LIKE * low)
        found[step:] |= pair & clear[:-step]
        found[:-step] |= pair & clear[step:]
    return found


def _width(rate_hz: float) -> int:
    """Return d in samples."""
    return max(NARROW, round(NARROW_S * rate_hz))


def _noise(difference: Singles | Floats, width: int) -> Floats:
    """Return the usual ``difference`` (n,) around, as the deviation of normal noise."""
    count = -(-len(difference) // width)
    padded = np.full(count * width, np.nan, difference.dtype)
    padded[: len(difference)] = difference
    rows = np.where(np.isnan(padded), np.inf, padded).reshape(count, width)
    known = np.isfinite(rows).sum(axis=1)
    middle = np.sort(rows, axis=1)[np.arange(count), known // 2]
    usual = 1.4826 * maximum_filter1d(np.where(known > 0, middle, 0.0), 3)
    return np.asarray(np.repeat(usual, width)[: len(difference)], np.float64)


def without_spikes(value: Singles | Floats, at: Ints, rate_hz: float) -> Singles | Floats:
    """Return ``value`` (n,) with a straight line in place of the spikes ``at`` (s,) and their tails."""
    if not len(at):
        return value
    first = _width(rate_hz) + 1
    left, more = _tails(value, at, first + 1, round(TAIL_S * rate_hz))
    last = first + more
    smooth, steps, right = value.copy(), np.arange(-first, last.max() + 1), value[at + last + 1]
    share = (steps + first + 1) / (first + last + 2)[:, None]
    line = left[:, None] + (right - left)[:, None] * share
    within = steps <= last[:, None]
    smooth[(at[:, None] + steps)[within]] = line[within]
    return smooth


def _tails(value: Singles | Floats, at: Ints, start: int, end: int) -> tuple[Floats, Ints]:
    """Return the level before spikes ``at`` (s,), and by how many samples past ``start`` their tails last.

    No tail is seen where the signal moved before the spike, as within a QRS.
    """
    steps = np.arange(start, max(start, end) + 1)
    before, after = (
        value[np.clip(at[:, None] + side * steps, 0, len(value) - 1)].astype(np.float64) for side in (-1, 1)
    )
    level = np.median(before, axis=1, keepdims=True)
    height = np.maximum(np.abs(value[at, None] - level), LEAST_MV)
    before, after = (np.abs(part - level) / height for part in (before, after))
    low = np.logical_and.accumulate(after < TAIL, axis=1)  # False for a lost sample
    nearest = np.where(low, after, np.inf).argmin(axis=1)
    back = (low & (after < RETURNED))[np.arange(len(at)), nearest] & (before < STILL).all(axis=1)
    return np.where(back, level[:, 0], value[at - start]), np.where(back, nearest, 0)


def pacing(value: Singles | Floats, at: Ints, rate_hz: float) -> Ints:
    """Return those of the spikes ``at`` (s,) in ``value`` (n,) that stand in a row, as a pacemaker's do."""
    height = np.abs(value[at] - value[at - AROUND * _width(rate_hz)])
    return np.asarray(at[_in_row(at / rate_hz, height, np.ones(len(at), np.bool_))], np.int64)
