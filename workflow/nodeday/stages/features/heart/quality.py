"""Signal quality of each ten seconds of an ECG, and what it is good for.

- agreement of two detectors, matched / union within 150 ms (bSQI; Li, Mark and Clifford 2008, from memory);
- mean correlation of the beats with their average (Orphanidou et al. 2015; 0.66 from memory);
- share of power in 5-15 of 5-40 Hz (pSQI), kurtosis after Fisher (kSQI), share of power above 1 Hz
(basSQI), as
  defined by Zhao and Zhang 2018; limits as in their open code.
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
from nodeday.stages.features.heart.coarse import Coarse
from nodeday.stages.features.windows import Windows, ratio

BAND_HZ = (8.0, 20.0)
QRS_S, BEAT_WINDOW_S, SHARE = 0.097, 0.611, 0.08
AROUND_S = 60.0
"""The mean that the threshold rests on; Elgendi takes the whole record. A choice of this project."""
BIN_S, CAP = 2.0, 3.0
"""A movement counts for that mean no more than three times a usual R peak. A choice of this project."""


def second_opinion(signal: Coarse, sample_rate_hz: float) -> Floats:
    """Seconds (b,) on the recording's sample clock at which this detector finds a beat."""
    joined = signal.band(*BAND_HZ)
    joined *= joined
    qrs, beat = (max(1, round(width * signal.rate_hz)) for width in (QRS_S, BEAT_WINDOW_S))
    short, long = uniform_filter1d(joined, qrs), uniform_filter1d(joined, beat)
    long += SHARE * _floor(joined, signal)
    begin, end = runs((short > long) & signal.inside)
    wide = end - begin >= qrs
    top = _tops(joined, begin[wide], end[wide])
    of = np.searchsorted(signal.place, top)
    return np.asarray((signal.sample[of] + (signal.step - 1) / 2) / sample_rate_hz, np.float64)


def _floor(power: Floats, signal: Coarse) -> Floats:
    """Mean ``power`` (m,) of the trusted samples around, each with no more of it than a movement may have."""
    trusted = np.zeros(len(power))
    trusted[signal.place[signal.trusted]] = 1.0
    level = power * trusted
    np.minimum(level, CAP * _usual_top(level, signal), out=level)
    around = min(round(AROUND_S * signal.rate_hz), len(power))
    seen, floor = (uniform_filter1d(each, around, mode="constant") for each in (trusted, level))
    floor /= np.maximum(seen, 1e-9, out=seen)
    return floor


def _usual_top(power: Floats, signal: Coarse) -> float:
    """Median of the largest ``power`` (m,) in each two seconds: about the power of an R peak."""
    width = round(BIN_S * signal.rate_hz)
    whole = len(power) // width * width
    tops = power[:whole].reshape(-1, width).max(axis=1)
    return float(np.median(tops[tops > 0])) if (tops > 0).any() else np.inf


def _tops(height: Floats, begin: Ints, end: Ints) -> Ints:
    """Index of the largest ``height`` in each block [begin, end)."""
    if not len(begin):
        return np.zeros(0, np.int64)
    lengths = end - begin
    flat = np.arange(lengths.sum()) + np.repeat(begin - (np.cumsum(lengths) - lengths), lengths)
    top = np.maximum.reduceat(height[flat], np.cumsum(lengths) - lengths)
    at_top = flat[height[flat] == np.repeat(top, lengths)]
    return np.asarray(at_top[np.searchsorted(at_top, begin)], np.int64)


SECONDS = 10
MATCH_S, BEAT_S = 0.15, 0.3
SURE, DOUBTFUL = 0.9, 0.6
"""Agreement at and above which beats are sure, and below which they are not."""
ALIKE, POWER, FAST_POWER, FAST_BPM, PEAKED, STEADY = 0.66, 0.4, 0.3, 130.0, 5.0, 0.9
LEAST_COVERAGE, MOST_DEAD, MOST_CLIPPED = 0.5, 0.5, 0.01
"""A choice of this project, as is the verdict's logic."""
USES = list(codes.SIGNAL_USE)
VARIABILITY, RATE, NOT_AT_ALL = (USES.index(each) for each in ("variability", "rate", "none"))


