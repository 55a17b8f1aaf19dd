"""Candidates for a QRS complex, and the evidence for each of them.

Three measures of height are taken of every candidate, each against the usual height of a beat and of the
other maxima around it: the energy in 2.5-12 Hz (wide beats), in 8-25 Hz (the usual ones), and the output in
12-40 Hz of a filter matched to the recording's own QRS (which electrode motion hardly reaches)::

    evidence = sum of weight * log(height / sqrt(beat's height * noise's height)), each term bounded

In a clean signal the heights of beats and of T waves are far apart and the evidence is strong; in noise it is
weak by itself, and the rhythm decides (:func:`.rpeaks.best_sequence`). The parts are those of published
detectors (adaptive signal and noise levels, Pan and Tompkins 1985; matched filtering), put together by this
project; the constants are its choice.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import maximum_filter1d, percentile_filter, uniform_filter1d

from nodeday.core.arrays import Bools, Floats, Ints
from nodeday.stages.features.heart.coarse import CoarseSignal
from nodeday.stages.features.heart.waves import p_waves, t_waves

WIDE_HZ, USUAL_HZ, SHARP_HZ = (2.5, 12.0), (8.0, 25.0), (12.0, 40.0)
WEIGHTS = (1.0, 1.2, 2.0)
"""Of the three measures, in that order."""
BOUND = 1.2
SHARP_LOW = -0.5
"""A smooth beat has nothing for the matched filter, whose evidence against a beat is therefore small."""
APART_S, AROUND_S, REFRACTORY_S = 0.1, 0.06, 0.2
LEAST_MV = 0.01
"""Energy (root mean square) below which there is only noise of a converter."""
BIN_S, BINS, OUTLIER = 1.5, 11, 5.0
"""The highest of each 1.5 s, median over 11, is about a beat's height; five times that is movement."""
BEATS, OTHERS = 9, 15
"""The usual heights are medians over so many neighbours in time."""
SHARE, ABOVE, FLOOR = 0.25, 2.5, 0.12
WAVE_COST = 3.0
"""What looks like the T or the P wave of a beat loses so much (:mod:`.waves`)."""
FAINTEST = 0.03
PRIOR = 0.3
"""Leans to beats: a missed one is worse than a false one, which the rules for intervals find."""
BLOCK, TEMPLATE_S, LIKENESS = 48, 0.07, 4


@dataclass(frozen=True)
class Candidates:
    """Maxima (c,) of the energy in order of time, that may be QRS complexes.

    ``index`` (c,) in the joined signal, ``at_s`` (c,) in seconds of the recording's sample clock, ``stretch``
    (c,) number, ``trusted`` (c,). Heights that depend on no template: ``energy``, ``wide`` and ``usual``
    (c,), and the steepest ``slope`` (c,).
    """

    index: Ints
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
        """Return ``signal`` (m,) within ``seconds`` of each candidate, (c, w)."""
        reach = round(seconds * self.rate_hz)
        return np.asarray(
            signal[np.clip(self.index[:, None] + np.arange(-reach, reach + 1), 0, len(signal) - 1)]
        )


def find_candidates(signal: CoarseSignal, sample_rate_hz: float) -> Candidates:
    """Return every maximum of the energy of ``signal`` that is the highest within 100 ms."""
    wide, usual = signal.band(*WIDE_HZ), signal.band(*USUAL_HZ)
    wide_power, usual_power = _power(wide, 0.12, signal.rate_hz), _power(usual, 0.10, signal.rate_hz)
    # Maxima of the geometric mean are those of the product: the root is taken at the candidates alone.
    joint = usual_power * usual_power
    joint *= wide_power
    uniform_filter1d(joint, 3, output=joint)
    product = np.where(signal.inside, joint, 0.0)
    top = maximum_filter1d(product, 2 * round(APART_S * signal.rate_hz) + 1)
    highest = (product == top) & (product > LEAST_MV**6)
    index = np.flatnonzero(highest)
    number = np.searchsorted(signal.index, index)
    reach = round(AROUND_S * signal.rate_hz)
    near = np.clip(index[:, None] + np.arange(-reach, reach + 1), 0, len(joint) - 1)
    return Candidates(
        index,
        signal.seconds(number, sample_rate_hz),
        signal.stretch[number],
        signal.trusted[number],
        product[index] ** (1 / 6),
        np.sqrt(wide_power[near].max(axis=1, initial=0.0)),
        np.sqrt(usual_power[near].max(axis=1, initial=0.0)),
        np.abs(np.diff(usual[near], axis=1)).max(axis=1, initial=0.0),
        signal.band(*SHARP_HZ),
        signal.rate_hz,
    )


