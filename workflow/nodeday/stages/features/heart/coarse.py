"""An ECG at about 120 Hz, its continuous stretches joined end to end with reflections between them.

One filter call then serves the thousands of stretches of a lossy day, and no stretch affects another::

    samples   aaaaaaaa      bbbb        cccccc        (blanks: lost)
    joined    <aaaaaaaa> <bbbb> <cccccc>              (<, >: half a second of odd reflection)
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property, lru_cache

import numpy as np
from scipy.signal import butter, sosfiltfilt

from nodeday.core.arrays import Bools, Floats, Ints, Singles, runs, spread

RATE_HZ = 120.0
"""A QRS has next to nothing above 40 Hz; peaks are located at the full rate later. A choice of this
project."""
LEAST_S, PAD_S = 0.3, 0.5
"""Shortest stretch that is searched, and length of the reflection at both ends. Choices of this project."""


@dataclass(frozen=True)
class CoarseSignal:
    """The joined stretches of an ECG at the coarse rate.

    ``value`` (m,) holds all stretches with their reflections. The coarse samples that are no reflection have
    the index ``index`` (c,) in it; each is the mean of ``step`` recorded samples from number ``sample`` (c,)
    on, belongs to the ``stretch`` (c,) of that number, and is ``trusted`` (c,) if all of them are. Stretch i
    is the recorded samples [starts[i], ends[i]).
    """

    value: Floats
    index: Ints
    sample: Ints
    stretch: Ints
    trusted: Bools
    starts: Ints
    ends: Ints
    step: int
    rate_hz: float

    @cached_property
    def inside(self) -> Bools:
        """Mask (m,) of the values that are no reflection."""
        inside = np.zeros(len(self.value), np.bool_)
        inside[self.index] = True
        return inside

    def band(self, low_hz: float, high_hz: float) -> Floats:
        """Return the joined signal (m,) in a band, by a zero-phase second-order Butterworth filter."""
        sos = _sections(low_hz, min(high_hz, 0.45 * self.rate_hz), self.rate_hz)
        return np.asarray(sosfiltfilt(sos, self.value), np.float64)

    def seconds(self, number: Ints, sample_rate_hz: float) -> Floats:
        """Return the instants (k,) of coarse samples by ``number`` (k,), in seconds of the sample clock."""
        return np.asarray((self.sample[number] + (self.step - 1) / 2) / sample_rate_hz, np.float64)


def coarse_signal(
    value: Singles | Floats, present: Bools, trusted: Bools, rate_hz: float
) -> CoarseSignal | None:
    """Return the signal at the coarse rate; None where no stretch is long enough to be searched.

    ``value`` (n,) counts where it is ``present`` (n,); ``trusted`` (n,) are samples that were measured and
    are good.
    """
    starts, ends = runs(present)
    long = ends - starts >= LEAST_S * rate_hz
    starts, ends = starts[long], ends[long]
    if not len(starts):
        return None
    step = max(1, round(rate_hz / RATE_HZ))
    counts = (ends - starts) // step
    pad = round(PAD_S * rate_hz / step)
    stretch = np.repeat(np.arange(len(starts)), counts)
    number = np.arange(len(stretch)) - np.repeat(np.cumsum(counts) - counts, counts)
    sample = starts[stretch] + number * step
    # Side by side, the samples of a mean are read in a row, which is quicker than one by one.
    kept = spread(starts, starts + counts * step, len(value))
    rows, sure = value[kept].reshape(-1, step), trusted[kept].reshape(-1, step)
    mean, good = np.zeros(len(sample)), np.ones(len(sample), np.bool_)
    for column in range(step):
        mean += rows[:, column]
        good &= sure[:, column]
    mean /= step
    first = np.cumsum(counts) - counts
    mean -= (np.add.reduceat(mean, first) / counts)[stretch]
    index = number + pad + (first + 2 * pad * np.arange(len(starts)))[stretch]
    joined = np.zeros(len(stretch) + 2 * pad * len(starts))
    joined[index] = mean
    away = np.arange(1, pad + 1)
    for edge, side in ((first, 1), (first + counts - 1, -1)):
        mirror = edge[:, None] + side * np.minimum(away, counts[:, None] - 1)
        joined[index[edge][:, None] - side * away] = 2 * mean[edge][:, None] - mean[mirror]
    return CoarseSignal(joined, index, sample, stretch, good, starts, ends, step, rate_hz / step)


@lru_cache(maxsize=16)
def _sections(low_hz: float, high_hz: float, rate_hz: float) -> Floats:
    """Return the second-order sections of the band-pass filter."""
    return np.asarray(butter(2, (low_hz, high_hz), "bandpass", fs=rate_hz, output="sos"), np.float64)
