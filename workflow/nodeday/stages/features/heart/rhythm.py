"""Marks of the rhythm: early beats, the longest interval, slowest and fastest ten seconds, pauses.

Each is a figure with a definition, and none is a finding about a person. Slowest and fastest are taken over
ten seconds, so that no single interval makes them::

    epoch        |------------------------------|
    ten seconds  |---------|
                  |---------|                          one begins at each whole second
                                       |---------|
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from nodeday.core.arrays import Bools, Floats, Ints
from nodeday.schemas import codes
from nodeday.stages.features.heart import quality
from nodeday.stages.features.heart.artefacts import local_median
from nodeday.stages.features.heart.ecg_stream import HeartStream
from nodeday.stages.features.heart.intervals import ECTOPIC, PAUSE
from nodeday.stages.features.heart.irregularity import counted
from nodeday.stages.features.heart.rates import LEAST_INTERVALS, BeatSeries, heart_rate
from nodeday.stages.features.stream import FeatureValues
from nodeday.stages.features.windows import HAS_VALUE, SECOND, TOO_FEW_BEATS, TOO_SHORT, ratio

EXTREME_S, LEAST_SEEN = 10, 0.8
"""Length of the windows of the slowest and fastest rate, and the share of one in which beats must have been
seen. Choices of this project."""
LEAST_CLASSED = 10
"""Fewest intervals of a share of ectopic beats. A choice of this project."""
PAUSE_EVENT, SLOWEST, FASTEST = (
    list(codes.RHYTHM_EVENT).index(code) for code in ("pause", "slowest", "fastest")
)


def rhythm_features(heart: HeartStream) -> list[FeatureValues]:
    """Return the marks of the rhythm in every epoch."""
    epoch, series = heart.span(0.0), heart.series
    share, classed = ectopic_share(series, epoch.starts_ns, epoch.ends_ns)
    longest, count = longest_interval(series, epoch.starts_ns, epoch.ends_ns)
    rates, _ = ten_second_rates(heart)
    short = (np.full(len(share), rates.shape[1] == 0), TOO_SHORT)
    few_classed, few = (classed < LEAST_CLASSED, TOO_FEW_BEATS), (count < LEAST_INTERVALS, TOO_FEW_BEATS)
    return [
        heart.feature("ectopic_pct", 100 * share, epoch, quality.VARIABILITY, [few_classed]),
        heart.feature("longest_rr_ms", longest, epoch, quality.RATE, [few]),
        heart.feature("heart_rate_low_bpm", _least(rates), epoch, quality.RATE, [short]),
        heart.feature("heart_rate_high_bpm", -_least(-rates), epoch, quality.RATE, [short]),
    ]


def ectopic_share(series: BeatSeries, starts_ns: Ints, ends_ns: Ints) -> tuple[Floats, Floats]:
    """Return the share of beats that come too early (w,), and the count of beats (w,) that it is of.

    A beat comes too early where the interval before it is ectopic and shorter than the median around. Beats
    that may be false, one more between two usual ones, are not among them.
    """
    known = counted(series)
    early = known & (series.status == ECTOPIC) & (series.rr < local_median(series.rr, known))
    low, high = series.within(starts_ns, ends_ns)
    sums = [np.concatenate([[0.0], np.cumsum(mask)]) for mask in (early, known)]
    found, all_beats = (total[high] - total[low] for total in sums)
    return ratio(found, all_beats), all_beats


def longest_interval(series: BeatSeries, starts_ns: Ints, ends_ns: Ints) -> tuple[Floats, Floats]:
    """Return the longest interval (w,) in ms that ends in each window, pauses included, and how many do."""
    known = counted(series)
    at_ns, rr = series.at_ns[known], series.rr[known]
    low, high = (np.searchsorted(at_ns, edges) for edges in (starts_ns, ends_ns))
    some, longest = high > low, np.full(len(low), np.nan)
    for window in np.flatnonzero(some).tolist():
        longest[window] = rr[low[window] : high[window]].max()
    return longest, (high - low).astype(np.float64)


def ten_second_rates(heart: HeartStream) -> tuple[Floats, Ints]:
    """Return the heart rate in bpm of the ten seconds from each second of each epoch on, (w, k).

    NaN where beats were seen in less than eight of them, or the signal is not good for rate in all. Also the
    start of each, (w, k), in ns.
    """
    windows = heart.windows
    starts = windows.starts_ns[:, None] + np.arange(max(windows.seconds - EXTREME_S + 1, 0)) * SECOND
    flat = starts.ravel()
    rate, count = heart_rate(heart.series, flat, flat + EXTREME_S * SECOND)
    seen_s = 60 * count / rate
    good = (count >= LEAST_INTERVALS) & (seen_s >= LEAST_SEEN * EXTREME_S)
    good &= heart.usable(flat, flat + EXTREME_S * SECOND)[quality.RATE] == 1
    return np.where(good, rate, np.nan).reshape(starts.shape), starts


def _least(values: Floats) -> Floats:
    """Return the least of each row of ``values`` (w, k), NaN where there is none."""
    least = np.where(np.isnan(values), np.inf, values).min(axis=1, initial=np.inf)
    return np.where(np.isfinite(least), least, np.nan)


@dataclass(frozen=True)
class RhythmEvents:
    """Events of the rhythm (e,), in order of time within each kind.

    ``event`` is an index into ``codes.RHYTHM_EVENT``; [``start_ns``, ``end_ns``) its span; ``rr_ms`` the
    length of a pause, and ``rate_bpm`` the rate of ten seconds, NaN for others.
    """

    event: Ints
    start_ns: Ints
    end_ns: Ints
    rr_ms: Floats
    rate_bpm: Floats


def rhythm_events(heart: HeartStream, features: list[FeatureValues]) -> RhythmEvents:
    """Return the pauses of a stream, and its slowest and fastest ten seconds.

    Only epochs in which these ``features`` have values are looked at for the slowest and the fastest.
    """
    series, by_name = heart.series, {feature.name: feature for feature in features}
    paused = series.status == PAUSE
    end, rr = series.at_ns[paused], series.rr[paused]
    none = np.full(len(end), np.nan)
    parts = [
        RhythmEvents(np.full(len(end), PAUSE_EVENT), end - np.rint(rr * 1e6).astype(np.int64), end, rr, none)
    ]
    rates, starts = ten_second_rates(heart)
    for event, name, sign in ((SLOWEST, "heart_rate_low_bpm", 1), (FASTEST, "heart_rate_high_bpm", -1)):
        valid: Bools = np.isfinite(rates) & (by_name[name].reason == HAS_VALUE)[:, None]
        if not valid.any():
            continue
        at = int(np.argmin(np.where(valid, sign * rates, np.inf)))
        start = starts.ravel()[at : at + 1]
        rate = rates.ravel()[at : at + 1]
        parts.append(
            RhythmEvents(np.array([event]), start, start + EXTREME_S * SECOND, np.full(1, np.nan), rate)
        )
    columns = (
        np.concatenate([getattr(part, name) for part in parts]) for name in RhythmEvents.__annotations__
    )
    return RhythmEvents(*columns)
