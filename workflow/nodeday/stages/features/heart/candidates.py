"""Candidates for a QRS complex, and how much speaks for each of them.

Three measures of height are taken of every candidate, each against the usual height of a beat and of what
is none around it: the energy in 2.5-12 Hz (wide beats), in 8-25 Hz (the usual ones), and the output in
12-40 Hz of a filter matched to the recording's own QRS (which electrode motion hardly reaches)::

    evidence = sum of weight * log(height / sqrt(beat's height * noise's height)), each term bounded

In a clean signal heights of beats and of T waves are far apart and the evidence is strong; in noise it is
weak by itself, and the rhythm decides (:func:`.rpeaks.likeliest`). The parts are those of published
detectors (adaptive signal and noise levels and the T wave's slope, Pan and Tompkins 1985; matched
filtering), put together by this project; the constants are its choice.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import maximum_filter1d, percentile_filter, uniform_filter1d

from nodeday.core.arrays import Bools, Floats, Ints
from nodeday.stages.features.heart.coarse import Coarse

WIDE_HZ, USUAL_HZ, SHARP_HZ = (2.5, 12.0), (8.0, 25.0), (12.0, 40.0)
WEIGHTS = (1.0, 1.2, 2.0)
"""Of the three measures, in that order."""
BOUND = 1.2
SHARP_LOW = -0.5
"""A smooth beat has nothing for the matched filter, which therefore hardly speaks against one."""
APART_S, AROUND_S, REFRACTORY_S = 0.1, 0.06, 0.2
LEAST_MV = 0.01
"""Energy (root mean square) below which there is only noise of a converter."""
BIN_S, BINS, OUTLIER = 1.5, 11, 5.0
"""The highest of each 1.5 s, median over 11, is about a beat's height; five times that is movement."""
BEATS, OTHERS = 9, 15
"""The usual heights are medians over so many neighbours in time."""
SHARE, ABOVE, FLOOR = 0.25, 2.5, 0.12
T_WAVE_S, T_SLOPE, T_COST = 0.36, 0.5, 3.0
"""Within 360 ms of a candidate and less than half as steep: a T wave (Pan and Tompkins 1985, from memory)."""
FAINTEST = 0.03
PRIOR = 0.3
"""Leans to beats: a missed one is worse than a false one, which the rules for intervals find."""
BLOCK, TEMPLATE_S, LIKENESS = 48, 0.07, 4


@dataclass(frozen=True)
class Candidates:
    """Maxima of the energy in order of time: ``place`` (c,) in the joined signal, ``at_s`` (c,) seconds
    on the
    recording's sample clock, ``stretch`` (c,), ``trusted`` (c,), the three measures ``heights`` (3, c) as far
    as they do not depend on a template, and ``slope`` (c,).
    """

    place: Ints
    at_s: Floats
    stretch: Ints
    trusted: Bools
    energy: Floats
    wide: Floats
    usual: Floats
    slope: Floats
    sharp: Floats
    """The joined signal (m,) in the band of the matched filter."""
    rate_hz: float

    def around(self, signal: Floats, seconds: float) -> Floats:
        """``signal`` (m,) within ``seconds`` of each candidate, (c, w)."""
        reach = round(seconds * self.rate_hz)
        return np.asarray(
            signal[np.clip(self.place[:, None] + np.arange(-reach, reach + 1), 0, len(signal) - 1)]
        )


