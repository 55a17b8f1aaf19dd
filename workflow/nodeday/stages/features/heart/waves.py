"""T waves and P waves among the candidates for a QRS complex: slower than their beat, and steady.

Each rule looks at pairs of candidates, of which one is likely a beat::

    T wave   comes within 360 ms after a beat and is less than half as steep (Pan and Tompkins 1985, from
             memory). It is no T wave if it is far steeper than the T waves of the beats around and has the
             energy of a beat too: an early wide beat.
    P wave   comes within 320 ms before a beat and is less steep; the beats around have such a wave at the
             same distance; and that distance is clearly less than half of the heart's period. Small beats
             that alternate with large ones lie half-way between those, and are no P waves.

All instants are in seconds and in order. The constants are choices of this project unless a source is named.
"""

from __future__ import annotations

import numpy as np
from scipy.ndimage import median_filter

from nodeday.core.arrays import Bools, Floats, Ints

T_WAVE_S, T_SLOPE = 0.36, 0.5
T_ODD, T_ENERGY = 3.0, 0.7
"""Three times as steep as the usual T wave, and at least 0.7 times the beat's height in the slow band."""
T_BEATS = 15
"""The usual T wave is the median over so many beats."""
PR_S, P_SLOPE = 0.32, 0.7
"""A PR interval is 120 to 200 ms, and up to 300 ms where conduction is slow (from memory)."""
PR_SHARE = 0.45
"""Of the heart's period: at half of it a small beat would stand between two large ones."""
P_BEATS, P_STEADY_S, P_RECURS = 8, 0.025, 0.5
"""Half of the eight beats before and the eight behind have a like wave at the same distance to 25 ms."""
NEAR = 3
"""Candidates are 100 ms apart: so many may lie in reach."""


def t_waves(at_s: Floats, slope: Floats, likely: Bools) -> Ints:
    """Count the ``likely`` beats (c,) whose T wave each candidate (c,) of steepness ``slope`` (c,) may be."""
    count = np.zeros(len(at_s), np.int64)
    for back in range(1, min(NEAR + 1, len(at_s))):
        count[back:] += _slow_after(at_s, slope, back) & likely[:-back]
    return count


def odd_t_waves(at_s: Floats, slope: Floats, wide: Floats, likely: Bools) -> Ints:
    """Count those of :func:`t_waves` that are no T waves: steep and large beside the usual ones.

    ``wide`` (c,) is the height of each candidate in the slow band.
    """
    count, usual = np.zeros(len(at_s), np.int64), _usual_t(at_s, slope, likely)
    for back in range(1, min(NEAR + 1, len(at_s))):
        after, beat = slice(back, None), slice(None, -back)
        odd = (slope[after] > T_ODD * usual[beat]) & (wide[after] > T_ENERGY * wide[beat])
        count[after] += _slow_after(at_s, slope, back) & likely[beat] & odd
    return count


def _slow_after(at_s: Floats, slope: Floats, back: int) -> Bools:
    """Return which candidates (c - back,) are close after the one ``back`` before, and slow beside it."""
    close = at_s[back:] - at_s[:-back] < T_WAVE_S
    return np.asarray(close & (slope[back:] < T_SLOPE * slope[:-back]), np.bool_)


def _usual_t(at_s: Floats, slope: Floats, likely: Bools) -> Floats:
    """Return the usual steepness (c,) of the T waves around, known at the ``likely`` beats (c,)."""
    steepest, beats = np.zeros(len(at_s)), np.flatnonzero(likely)
    if not len(beats):
        return steepest
    for back in range(1, min(NEAR + 1, len(at_s))):
        wave = np.where(_slow_after(at_s, slope, back), slope[back:], 0.0)
        np.maximum(steepest[:-back], wave, out=steepest[:-back])
    usual = np.zeros(len(at_s))
    usual[beats] = median_filter(steepest[beats], min(T_BEATS, len(beats)), mode="reflect")
    return usual


def p_waves(at_s: Floats, slope: Floats, likely: Bools) -> Bools:
    """Return which candidates (c,), of steepness ``slope``, are the P wave of a ``likely`` beat behind."""
    partner = np.full(len(at_s), -1)
    for ahead in range(min(NEAR, len(at_s) - 1), 0, -1):  # the nearest one is set last
        pair = (at_s[ahead:] - at_s[:-ahead] < PR_S) & (slope[:-ahead] < P_SLOPE * slope[ahead:])
        wave = np.flatnonzero(pair & likely[ahead:])
        partner[wave] = wave + ahead
    beats = np.flatnonzero(likely & (partner < 0))
    waves = np.flatnonzero(np.isin(partner, beats))
    found = np.zeros(len(at_s), np.bool_)
    if len(beats) > 2 and len(waves):
        number = np.searchsorted(beats, partner[waves])
        before_s = at_s[beats[number]] - at_s[waves]
        steady = _recurrence(at_s, slope, beats, number, before_s) >= P_RECURS
        found[waves] = steady & (before_s < PR_SHARE * _period(at_s[beats])[number])
    return found


def _period(beat_s: Floats) -> Floats:
    """Return the shorter of the intervals before and after each beat (b,)."""
    interval = np.concatenate([[np.inf], np.diff(beat_s), [np.inf]])
    return np.asarray(np.minimum(interval[:-1], interval[1:]), np.float64)


def _recurrence(at_s: Floats, slope: Floats, beats: Ints, number: Ints, before_s: Floats) -> Floats:
    """Return the share (w,) of the beats around that have a slow candidate so long before them as well.

    ``beats`` (b,) are indices of candidates; a wave stands ``before_s`` (w,) before beat ``number`` (w,).
    """
    alike, seen = np.zeros(len(number)), np.zeros(len(number))
    for step in (*range(-P_BEATS, 0), *range(1, P_BEATS + 1)):
        exists = (number + step >= 0) & (number + step < len(beats))
        beat = beats[np.clip(number + step, 0, len(beats) - 1)]
        at = at_s[beat] - before_s
        right = np.clip(np.searchsorted(at_s, at), 1, len(at_s) - 1)
        wave = np.where(at - at_s[right - 1] <= at_s[right] - at, right - 1, right)
        near = (np.abs(at_s[wave] - at) < P_STEADY_S) & (slope[wave] < P_SLOPE * slope[beat])
        alike += exists & near
        seen += exists
    return alike / np.maximum(seen, 1)
