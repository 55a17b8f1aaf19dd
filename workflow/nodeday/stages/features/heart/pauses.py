"""Whether clean signal shows that a long interval holds no beat.

A pause is shown by the signal between two beats, never by the lack of a detected one::

    signal   __R_________________________R__     a pause: nothing there comes near a beat
    signal   __R_____~~^~~_~^~^~~________R__     something does: beats may have been missed
    signal   __R___________xxxx__________R__     some of it was lost (x): nothing is known
"""

from __future__ import annotations

import numpy as np

from nodeday.core.arrays import Bools, Floats, Ints
from nodeday.stages.features.heart.coarse import CoarseSignal
from nodeday.stages.features.heart.intervals import LEAST_PAUSE_MS

BAND_HZ = (5.0, 15.0)
"""Most of the power of a QRS, be it narrow or wide, and little of a P or T wave; as in the index pSQI."""
AFTER_S, BEFORE_S = 0.2, 0.1
"""No beat follows another within 200 ms, from memory; the begin of the second beat's QRS does not count, a
choice of this project."""
NEAR_S = 0.06
"""A beat is as high as the band is within 60 ms of its peak."""
SHARE = 0.5
"""Nothing in a pause reaches half the height of the lower of its two beats: P and T waves rarely do in this
band, and a wide early beat does. A choice of this project."""


def empty_before(signal: CoarseSignal, peaks: Ints, rate_hz: float) -> Bools:
    """Return for which ``peaks`` (b,) the long interval before is seen to hold no beat.

    ``peaks`` are sample numbers in order, at ``rate_hz``. False for the first peak, for intervals that are
    not long, and where a sample between was not received or is not good.
    """
    empty = np.zeros(len(peaks), np.bool_)
    long = np.flatnonzero(np.diff(peaks) > LEAST_PAUSE_MS / 1000 * rate_hz)
    if not len(long):
        return empty
    height = np.abs(signal.band(*BAND_HZ)[signal.index])
    trusted = np.concatenate([[0], np.cumsum(signal.trusted)])
    for one in long.tolist():
        first, second = peaks[one], peaks[one + 1]
        begin, end = np.searchsorted(signal.sample, (first + AFTER_S * rate_hz, second - BEFORE_S * rate_hz))
        all_good = trusted[end] - trusted[begin] == end - begin
        unbroken = (end - begin) * signal.step >= signal.sample[end] - signal.sample[begin]
        beats = min(_height_at(signal, height, peak, rate_hz) for peak in (first, second))
        empty[one + 1] = all_good and unbroken and height[begin:end].max(initial=0.0) < SHARE * beats
    return empty


def _height_at(signal: CoarseSignal, height: Floats, peak: int, rate_hz: float) -> float:
    """Return the largest ``height`` (c,) of the coarse samples near the sample ``peak``."""
    reach = NEAR_S * rate_hz
    low, high = np.searchsorted(signal.sample, (peak - reach, peak + reach))
    return float(height[low:high].max(initial=0.0))