@dataclass(frozen=True)
class SignalMeasures:
    """Sums over each window (w,), so that those of several boots add up: ``first`` beats, those of
    the second detector without a partner (``extra``), how many ``matched``, ``likeness`` summed over
    beats, and of the signal at the coarse rate its ``samples`` and moments, and its power in bands.
    """

    first: Floats
    extra: Floats
    matched: Floats
    likeness: Floats
    samples: Floats
    moment1: Floats
    moment2: Floats
    moment3: Floats
    moment4: Floats
    qrs_power: Floats
    high_power: Floats
    slow_power: Floats

    @classmethod
    def none(cls, count: int) -> SignalMeasures:
        return cls(*(np.zeros(count) for _ in fields(cls)))

    def add(self, other: SignalMeasures, first: int) -> None:
        """Add the sums of windows from number ``first`` on."""
        for each in fields(self):
            part = getattr(other, each.name)
            getattr(self, each.name)[first : first + len(part)] += part


def measure(
    signal: Coarse, peaks: Ints, second_s: Floats, utc_ns: Ints, rate_hz: float, ruler: Windows, core: slice
) -> SignalMeasures:
    """Sums over the windows of ``ruler`` for the samples of ``core``: ``peaks`` (b,) and ``second_s`` are the
    beats of both detectors, as sample numbers and as seconds on the sample clock.
    """

    def inside(sample: Ints) -> Bools:
        return np.asarray((sample >= core.start) & (sample < core.stop), np.bool_)

    own = slice(*np.searchsorted(signal.sample, (core.start, core.stop)))
    at, place = utc_ns[signal.sample[own]], signal.place[own]
    value, edges = signal.value[place], np.searchsorted(at, ruler.edges_ns)
    square = value * value
    powers = (band[place] ** 2 for band in (signal.band(5.0, 15.0), signal.band(5.0, 40.0), _slow(signal)))
    sums = _sums(edges, value, square, square * value, square * square, *powers)
    other = np.clip(np.rint(second_s * rate_hz).astype(np.int64), 0, len(utc_ns) - 1)
    extra = other[inside(other) & ~matches(second_s, peaks / rate_hz)]
    mine, when = inside(peaks), utc_ns[peaks]
    matched = matches(peaks / rate_hz, second_s).astype(np.float64)
    alike = likeness(signal, peaks, ruler.of(when))
    return SignalMeasures(
        ruler.sums(when[mine]),
        ruler.sums(utc_ns[extra]),
        ruler.sums(when[mine], matched[mine]),
        ruler.sums(when[mine], alike[mine]),
        np.diff(edges).astype(np.float64),
        *sums,
    )


def _sums(edges: Ints, *each: Floats) -> list[Floats]:
    """Sum of ``each`` (n,) between each two of ``edges`` (w + 1,), which never fall."""
    out, held = np.zeros((len(each), len(edges) - 1)), edges[1:] > edges[:-1]
    if held.any():
        out[:, held] = [np.add.reduceat(values, edges[:-1][held]) for values in each]
    return list(out)


def _slow(signal: Coarse) -> Floats:
    """The joined signal (m,) below 1 Hz."""
    return np.asarray(sosfiltfilt(butter(2, 1.0, fs=signal.rate_hz, output="sos"), signal.value), np.float64)


def matches(first_s: Floats, second_s: Floats) -> NDArray[np.bool_]:
    """Which of ``first_s`` (b,) and one of ``second_s`` are each other's nearest, within 150 ms."""
    if not len(first_s) or not len(second_s):
        return np.zeros(len(first_s), np.bool_)
    there, back = _nearest(first_s, second_s), _nearest(second_s, first_s)
    mutual = back[there] == np.arange(len(first_s))
    return np.asarray(mutual & (np.abs(second_s[there] - first_s) <= MATCH_S), np.bool_)


