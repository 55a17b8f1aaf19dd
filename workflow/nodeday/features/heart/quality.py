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
from scipy.signal import butter, sosfiltfilt

from nodeday.arrays import Bools, Floats, Ints
from nodeday.features.heart.coarse import Coarse
from nodeday.features.windows import Windows, ratio
from nodeday.schemas import codes

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
class Measures:
    """Sums over each window (w,), so that those of several boots add up: ``first`` beats, those of
    the second detector without a partner (``extra``), how many ``matched``, ``likeness`` summed over
    beats, and of the signal at the coarse rate its ``samples`` and moments, and its power in bands."""

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
    def none(cls, count: int) -> Measures:
        return cls(*(np.zeros(count) for _ in fields(cls)))

    def add(self, other: Measures, first: int) -> None:
        """Add the sums of windows from number ``first`` on."""
        for each in fields(self):
            part = getattr(other, each.name)
            getattr(self, each.name)[first : first + len(part)] += part


def measure(
    signal: Coarse, peaks: Ints, second_s: Floats, utc_ns: Ints, rate_hz: float, ruler: Windows, core: slice
) -> Measures:
    """Sums over the windows of ``ruler`` for the samples of ``core``: ``peaks`` (b,) and ``second_s`` are the
    beats of both detectors, as sample numbers and as seconds on the sample clock."""

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
    return Measures(
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


def table(of: Measures, shares: dict[str, Floats], ruler: Windows) -> pd.DataFrame:
    """A row for each window: ``shares`` (w,) of coverage, flat, clipped and lead_off samples, the indices,
    NaN where they are not defined, and the ``use`` as a place in ``codes.SIGNAL_USE``."""
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
    that of an ECG. Slow wander alone bars nothing: peaks are found above 2.5 Hz."""
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
