"""A second detector, independent of the first, to agree with or not: two moving averages.

After Elgendi, "Fast QRS detection with an optimized knowledge-based method", PLoS ONE 2013; the constants are
from memory. At the coarse rate, since only the place of a beat within 150 ms is asked::

    band 8-20 Hz, squared    ___/\\\\___________/\\\\___
    mean over a QRS (97 ms)  above the mean over a beat (611 ms) + 8 % of the mean: a block;
    a block of 97 ms or more holds one R peak
"""

from __future__ import annotations

import numpy as np
from scipy.ndimage import uniform_filter1d

from nodeday.arrays import Floats, Ints, runs
from nodeday.features.heart.coarse import Coarse

BAND_HZ = (8.0, 20.0)
QRS_S, BEAT_S, SHARE = 0.097, 0.611, 0.08
AROUND_S = 60.0
"""The mean that the threshold rests on; Elgendi takes the whole record. A choice of this project."""
BIN_S, CAP = 2.0, 3.0
"""A movement counts for that mean no more than three times a usual R peak. A choice of this project."""


def second_opinion(signal: Coarse, sample_rate_hz: float) -> Floats:
    """Seconds (b,) on the recording's sample clock at which this detector finds a beat."""
    joined = signal.band(*BAND_HZ)
    joined *= joined
    qrs, beat = (max(1, round(width * signal.rate_hz)) for width in (QRS_S, BEAT_S))
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