def _nearest(of: Floats, among: Floats) -> Ints:
    right = np.minimum(np.searchsorted(among, of), len(among) - 1)
    left = np.maximum(right - 1, 0)
    return np.where(of - among[left] <= among[right] - of, left, right)


def likeness(signal: Coarse, peaks: Ints, window: Ints) -> Floats:
    """Correlation (b,) of each beat in 1-40 Hz with the average beat of its ``window`` (b,)."""
    if not len(peaks):
        return np.zeros(0)
    band = signal.band(1.0, 40.0)
    reach = round(BEAT_S * signal.rate_hz)
    near = signal.place[np.clip(np.searchsorted(signal.sample, peaks, side="right") - 1, 0, None)]
    shape = band[np.clip(near[:, None] + np.arange(-reach, reach + 1), 0, len(band) - 1)]
    shape = shape - shape.mean(axis=1, keepdims=True)
    shape /= np.maximum(np.linalg.norm(shape, axis=1, keepdims=True), 1e-12)
    first = np.flatnonzero(np.diff(window, prepend=window[0] - 1))
    average = np.add.reduceat(shape, first)
    average /= np.maximum(np.linalg.norm(average, axis=1, keepdims=True), 1e-12)
    number = np.cumsum(np.isin(np.arange(len(peaks)), first)) - 1
    return np.asarray(np.einsum("ij,ij->i", shape, average[number]), np.float64)


def table(of: SignalMeasures, shares: dict[str, Floats], ruler: Windows) -> pd.DataFrame:
    """A row for each window: ``shares`` (w,) of coverage, flat, clipped and lead_off samples, the indices,
    NaN where they are not defined, and the ``use`` as a place in ``codes.SIGNAL_USE``.
    """
    union = of.first + of.extra
    mean = ratio(of.moment1, of.samples)
    second, third, fourth = (ratio(each, of.samples) for each in (of.moment2, of.moment3, of.moment4))
    variance = second - mean**2
    central = fourth - 4 * mean * third + 6 * mean**2 * second - 3 * mean**4
    rows = pd.DataFrame(
        {
            "start_ns": ruler.starts_ns,
            "end_ns": ruler.starts_ns + ruler.seconds * 1_000_000_000,
            **shares,
            "beats": of.first,
            "agreement": ratio(of.matched, union),
            "likeness": ratio(of.likeness, of.first),
            "qrs_power": np.minimum(ratio(of.qrs_power, of.high_power), 1.0),
            "kurtosis": ratio(central, np.where(variance > 1e-12, variance**2, 0.0)) - 3.0,
            "steadiness": 1 - np.minimum(ratio(of.slow_power, of.moment2), 1.0),
        }
    )
    return rows.assign(use=_use(rows, ruler.seconds))


def _use(rows: pd.DataFrame, seconds: int) -> Ints:
    """Unusable without signal, or where the detectors disagree and another index speaks against it too; good
    for variability where they agree, beats are alike, little is clipped, and power or kurtosis is
    that of an ECG. Slow wander alone bars nothing: peaks are found above 2.5 Hz.
    """
    at = {name: rows[name].to_numpy(np.float64) for name in rows.columns}
    fast = 60 * at["beats"] / seconds / np.maximum(at["coverage"], 0.01) >= FAST_BPM
    weak = ~(at["qrs_power"] >= np.where(fast, FAST_POWER, POWER))
    unlike, wander = ~(at["likeness"] >= ALIKE), ~(at["steadiness"] >= STEADY)
    dead = (at["coverage"] < LEAST_COVERAGE) | (at["flat"] + at["lead_off"] > MOST_DEAD)
    unsure = ~(at["agreement"] >= DOUBTFUL)
    none = dead | (unsure & (weak | unlike | wander))
    fit = (at["agreement"] >= SURE) & ~unlike & (at["clipped"] <= MOST_CLIPPED)
    fit &= ~weak | (at["kurtosis"] > PEAKED)
    return np.where(none, NOT_AT_ALL, np.where(fit, VARIABILITY, RATE))