def _power(band: Floats, seconds: float, rate_hz: float) -> Floats:
    """Return the mean square (m,) of ``band`` (m,) over ``seconds``."""
    power = band * band
    uniform_filter1d(power, max(1, round(seconds * rate_hz)), output=power)
    return np.maximum(power, 0.0, out=power)  # a running sum may end a rounding error below zero


def beats_by_height(candidates: Candidates) -> tuple[Bools, Bools]:
    """Return which candidates (c,) are beats by height alone, and which may set a usual height (c,)."""
    bins = (candidates.at_s / BIN_S).astype(np.int64)
    first = np.flatnonzero(np.diff(bins, prepend=-1))
    highest = np.maximum.reduceat(np.where(candidates.trusted, candidates.energy, 0.0), first)
    seen = highest > 0
    if not seen.any():
        return np.zeros(len(bins), np.bool_), candidates.trusted
    at_s = candidates.at_s[first[seen]]
    usual = np.interp(candidates.at_s, at_s, rolling_quantile(highest[seen], BINS, 50))
    fit = candidates.trusted & (candidates.energy < OUTLIER * usual)
    beat, noise, busy = usual, np.zeros(len(bins)), np.full(len(bins), np.inf)
    chosen = fit
    for _ in range(3):
        limit = np.minimum(noise + SHARE * (beat - noise), np.maximum(ABOVE * busy, FLOOR * beat))
        high = np.flatnonzero(candidates.energy > limit)
        chosen = np.zeros(len(bins), np.bool_)
        chosen[high[highest_apart(candidates.at_s[high], candidates.energy[high], REFRACTORY_S)]] = True
        chosen &= _waves(candidates, chosen) == 0
        beat, noise, busy = levels(candidates, candidates.energy, chosen, fit)
    return chosen, fit


def levels(
    candidates: Candidates, height: Floats, chosen: Bools, fit: Bools
) -> tuple[Floats, Floats, Floats]:
    """Return the usual ``height`` of a beat, that of other maxima, and the upper fifth of these, (c,) each.

    Beats are the ``chosen`` candidates (c,). Only candidates that are ``fit`` (c,), trusted and no outliers,
    count; ``height`` (c,) itself serves where no beat is.
    """
    beats = np.flatnonzero(chosen & fit)
    if not len(beats):
        return height, np.zeros(len(height)), np.zeros(len(height))
    at_s = candidates.at_s
    beat = np.interp(at_s, at_s[beats], rolling_quantile(height[beats], BEATS, 50))
    far = distance(at_s, at_s[np.flatnonzero(chosen)]) > REFRACTORY_S
    other = np.flatnonzero(~chosen & fit & far)
    if len(other) < 4:
        return beat, np.zeros(len(height)), np.zeros(len(height))
    middle, upper = (
        np.interp(at_s, at_s[other], rolling_quantile(height[other], OTHERS, share)) for share in (50, 80)
    )
    return beat, middle, upper


def evidence(candidates: Candidates, chosen: Bools, fit: Bools) -> Floats:
    """Return the evidence (c,) that each candidate is a beat, given the beats ``chosen`` (c,) so far.

    More is better, 0 is undecided. Only candidates that are ``fit`` (c,) set the usual heights.
    """
    total = np.zeros(len(candidates.index))
    heights = (candidates.wide, candidates.usual, _matched(candidates, chosen & fit))
    for height, weight, low in zip(heights, WEIGHTS, (-BOUND, -BOUND, SHARP_LOW), strict=True):
        beat, noise, _ = levels(candidates, height, chosen, fit)
        middle = np.sqrt(beat * np.maximum(noise, FAINTEST * beat))
        tall = np.log(np.maximum(height, 1e-9) / np.maximum(middle, 1e-9))
        total += weight * np.clip(tall, low, BOUND)
    return total + PRIOR - WAVE_COST * _waves(candidates, total > 0)