def candidates(signal: Coarse, sample_rate_hz: float) -> Candidates:
    """Every maximum of the energy that is highest within 100 ms."""
    wide, usual = signal.band(*WIDE_HZ), signal.band(*USUAL_HZ)
    wide_power, usual_power = _power(wide, 0.12, signal.rate_hz), _power(usual, 0.10, signal.rate_hz)
    # Maxima of the geometric mean are those of the product: the root is taken at the candidates alone.
    joint = usual_power * usual_power
    joint *= wide_power
    uniform_filter1d(joint, 3, output=joint)
    product = np.where(signal.inside, joint, 0.0)
    top = maximum_filter1d(product, 2 * round(APART_S * signal.rate_hz) + 1)
    highest = (product == top) & (product > LEAST_MV**6)
    place = np.flatnonzero(highest)
    of = np.searchsorted(signal.place, place)
    reach = round(AROUND_S * signal.rate_hz)
    near = np.clip(place[:, None] + np.arange(-reach, reach + 1), 0, len(joint) - 1)
    at_s = np.asarray((signal.sample[of] + (signal.step - 1) / 2) / sample_rate_hz, np.float64)
    return Candidates(
        place,
        at_s,
        signal.stretch[of],
        signal.trusted[of],
        product[place] ** (1 / 6),
        np.sqrt(wide_power[near].max(axis=1, initial=0.0)),
        np.sqrt(usual_power[near].max(axis=1, initial=0.0)),
        np.abs(np.diff(usual[near], axis=1)).max(axis=1, initial=0.0),
        signal.band(*SHARP_HZ),
        signal.rate_hz,
    )


def _power(band: Floats, seconds: float, rate_hz: float) -> Floats:
    """Mean square (m,) within ``seconds``."""
    power = band * band
    uniform_filter1d(power, max(1, round(seconds * rate_hz)), output=power)
    return np.maximum(power, 0.0, out=power)  # a running sum may end a rounding error below zero


def first_choice(found: Candidates) -> tuple[Bools, Bools]:
    """Which candidates (c,) stand out by height alone, and which are fit (c,) to set a usual height."""
    bins = (found.at_s / BIN_S).astype(np.int64)
    first = np.flatnonzero(np.diff(bins, prepend=-1))
    highest = np.maximum.reduceat(np.where(found.trusted, found.energy, 0.0), first)
    seen = highest > 0
    if not seen.any():
        return np.zeros(len(bins), np.bool_), found.trusted
    usual = np.interp(found.at_s, found.at_s[first[seen]], rolling(highest[seen], BINS, 50))
    fit = found.trusted & (found.energy < OUTLIER * usual)
    beat, noise, busy = usual, np.zeros(len(bins)), np.full(len(bins), np.inf)
    chosen = fit
    for _ in range(3):
        limit = np.minimum(noise + SHARE * (beat - noise), np.maximum(ABOVE * busy, FLOOR * beat))
        high = np.flatnonzero(found.energy > limit)
        chosen = np.zeros(len(bins), np.bool_)
        chosen[high[apart(found.at_s[high], found.energy[high], REFRACTORY_S)]] = True
        chosen &= _follows(found, chosen) == 0
        beat, noise, busy = levels(found, found.energy, chosen, fit)
    return chosen, fit


def levels(found: Candidates, height: Floats, chosen: Bools, fit: Bools) -> tuple[Floats, Floats, Floats]:
    """Usual height (c,) of a beat, of what is none, and the upper fifth of the latter.

    Only candidates that are ``fit`` (c,), trusted and no outliers, count; ``height`` itself serves
    where no beat is.
    """
    of = np.flatnonzero(chosen & fit)
    if not len(of):
        return height, np.zeros(len(height)), np.zeros(len(height))
    beat = np.interp(found.at_s, found.at_s[of], rolling(height[of], BEATS, 50))
    every = np.flatnonzero(chosen)
    other = np.flatnonzero(~chosen & fit & (_distance(found.at_s, found.at_s[every]) > REFRACTORY_S))
    if len(other) < 4:
        return beat, np.zeros(len(height)), np.zeros(len(height))
    middle, upper = (
        np.interp(found.at_s, found.at_s[other], rolling(height[other], OTHERS, share)) for share in (50, 80)
    )
    return beat, middle, upper


