"""Measures of the signal of each ten seconds of an ECG, and a second detector of beats.

A second detector, independent of the first, shows by its agreement whether beats can be trusted. After
Elgendi, "Fast QRS detection with an optimized knowledge-based method", PLoS ONE 2013; the constants are from
memory. It works at the coarse rate, since a beat need only be known within 150 ms::

    band 8-20 Hz, squared    ___/^^^___________/^^^___
    mean over a QRS (97 ms)  above the mean over a beat (611 ms) + 8 % of the mean: a block;
    a block of 97 ms or more holds one R peak

Sums over each window, from which :mod:`.quality` makes its indices.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import uniform_filter1d
from scipy.signal import butter, sosfiltfilt

from nodeday.core.arrays import Bools, Floats, Ints, runs, spread
from nodeday.stages.features.heart.coarse import CoarseSignal
from nodeday.stages.features.heart.shapes import beat_shapes
from nodeday.stages.features.windows import Windows

BAND_HZ = (8.0, 20.0)
QRS_S, BEAT_S, SHARE = 0.097, 0.611, 0.08
AROUND_S = 60.0
"""The mean that the threshold rests on; Elgendi takes the whole record. A choice of this project."""
BIN_S, CAP = 2.0, 3.0
"""A movement counts for that mean no more than three times a usual R peak. A choice of this project."""
MATCH_S = 0.15
"""Two beats within 150 ms may match."""
NEAR_S = 0.08
"""A QRS lies within 80 ms of its peak, even a wide one for the most part. A choice of this project."""
STEADY = 0.1
"""An interval within a tenth of the one before is steady: breathing moves it less, noise more. A choice of
this project."""


@dataclass(frozen=True)
class SignalMeasures:
    """Sums over each window (w,), such that sums of several pieces can be added.

    Of the two detectors by themselves: ``first`` beats of the first one, how many of them are ``matched``,
    and ``extra`` beats of the second one without a partner. ``pacing`` spikes. ``beats``, how many have a
    ``steady`` interval, and the sums of their ``likeness`` and of the mean frequency ``centre_hz`` of their
    shape. Of the signal at the coarse rate: the count of its ``samples`` and of the ``near`` ones, close to a
    beat; the sums of its first to fourth powers, and its power in bands, in 5 to 40 Hz also of the near
    samples alone.
    """

    first: Floats
    matched: Floats
    extra: Floats
    pacing: Floats
    beats: Floats
    steady: Floats
    likeness: Floats
    centre_hz: Floats
    samples: Floats
    near: Floats
    moment1: Floats
    moment2: Floats
    moment3: Floats
    moment4: Floats
    qrs_power: Floats
    high_power: Floats
    slow_power: Floats
    near_power: Floats

    @classmethod
    def zeros(cls, count: int) -> SignalMeasures:
        """Return empty sums of ``count`` windows."""
        return cls(*(np.zeros(count) for _ in fields(cls)))

    def add(self, other: SignalMeasures, window: int) -> None:
        """Add the sums of ``other``, whose first window has the number ``window`` here."""
        for field in fields(self):
            part = getattr(other, field.name)
            getattr(self, field.name)[window : window + len(part)] += part


def measure_signal(
    signal: CoarseSignal,
    peaks: Ints,
    alone_s: tuple[Floats, Floats],
    pacing: Ints,
    utc_ns: Ints,
    rate_hz: float,
    windows: Windows,
    core: slice,
) -> SignalMeasures:
    """Return the sums over ``windows`` for the samples of ``core``.

    ``utc_ns`` (n,) are the instants of all samples. ``peaks`` (b,) are the beats as sample numbers;
    ``alone_s`` those of the first and of the second detector by itself, in seconds of the sample clock;
    ``pacing`` (s,) the samples of a pacemaker's spikes.
    """

    def inside(sample: Ints) -> Bools:
        return np.asarray((sample >= core.start) & (sample < core.stop), np.bool_)

    part = slice(*np.searchsorted(signal.sample, (core.start, core.stop)))
    at_ns, index = utc_ns[signal.sample[part]], signal.index[part]
    value, edges = signal.value[index], np.searchsorted(at_ns, windows.edges_ns)
    square = value * value
    powers = [band[index] ** 2 for band in (signal.band(5.0, 15.0), signal.band(5.0, 40.0), _slow(signal))]
    near = _near(signal, peaks)[part].astype(np.float64)
    near_samples, *sums = _sums(
        edges, near, value, square, square * value, square * square, *powers, powers[1] * near
    )
    first, second = (
        np.clip(np.rint(at_s * rate_hz).astype(np.int64), 0, len(utc_ns) - 1) for at_s in alone_s
    )
    matched, partner = matches(*alone_s), matches(*alone_s[::-1])
    counted = (first, first[matched], second[~partner], pacing, peaks)
    counts = [windows.sums(utc_ns[sample[inside(sample)]]) for sample in counted]
    in_core, shapes = inside(peaks), beat_shapes(signal, peaks)
    at_ns = utc_ns[peaks[in_core]]
    of_beats = (_steady(peaks), shapes.likeness, shapes.centre_hz)
    per_beat = [windows.sums(at_ns, measure[in_core]) for measure in of_beats]
    per_sample = [np.diff(edges).astype(np.float64), near_samples, *sums]
    return SignalMeasures(*counts, *per_beat, *per_sample)


def _near(signal: CoarseSignal, peaks: Ints) -> Bools:
    """Return which coarse samples (c,) lie close to a beat at the sample numbers ``peaks`` (b,)."""
    number = np.searchsorted(signal.sample, peaks, side="right") - 1
    reach, count = round(NEAR_S * signal.rate_hz), len(signal.sample)
    return spread(np.maximum(number - reach, 0), np.minimum(number + reach + 1, count), count)


def _steady(peaks: Ints) -> Floats:
    """Return 1 for each beat (b,) whose interval is within a tenth of the one before, else 0."""
    rr = np.diff(peaks)
    steady = np.zeros(len(peaks))
    steady[2:] = np.abs(np.diff(rr)) < STEADY * rr[:-1]
    return steady


def _sums(edges: Ints, *signals: Floats) -> list[Floats]:
    """Return the sum (w,) of each signal (n,) between each two of ``edges`` (w + 1,), which never fall."""
    sums, held = np.zeros((len(signals), len(edges) - 1)), edges[1:] > edges[:-1]
    if held.any():
        sums[:, held] = [np.add.reduceat(values, edges[:-1][held]) for values in signals]
    return list(sums)


def _slow(signal: CoarseSignal) -> Floats:
    """Return the joined signal (m,) below 1 Hz."""
    return np.asarray(sosfiltfilt(butter(2, 1.0, fs=signal.rate_hz, output="sos"), signal.value), np.float64)


# --- the second detector ------------------------------------------------------------------


def second_detector(signal: CoarseSignal, sample_rate_hz: float) -> Floats:
    """Return the beats (b,) that the second detector finds, in seconds of the recording's sample clock."""
    power = signal.band(*BAND_HZ)
    power *= power
    qrs, beat = (max(1, round(width * signal.rate_hz)) for width in (QRS_S, BEAT_S))
    short, long = uniform_filter1d(power, qrs), uniform_filter1d(power, beat)
    long += SHARE * _mean_power(power, signal)
    begin, end = runs((short > long) & signal.inside)
    wide = end - begin >= qrs
    top = _highest(power, begin[wide], end[wide])
    return signal.seconds(np.searchsorted(signal.index, top), sample_rate_hz)


