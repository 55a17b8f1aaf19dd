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
    count, weight, fastest = windows.sums(utc), None, max([source.rate_hz, *source.rates])
    if samples.rate_hz is not None:
        weight = source.rate_hz / samples.rate_hz[received]  # a sample counts by the time it stands for
    stream = source.epochs(windows.sums(utc, weight))
    for channel in source.kind.channels:
        value = samples.values[channel.name][received].astype(np.float64)
        mean, spread = mean_and_spread(windows, utc, value, weight)
        level = stream.feature("mean", mean, channel=channel.name)
        change = rate_of_change(level.value, windows.seconds)
        features.append(level)
        if fastest * windows.seconds >= 2:
            features.append(stream.feature("spread", spread, count > 1, TOO_FEW_SAMPLES, channel.name))
        if fastest * windows.seconds >= 3:
            rise = slope(windows, utc, value, weight)
            features.append(stream.feature("slope", rise, count > 2, TOO_FEW_SAMPLES, channel.name))
        features.append(
            stream.feature("rate_of_change", change, np.isfinite(change), NONE_BEFORE, channel.name)
        )
    return StreamFeatures(features, len(samples), len(utc))


def mean_and_spread(
    windows: Windows, utc_ns: Ints, value: Floats, weight: Floats | None = None
) -> tuple[Floats, Floats]:
    """Return mean and standard deviation (n - 1) of ``value`` (n,) in each epoch, (count,) each.

    NaN without samples, and a NaN spread with fewer than two. Sums run over differences from
    the epoch's mean, so that a small spread on a large value is not rounded away. ``weight`` (n,) is how much
    each sample counts; of one weight are all where it is None.
    """
    w = np.ones(len(value)) if weight is None else weight
    count, total = windows.sums(utc_ns), windows.sums(utc_ns, w)
    mean = ratio(windows.sums(utc_ns, w * value), total)
    off = value - mean[windows.of(utc_ns)] if len(value) else value
    square = windows.sums(utc_ns, w * off**2)
    return mean, np.sqrt(ratio(square, np.where(count > 1, total * (count - 1) / np.maximum(count, 1), 0)))


def slope(windows: Windows, utc_ns: Ints, value: Floats, weight: Floats | None = None) -> Floats:
    """Return the slope (count,) of the least-squares line through ``value`` (n,) in each epoch, per minute.

    NaN where the samples of an epoch share one instant, or there are fewer than two. ``weight`` (n,) as in
    :func:`mean_and_spread`.
    """
    if not len(value):
        return np.full(windows.count, np.nan)
    w = np.ones(len(value)) if weight is None else weight
    epoch, total = windows.of(utc_ns), windows.sums(utc_ns, w)
    minutes = (utc_ns - windows.starts_ns[epoch]) / 60e9
    across = minutes - ratio(windows.sums(utc_ns, w * minutes), total)[epoch]
    up = value - ratio(windows.sums(utc_ns, w * value), total)[epoch]
    return ratio(windows.sums(utc_ns, w * across * up), windows.sums(utc_ns, w * across**2))


def rate_of_change(mean: Floats, seconds: int) -> Floats:
    """Return the change (count,) of each epoch's ``mean`` (count,) since the epoch before, per minute.

    NaN where either has no value; ``seconds`` is the length of an epoch.
    """
    return np.diff(mean, prepend=np.nan) * (60 / seconds)
