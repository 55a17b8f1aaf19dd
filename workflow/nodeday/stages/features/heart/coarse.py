"""An ECG at about 120 Hz, its continuous stretches joined end to end with reflections between them.

One filter call then serves the thousands of stretches of a lossy day, and none of them feels the others::

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
"""A QRS has next to nothing above 40 Hz; peaks are placed at the full rate later. A choice of this
project."""
LEAST_S, PAD_S = 0.3, 0.5
"""A shorter stretch is not searched; so much is reflected at both ends. Choices of this project."""


@dataclass(frozen=True)
class Coarse:
    """``value`` (m,) of all stretches with their reflections; of the samples that are none, ``place`` (c,)
    in ``value``, ``sample`` (c,), the first of the ``step`` recorded samples that each is the mean of,
    ``stretch`` (c,), its number, and whether it is ``trusted`` (c,). Stretches are samples [start, end).
    """

    value: Floats
    place: Ints
    sample: Ints
    stretch: Ints
    trusted: Bools
    starts: Ints
    ends: Ints
    step: int
    rate_hz: float

    @cached_property
    def inside(self) -> Bools:
        """What of ``value`` (m,) is no reflection."""
        inside = np.zeros(len(self.value), np.bool_)
        inside[self.place] = True
        return inside

    def band(self, low_hz: float, high_hz: float) -> Floats:
        """Zero-phase second-order Butterworth band of the joined signal, (m,)."""
        sos = _sections(low_hz, min(high_hz, 0.45 * self.rate_hz), self.rate_hz)
        return np.asarray(sosfiltfilt(sos, self.value), np.float64)


def coarse(value: Singles | Floats, present: Bools, trusted: Bools, rate_hz: float) -> Coarse | None:
    """``value`` (n,) where it is ``present``; None where no stretch is long enough."""
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
    row, sure = value[kept].reshape(-1, step), trusted[kept].reshape(-1, step)
    mean, good = np.zeros(len(sample)), np.ones(len(sample), np.bool_)
    for each in range(step):
        mean += row[:, each]
        good &= sure[:, each]
    mean /= step
    first = np.cumsum(counts) - counts
    mean -= (np.add.reduceat(mean, first) / counts)[stretch]
    place = number + pad + (first + 2 * pad * np.arange(len(starts)))[stretch]
    joined = np.zeros(len(stretch) + 2 * pad * len(starts))
    joined[place] = mean
    away = np.arange(1, pad + 1)
    for edge, side in ((first, 1), (first + counts - 1, -1)):
        mirror = edge[:, None] + side * np.minimum(away, counts[:, None] - 1)
        joined[place[edge][:, None] - side * away] = 2 * mean[edge][:, None] - mean[mirror]
    return Coarse(joined, place, sample, stretch, good, starts, ends, step, rate_hz / step)


@lru_cache(maxsize=16)
def _sections(low_hz: float, high_hz: float, rate_hz: float) -> Floats:
    return np.asarray(butter(2, (low_hz, high_hz), "bandpass", fs=rate_hz, output="sos"), np.float64)