def _mean_power(power: Floats, signal: CoarseSignal) -> Floats:
    """Return the mean (m,) of ``power`` (m,) over the trusted samples around, movements held down."""
    trusted = np.zeros(len(power))
    trusted[signal.index[signal.trusted]] = 1.0
    level = power * trusted
    np.minimum(level, CAP * _usual_top(level, signal), out=level)
    around = min(round(AROUND_S * signal.rate_hz), len(power))
    count, mean = (uniform_filter1d(values, around, mode="constant") for values in (trusted, level))
    mean /= np.maximum(count, 1e-9, out=count)
    return mean


def _usual_top(power: Floats, signal: CoarseSignal) -> float:
    """Return the median of the largest ``power`` (m,) in each two seconds: about that of an R peak."""
    width = round(BIN_S * signal.rate_hz)
    length = len(power) // width * width
    tops = power[:length].reshape(-1, width).max(axis=1)
    return float(np.median(tops[tops > 0])) if (tops > 0).any() else np.inf


def _highest(height: Floats, begin: Ints, end: Ints) -> Ints:
    """Return the index of the largest ``height`` (m,) in each block [begin, end)."""
    if not len(begin):
        return np.zeros(0, np.int64)
    lengths = end - begin
    flat = np.arange(lengths.sum()) + np.repeat(begin - (np.cumsum(lengths) - lengths), lengths)
    top = np.maximum.reduceat(height[flat], np.cumsum(lengths) - lengths)
    at_top = flat[height[flat] == np.repeat(top, lengths)]
    return np.asarray(at_top[np.searchsorted(at_top, begin)], np.int64)


# --- agreement of beats -------------------------------------------------------------------


def matches(first_s: Floats, second_s: Floats) -> NDArray[np.bool_]:
    """Return which of the instants ``first_s`` (b,) have a partner in ``second_s``.

    Both are in seconds and in order. Partners are each other's nearest, within 150 ms.
    """
    if not len(first_s) or not len(second_s):
        return np.zeros(len(first_s), np.bool_)
    partner, back = _nearest(first_s, second_s), _nearest(second_s, first_s)
    mutual = back[partner] == np.arange(len(first_s))
    return np.asarray(mutual & (np.abs(second_s[partner] - first_s) <= MATCH_S), np.bool_)


def _nearest(instants: Floats, among: Floats) -> Ints:
    """Return the index (b,) of the nearest of ``among`` to each of ``instants`` (b,)."""
    right = np.minimum(np.searchsorted(among, instants), len(among) - 1)
    left = np.maximum(right - 1, 0)
    return np.where(instants - among[left] <= among[right] - instants, left, right)
