"""R peaks of one boot of an ECG, found within continuous stretches only.

Two moving averages after Elgendi, "Fast QRS detection with an optimized knowledge-based method",
PLoS ONE 2013; the constants are from memory::

    band 8-20 Hz, squared    ___/\\___________/\\___
    mean over a QRS (97 ms)  above the mean over a beat (611 ms) + 8 % of the mean: a block;
    a block of 97 ms or more holds one R peak
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache, partial

import numpy as np
from scipy.signal import butter, sosfiltfilt

from nodeday.features.stretches import Bools, Floats, Ints, apply, edges_of, masked_mean, moving_mean, runs

QRS_S, BEAT_S, SHARE, REFRACTORY_S = 0.097, 0.611, 0.08, 0.3
REACH_S = 0.06
"""The peak is sought so far to both sides of the block's."""
AROUND_S = 60.0
"""The mean that the threshold rests on; Elgendi takes the whole record. A choice of this project."""
BIN_S, CAP = 2.0, 3.0
"""A movement counts for that mean no more than three times a usual R peak. A choice of this project."""
LEAST_MV = 0.05
"""What is smaller is noise of the converter or of the filter. A choice of this project."""
OPPOSITE = 1.4
"""A peak against the recording's usual polarity must be so much higher. A choice of this project."""


@dataclass(frozen=True)
class Peaks:
    """R peaks in order: ``sample`` (b,) nearest index, ``shift`` (b,) in [-0.5, 0.5] samples from it,
    ``height_mv`` (b,) in the 1-40 Hz band, negative where the peak points down."""

    sample: Ints
    shift: Floats
    height_mv: Floats


def r_peaks(value: Floats, present: Bools, trusted: Bools, rate_hz: float) -> Peaks:
    """R peaks of ``value`` (n,) in mV, sampled at ``rate_hz``.

    A stretch is a run of ``present`` samples; it may hold computed ones. Only ``trusted``
    samples (measured, not at a rail, not flat) set the threshold. Stretches shorter than a beat
    window hold too little to tell a QRS from noise, and give no peak. A peak at the very edge of
    a stretch is none, since its other side was not seen; nor is one against the usual polarity where
    a gap cut the search off.
    """
    starts, ends = runs(present)
    long = ends - starts >= int(BEAT_S * rate_hz)
    starts, ends = starts[long], ends[long]
    if not len(starts) or rate_hz <= 2 * 20.0:
        return Peaks(np.zeros(0, np.int64), np.zeros(0), np.zeros(0))
    first, last = edges_of(starts, ends, len(value))
    band = apply(value, starts, ends, partial(_band, low=8.0, high=20.0, rate_hz=rate_hz))
    wide = apply(value, starts, ends, partial(_band, low=1.0, high=40.0, rate_hz=rate_hz))
    begin, end = _blocks(band**2, trusted & (last > first), first, last, rate_hz)
    if not len(begin):
        return Peaks(np.zeros(0, np.int64), np.zeros(0), np.zeros(0))
    return _refined(wide, _tops(np.abs(band), begin, end), first, last, rate_hz)


@lru_cache(maxsize=8)
def _sections(low: float, high: float, rate_hz: float) -> Floats:
    """One design serves the thousands of stretches of a lossy day."""
    return np.asarray(butter(3, (low, high), "bandpass", fs=rate_hz, output="sos"), np.float64)


def _band(value: Floats, low: float, high: float, rate_hz: float) -> Floats:
    """Zero-phase third-order Butterworth band of one stretch (n,)."""
    sos = _sections(low, min(high, 0.45 * rate_hz), rate_hz)
    centred = value - value.mean()  # so that a constant stays exactly zero
    return np.asarray(sosfiltfilt(sos, centred, padlen=min(len(value) - 1, int(rate_hz / 4))), np.float64)


