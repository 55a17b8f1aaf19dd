"""Features of any other stream: mean, spread, slope and rate of change of each channel."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from nodeday.core.arrays import Floats, Ints
from nodeday.stages.features.stream import FeatureValues, Samples, SampleSource
from nodeday.stages.features.windows import NONE_BEFORE, TOO_FEW_SAMPLES, Windows, ratio


@dataclass(frozen=True)
class StreamFeatures:
    """Features of a stream, how many rows it has, and how many of them were received."""

    features: list[FeatureValues]
    rows: int
    received: int


def features_of(source: SampleSource) -> StreamFeatures:
    """Return mean, spread, slope and rate of change of each channel of a stream.

    A spread or slope for which no epoch could hold enough samples is left out.
    """
    features, windows = [], source.windows
    samples = Samples.joined(list(source.read()))
    received = samples.received
    utc = samples.utc_ns[received]
    count = windows.sums(utc)
    stream = source.epochs(count)
    for channel in source.kind.channels:
        value = samples.values[channel.name][received].astype(np.float64)
        mean, spread = mean_and_spread(windows, utc, value)
        level = stream.feature("mean", mean, channel=channel.name)
        change = rate_of_change(level.value, windows.seconds)
        features.append(level)
        if stream.rate_hz * windows.seconds >= 2:
            features.append(stream.feature("spread", spread, count > 1, TOO_FEW_SAMPLES, channel.name))
        if stream.rate_hz * windows.seconds >= 3:
            features.append(
                stream.feature("slope", slope(windows, utc, value), count > 2, TOO_FEW_SAMPLES, channel.name)
            )
        features.append(
            stream.feature("rate_of_change", change, np.isfinite(change), NONE_BEFORE, channel.name)
        )
    return StreamFeatures(features, len(samples), len(utc))


def mean_and_spread(windows: Windows, utc_ns: Ints, value: Floats) -> tuple[Floats, Floats]:
    """Return mean and standard deviation (n - 1) of ``value`` (n,) in each epoch, (count,) each.

    NaN without samples, and a NaN spread with fewer than two. Sums run over differences from
    the epoch's mean, so that a small spread on a large value is not rounded away.
    """
    count = windows.sums(utc_ns)
    mean = ratio(windows.sums(utc_ns, value), count)
    off = value - mean[windows.of(utc_ns)] if len(value) else value
    square = windows.sums(utc_ns, off**2)
    return mean, np.sqrt(ratio(square, np.where(count > 1, count - 1, 0)))


def slope(windows: Windows, utc_ns: Ints, value: Floats) -> Floats:
    """Return the slope (count,) of the least-squares line through ``value`` (n,) in each epoch, per minute.

    NaN where the samples of an epoch share one instant, or there are fewer than two.
    """
    if not len(value):
        return np.full(windows.count, np.nan)
    epoch, count = windows.of(utc_ns), windows.sums(utc_ns)
    minutes = (utc_ns - windows.starts_ns[epoch]) / 60e9
    across = minutes - ratio(windows.sums(utc_ns, minutes), count)[epoch]
    up = value - ratio(windows.sums(utc_ns, value), count)[epoch]
    return ratio(windows.sums(utc_ns, across * up), windows.sums(utc_ns, across**2))


def rate_of_change(mean: Floats, seconds: int) -> Floats:
    """Return the change (count,) of each epoch's ``mean`` (count,) since the epoch before, per minute.

    NaN where either has no value; ``seconds`` is the length of an epoch.
    """
    return np.diff(mean, prepend=np.nan) * (60 / seconds)
