"""Heart features of each epoch, from beats and the status of their intervals."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from nodeday.features.heart.intervals import BEAT_IN_FILL, NORMAL
from nodeday.features.stretches import Bools, Floats, Ints
from nodeday.features.windows import Windows, ratio

LEAST_INTERVALS, LEAST_PAIRS = 2, 10


def rmssd_ms(rr: Floats) -> float:
    """Root mean square of successive differences, ms, of adjacent intervals ``rr`` (n,) in ms.

    sqrt(mean((rr[i+1] - rr[i])^2)), Task Force of the ESC and NASPE 1996, from memory; NaN for
    fewer than two intervals.
    """
    return float(np.sqrt(np.mean(np.diff(rr) ** 2))) if len(rr) > 1 else float("nan")


def heart_rate(windows: Windows, utc_ns: Ints, rr: Floats, status: NDArray[np.int8]) -> tuple[Floats, Bools]:
    """60000 / mean(RR) in bpm (count,), and where at least two intervals stand behind it.

    Intervals count where they end; normal ones and those of beats in fills.
    """
    use = (status == NORMAL) | (status == BEAT_IN_FILL)
    count = windows.sums(utc_ns[use])
    return 60_000.0 * ratio(count, windows.sums(utc_ns[use], rr[use])), count >= LEAST_INTERVALS


def rmssd(windows: Windows, utc_ns: Ints, rr: Floats, status: NDArray[np.int8]) -> tuple[Floats, Bools]:
    """RMSSD in ms (count,) over pairs of adjacent normal intervals that both end in the epoch, and
    where at least ten pairs stand behind it. The beats may span boots: a boot's first is never normal."""
    normal, epoch = status == NORMAL, windows.of(utc_ns)
    pair = normal[1:] & normal[:-1] & (epoch[1:] == epoch[:-1])
    at, steps = utc_ns[1:][pair], np.diff(rr)[pair]
    count = windows.sums(at)
    return np.sqrt(ratio(windows.sums(at, steps**2), count)), count >= LEAST_PAIRS