def _waves(candidates: Candidates, likely: Bools) -> Ints:
    """Count the ``likely`` beats (c,) of which each candidate (c,) may be the T wave or the P wave."""
    at_s, slope = candidates.at_s, candidates.slope
    return t_waves(at_s, slope, likely) + p_waves(at_s, slope, likely)


def _matched(candidates: Candidates, chosen: Bools) -> Floats:
    """Return the largest output (c,) near each candidate of a filter matched to the 48 beats around.

    The filter's template is the usual QRS of blocks of 48 ``chosen`` beats (c,).
    """
    around = candidates.around(candidates.sharp, AROUND_S)
    centre = candidates.index + np.abs(around).argmax(axis=1) - around.shape[1] // 2
    reach, shifts = round(TEMPLATE_S * candidates.rate_hz), 3
    offsets = np.arange(-reach - shifts, reach + shifts + 1)
    windows = candidates.sharp[np.clip(centre[:, None] + offsets, 0, len(candidates.sharp) - 1)]
    centred = windows[:, shifts : len(offsets) - shifts]
    beats = np.flatnonzero(chosen)
    if len(beats) < 5:
        return np.asarray(np.linalg.norm(centred, axis=1))
    shape = centred[beats] / np.maximum(np.linalg.norm(centred[beats], axis=1, keepdims=True), 1e-12)
    blocks = max(1, len(beats) // BLOCK)
    block = np.arange(len(beats)) * blocks // len(beats)
    first = np.searchsorted(block, np.arange(blocks))
    likeness = np.ones(len(beats))
    for _ in range(3):  # shapes that agree with the usual one make the next
        usual = np.add.reduceat(likeness[:, None] * shape, first)
        usual /= np.maximum(np.linalg.norm(usual, axis=1, keepdims=True), 1e-12)
        likeness = np.maximum(np.einsum("ij,ij->i", shape, usual[block]), 0.0) ** LIKENESS
    near = np.clip(np.searchsorted(beats[first], np.arange(len(centre)), side="right") - 1, 0, None)
    template = usual[near]
    outputs = [
        np.einsum("ij,ij->i", windows[:, shift : shift + centred.shape[1]], template)
        for shift in range(2 * shifts + 1)
    ]
    return np.asarray(np.max(outputs, axis=0), np.float64)


def rolling_quantile(values: Floats, width: int, percent: float) -> Floats:
    """Return the centred quantile (n,) at ``percent`` of ``values`` (n,) over ``width`` neighbours."""
    return np.asarray(percentile_filter(values, percent, size=min(width, len(values)), mode="reflect"))


def distance(at: Floats, points: Floats) -> Floats:
    """Return the distance (n,) from each of ``at`` (n,) to the nearest of ``points`` (p,)."""
    right = np.clip(np.searchsorted(points, at), 1, max(len(points) - 1, 1))
    right = np.minimum(right, len(points) - 1)
    left = np.maximum(right - 1, 0)
    return np.minimum(np.abs(at - points[left]), np.abs(points[right] - at))


def highest_apart(at: Floats, height: Floats, least: float) -> Ints:
    """Return the indices of points that are ``least`` apart; of two that are closer the higher stays.

    Points are ``at`` (n,), in order, with their ``height`` (n,).
    """
    kept = np.arange(len(at))
    while True:
        close = np.flatnonzero(np.diff(at[kept]) < least)
        if not len(close):
            return kept
        lower = np.where(height[kept[close]] < height[kept[close + 1]], close, close + 1)
        # Of a crowd only the first pair is compared in each round, so that its neighbours are compared anew.
        lone = np.concatenate([[True], np.diff(close) > 1])
        kept = np.delete(kept, np.unique(lower[lone]))