def evidence(found: Candidates, chosen: Bools, fit: Bools) -> Floats:
    """How much speaks for each candidate (c,) being a beat, given the beats ``chosen`` so far."""
    total = np.zeros(len(found.place))
    heights = (found.wide, found.usual, _matched(found, chosen & fit))
    for height, weight, low in zip(heights, WEIGHTS, (-BOUND, -BOUND, SHARP_LOW), strict=True):
        beat, noise, _ = levels(found, height, chosen, fit)
        middle = np.sqrt(beat * np.maximum(noise, FAINTEST * beat))
        tall = np.log(np.maximum(height, 1e-9) / np.maximum(middle, 1e-9))
        total += weight * np.clip(tall, low, BOUND)
    return total + PRIOR - T_COST * _follows(found, total > 0)


def _follows(found: Candidates, likely: Bools) -> Ints:
    """How many of the three candidates before are likely beats that make this one (c,) their T wave."""
    count = np.zeros(len(found.place), np.int64)
    for back in range(1, min(4, len(count))):
        close = found.at_s[back:] - found.at_s[:-back] < T_WAVE_S
        count[back:] += close & (found.slope[back:] < T_SLOPE * found.slope[:-back]) & likely[:-back]
    return count


def _matched(found: Candidates, chosen: Bools) -> Floats:
    """Largest output (c,) near each candidate of a filter matched to the usual QRS of 48 beats around."""
    around = found.around(found.sharp, AROUND_S)
    centre = found.place + np.abs(around).argmax(axis=1) - around.shape[1] // 2
    reach, shifts = round(TEMPLATE_S * found.rate_hz), 3
    span = np.arange(-reach - shifts, reach + shifts + 1)
    windows = found.sharp[np.clip(centre[:, None] + span, 0, len(found.sharp) - 1)]
    own = windows[:, shifts : len(span) - shifts]
    of = np.flatnonzero(chosen)
    if len(of) < 5:
        return np.asarray(np.linalg.norm(own, axis=1))
    shape = own[of] / np.maximum(np.linalg.norm(own[of], axis=1, keepdims=True), 1e-12)
    blocks = max(1, len(of) // BLOCK)
    block = np.arange(len(of)) * blocks // len(of)
    first = np.searchsorted(block, np.arange(blocks))
    likeness = np.ones(len(of))
    for _ in range(3):  # shapes that agree with the usual one make the next
        usual = np.add.reduceat(likeness[:, None] * shape, first)
        usual /= np.maximum(np.linalg.norm(usual, axis=1, keepdims=True), 1e-12)
        likeness = np.maximum(np.einsum("ij,ij->i", shape, usual[block]), 0.0) ** LIKENESS
    near = np.clip(np.searchsorted(of[first], np.arange(len(centre)), side="right") - 1, 0, None)
    template = usual[near]
    outputs = [
        np.einsum("ij,ij->i", windows[:, at : at + own.shape[1]], template) for at in range(2 * shifts + 1)
    ]
    return np.asarray(np.max(outputs, axis=0), np.float64)


def rolling(values: Floats, width: int, share: float) -> Floats:
    """Centred quantile (n,) at ``share`` percent over ``width`` neighbours."""
    return np.asarray(percentile_filter(values, share, size=min(width, len(values)), mode="reflect"))


def _distance(at: Floats, points: Floats) -> Floats:
    """From each of ``at`` to the nearest of ``points``."""
    right = np.clip(np.searchsorted(points, at), 1, max(len(points) - 1, 1))
    right = np.minimum(right, len(points) - 1)
    left = np.maximum(right - 1, 0)
    return np.minimum(np.abs(at - points[left]), np.abs(points[right] - at))


def apart(at: Floats, height: Floats, least: float) -> Ints:
    """Indices of points ``at`` (n,) at least ``least`` apart; of two that are closer the higher stays."""
    kept = np.arange(len(at))
    while True:
        close = np.flatnonzero(np.diff(at[kept]) < least)
        if not len(close):
            return kept
        lower = np.where(height[kept[close]] < height[kept[close + 1]], close, close + 1)
        # Of a crowd only the first pair is judged in each round, so that its neighbours are judged anew.
        lone = np.concatenate([[True], np.diff(close) > 1])
        kept = np.delete(kept, np.unique(lower[lone]))
