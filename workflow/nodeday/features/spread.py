"""Mean and spread of any other channel."""

from __future__ import annotations

import numpy as np

from nodeday.features.stretches import Floats, Ints
from nodeday.features.windows import Windows, ratio


def mean_and_spread(windows: Windows, utc_ns: Ints, value: Floats) -> tuple[Floats, Floats]:
    """Mean and standard deviation (n - 1) of ``value`` (n,) in each epoch, (count,) each.

    NaN without samples, and a NaN spread with fewer than two. Sums run over differences from
    the epoch's mean, so that a small spread on a large value is not rounded away.
    """
    count = windows.sums(utc_ns)
    mean = ratio(windows.sums(utc_ns, value), count)
    off = value - mean[windows.of(utc_ns)] if len(value) else value
    square = windows.sums(utc_ns, off**2)
    return mean, np.sqrt(ratio(square, np.where(count > 1, count - 1, 0)))
