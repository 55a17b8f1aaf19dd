"""Features of any other stream: mean and spread of each channel."""

from __future__ import annotations

import numpy as np

from nodeday.features.stream import RECEIVED, Feature, Stream
from nodeday.features.stretches import Floats, Ints
from nodeday.features.windows import TOO_FEW_SAMPLES, Windows, ratio


def features_of(stream: Stream) -> list[Feature]:
    """Mean and spread of each channel; a spread that no epoch could hold two samples for is left out."""
    found, windows = [], stream.windows
    for channel, rows in zip(stream.kind.channels, stream.channels, strict=True):
        got = rows["origin"].isin(RECEIVED).to_numpy(np.bool_)
        utc, value = stream.utc_ns[got], rows["value"].to_numpy(np.float64)[got]
        mean, spread = mean_and_spread(windows, utc, value)
        found.append(stream.feature("mean", mean, channel=channel.name))
        if stream.rate_hz * windows.seconds >= 2:
            found.append(
                stream.feature("spread", spread, windows.sums(utc) > 1, TOO_FEW_SAMPLES, channel.name)
            )
    return found


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
