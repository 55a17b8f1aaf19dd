"""Signal quality of each ten seconds of an ECG, and what the signal is good for.

A second detector, independent of the first, shows by its agreement whether beats can be trusted. After
Elgendi, "Fast QRS detection with an optimized knowledge-based method", PLoS ONE 2013; the constants are from
memory. It works at the coarse rate, since a beat need only be known within 150 ms::

    band 8-20 Hz, squared    ___/^^^___________/^^^___
    mean over a QRS (97 ms)  above the mean over a beat (611 ms) + 8 % of the mean: a block;
    a block of 97 ms or more holds one R peak

Indices of each window, next to its coverage and shares of flat, clipped and lead-off samples:

- agreement of both detectors, matched / union within 150 ms (bSQI; Li, Mark and Clifford 2008, from memory);
- mean correlation of the beats with their average (Orphanidou et al. 2015; 0.66 from memory);
- share of power in 5-15 of 5-40 Hz (pSQI), kurtosis after Fisher (kSQI), share of power above 1 Hz
  (basSQI), as defined by Zhao and Zhang 2018; limits as in their open code.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.ndimage import uniform_filter1d
from scipy.signal import butter, sosfiltfilt

from nodeday.core.arrays import Bools, Floats, Ints, runs
from nodeday.schemas import codes
from nodeday.stages.features.heart.coarse import CoarseSignal
from nodeday.stages.features.windows import SECOND, Windows, ratio

SECONDS = 10
"""Length of a window."""
BAND_HZ = (8.0, 20.0)
QRS_S, BEAT_S, SHARE = 0.097, 0.611, 0.08
AROUND_S = 60.0
"""The mean that the threshold rests on; Elgendi takes the whole record. A choice of this project."""
BIN_S, CAP = 2.0, 3.0
"""A movement counts for that mean no more than three times a usual R peak. A choice of this project."""
MATCH_S, SHAPE_S = 0.15, 0.3
"""Two beats within 150 ms may match; the shape of a beat is the signal within 300 ms of its peak."""
SURE_AGREEMENT, LEAST_AGREEMENT = 0.9, 0.6
"""Agreement at and above which beats are sure, and below which they are not."""
LEAST_LIKENESS, LEAST_STEADINESS, LEAST_KURTOSIS = 0.66, 0.9, 5.0
LEAST_POWER, LEAST_POWER_FAST, FAST_BPM = 0.4, 0.3, 130.0
"""Share of power in the band of the QRS, at usual rates and at fast ones."""
LEAST_COVERAGE, MOST_DEAD, MOST_CLIPPED = 0.5, 0.5, 0.01
"""A choice of this project, as is the logic of the use."""
VARIABILITY, RATE, UNUSABLE = (list(codes.SIGNAL_USE).index(use) for use in ("variability", "rate", "none"))


@dataclass(frozen=True)
class SignalMeasures:
    """Sums over each window (w,), such that sums of several pieces can be added.

    ``beats``, and their ``likeness`` summed. Of the two detectors by themselves: ``first`` beats of the first
    one, how many of them are ``matched``, and ``extra`` beats of the second one without a partner. A
    pacemaker's spikes (``pacing``). Of the signal at the coarse rate: the count of its ``samples``, the sums
    of its first to fourth powers, and its power in bands.
    """

    beats: Floats
    likeness: Floats
    first: Floats
    matched: Floats
    extra: Floats
    pacing: Floats
    samples: Floats
    moment1: Floats
    moment2: Floats
    moment3: Floats
    moment4: Floats
    qrs_power: Floats
    high_power: Floats
    slow_power: Floats

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
    powers = (band[index] ** 2 for band in (signal.band(5.0, 15.0), signal.band(5.0, 40.0), _slow(signal)))
    sums = _sums(edges, value, square, square * value, square * square, *powers)
    first, second = (
        np.clip(np.rint(at_s * rate_hz).astype(np.int64), 0, len(utc_ns) - 1) for at_s in alone_s
    )
    matched, partner = matches(*alone_s), matches(*alone_s[::-1])
    in_core, peak_ns = inside(peaks), utc_ns[peaks]
    alike = likeness(signal, peaks, windows.of(peak_ns))
    return SignalMeasures(
        windows.sums(peak_ns[in_core]),
        windows.sums(peak_ns[in_core], alike[in_core]),
        windows.sums(utc_ns[first[inside(first)]]),
        windows.sums(utc_ns[first[inside(first) & matched]]),
        windows.sums(utc_ns[second[inside(second) & ~partner]]),
        windows.sums(utc_ns[pacing[inside(pacing)]]),
        np.diff(edges).astype(np.float64),
        *sums,
    )


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


# --- agreement and likeness of beats -------------------------------------------------------


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


def likeness(signal: CoarseSignal, peaks: Ints, window: Ints) -> Floats:
    """Return the correlation (b,) of each beat in 1-40 Hz with the average beat of its ``window`` (b,).

    ``peaks`` (b,) are sample numbers, ``window`` rises.
    """
    if not len(peaks):
        return np.zeros(0)
    band = signal.band(1.0, 40.0)
    reach = round(SHAPE_S * signal.rate_hz)
    near = signal.index[np.clip(np.searchsorted(signal.sample, peaks, side="right") - 1, 0, None)]
    shape = band[np.clip(near[:, None] + np.arange(-reach, reach + 1), 0, len(band) - 1)]
    shape = shape - shape.mean(axis=1, keepdims=True)
    shape /= np.maximum(np.linalg.norm(shape, axis=1, keepdims=True), 1e-12)
    first = np.flatnonzero(np.diff(window, prepend=window[0] - 1))
    average = np.add.reduceat(shape, first)
    average /= np.maximum(np.linalg.norm(average, axis=1, keepdims=True), 1e-12)
    number = np.cumsum(np.isin(np.arange(len(peaks)), first)) - 1
    return np.asarray(np.einsum("ij,ij->i", shape, average[number]), np.float64)


# --- the indices of each window, and its use ------------------------------------------------


def quality_table(measures: SignalMeasures, shares: dict[str, Floats], windows: Windows) -> pd.DataFrame:
    """Return a row for each window: its ``shares``, its indices and its use.

    ``shares`` (w,) are those of coverage, flat, clipped and lead_off samples. An index is NaN where it is not
    defined; ``use`` is an index into ``codes.SIGNAL_USE``.
    """
    union = measures.first + measures.extra
    mean = ratio(measures.moment1, measures.samples)
    second, third, fourth = (
        ratio(moment, measures.samples) for moment in (measures.moment2, measures.moment3, measures.moment4)
    )
    variance = second - mean**2
    central = fourth - 4 * mean * third + 6 * mean**2 * second - 3 * mean**4
    rows = pd.DataFrame(
        {
            "start_ns": windows.starts_ns,
            "end_ns": windows.starts_ns + windows.seconds * SECOND,
            **shares,
            "beats": measures.beats,
            "agreement": ratio(measures.matched, union),
            "likeness": ratio(measures.likeness, measures.beats),
            "qrs_power": np.minimum(ratio(measures.qrs_power, measures.high_power), 1.0),
            "kurtosis": ratio(central, np.where(variance > 1e-12, variance**2, 0.0)) - 3.0,
            "pacing_spikes": measures.pacing,
            "steadiness": 1 - np.minimum(ratio(measures.slow_power, measures.moment2), 1.0),
        }
    )
    return rows.assign(use=_use(rows, windows.seconds))


def _use(rows: pd.DataFrame, seconds: int) -> Ints:
    """Return the use (w,) of windows of ``seconds``, from their indices.

    Unusable without signal, or where the detectors disagree and another index is poor too. Good for
    variability where they agree, beats are alike, little is clipped, and power or kurtosis is that of an ECG.
    Slow wander alone bars nothing: peaks are found above 2.5 Hz.
    """
    values = {name: rows[name].to_numpy(np.float64) for name in rows.columns}
    fast = 60 * values["beats"] / seconds / np.maximum(values["coverage"], 0.01) >= FAST_BPM
    weak = ~(values["qrs_power"] >= np.where(fast, LEAST_POWER_FAST, LEAST_POWER))
    unlike, wander = ~(values["likeness"] >= LEAST_LIKENESS), ~(values["steadiness"] >= LEAST_STEADINESS)
    dead = (values["coverage"] < LEAST_COVERAGE) | (values["flat"] + values["lead_off"] > MOST_DEAD)
    unsure = ~(values["agreement"] >= LEAST_AGREEMENT)
    unusable = dead | (unsure & (weak | unlike | wander))
    good = (values["agreement"] >= SURE_AGREEMENT) & ~unlike & (values["clipped"] <= MOST_CLIPPED)
    good &= ~weak | (values["kurtosis"] > LEAST_KURTOSIS)
    return np.where(unusable, UNUSABLE, np.where(good, VARIABILITY, RATE))