def _blocks(power: Floats, trusted: Bools, first: Ints, last: Ints, rate_hz: float) -> tuple[Ints, Ints]:
    qrs = round(QRS_S * rate_hz)
    short = moving_mean(power, qrs, first, last)
    beat = moving_mean(power, round(BEAT_S * rate_hz), first, last)
    capped = np.minimum(power, CAP * _typical_top(power, trusted, round(BIN_S * rate_hz)))
    floor = masked_mean(capped, trusted, round(AROUND_S * rate_hz))
    begin, end = runs((short > beat + SHARE * floor) & (last > first))
    wide = end - begin >= qrs
    return begin[wide], end[wide]


def _typical_top(power: Floats, trusted: Bools, width: int) -> float:
    """Median of the largest trusted ``power`` in each ``width`` samples: about the power of an R peak.

    Infinite where too little is trusted to tell.
    """
    whole = len(power) // width * width
    tops = np.where(trusted, power, 0.0)[:whole].reshape(-1, width).max(axis=1)
    return float(np.median(tops[tops > 0])) if (tops > 0).any() else np.inf


def _tops(height: Floats, begin: Ints, end: Ints) -> Ints:
    """Index of the largest ``height`` in each block [begin, end)."""
    lengths = end - begin
    flat = np.arange(lengths.sum()) + np.repeat(begin - (np.cumsum(lengths) - lengths), lengths)
    top = np.maximum.reduceat(height[flat], np.cumsum(lengths) - lengths)
    at_top = flat[height[flat] == np.repeat(top, lengths)]
    return np.asarray(at_top[np.searchsorted(at_top, begin)], np.int64)


def _refined(wide: Floats, near: Ints, first: Ints, last: Ints, rate_hz: float) -> Peaks:
    """Peaks moved to the top of the wide band, made sub-sample by a parabola, doubles removed."""
    reach = np.arange(-round(REACH_S * rate_hz), round(REACH_S * rate_hz) + 1)
    index = np.clip(near[:, None] + reach, first[near][:, None], last[near][:, None] - 1)
    around = wide[index]
    rows = np.arange(len(near))
    up, down = around.argmax(axis=1), around.argmin(axis=1)
    high, deep = around[rows, up], -around[rows, down]
    usual = 1.0 if np.median(high - deep) >= 0 else -1.0
    points_up = high >= deep / OPPOSITE if usual > 0 else high > deep * OPPOSITE
    top = index[rows, np.where(points_up, up, down)]
    sign = np.where(points_up, 1.0, -1.0)
    # At a cut the R itself may be lost, and its neighbour, the Q or S, would stand in for it.
    cut = (near + reach[0] < first[near]) | (near + reach[-1] >= last[near])
    seen = (top > first[top]) & (top < last[top] - 1) & ~(cut & (sign != usual))
    top, sign = top[seen], sign[seen]
    before, at, after = (sign * wide[top + step] for step in (-1, 0, 1))
    real = (at >= before) & (at >= after) & (at >= LEAST_MV)
    top, sign, before, at, after = (each[real] for each in (top, sign, before, at, after))
    bend = before - 2 * at + after
    shift = np.where(bend < 0, 0.5 * (before - after) / np.where(bend < 0, bend, -1.0), 0.0)
    shift = np.clip(shift, -0.5, 0.5)
    height = at - 0.25 * (before - after) * shift
    kept = _apart(top, height, REFRACTORY_S * rate_hz)
    return Peaks(top[kept], shift[kept], (sign * height)[kept])


def _apart(at: Ints, height: Floats, least: float) -> Ints:
    """Indices of peaks at least ``least`` samples apart; of two that are closer the higher stays."""
    kept = np.arange(len(at))
    while True:
        close = np.flatnonzero(np.diff(at[kept]) < least)
        if not len(close):
            return kept
        # Of a crowd only the lowest goes in each round, so that its neighbours are judged anew.
        pair = height[kept]
        lower = np.where(pair[close] < pair[close + 1], close, close + 1)
        lone = np.concatenate([[True], np.diff(close) > 1])
        kept = np.delete(kept, np.unique(lower[lone]))
