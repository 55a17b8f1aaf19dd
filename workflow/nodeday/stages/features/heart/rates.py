"""Heart rate and time-domain variability of each window, and the heart-rate reserve.

All from beats and the status of their intervals. A window [start, end) may be longer than the epoch that it
stands for, so windows may overlap: sums come from running totals. Definitions: Task Force of the ESC and
NASPE, "Heart rate variability: standards of measurement", Circulation 93, 1996, from memory; SD1 and SD2:
Brennan, Palaniswami and Kamen 2001, from memory.

Reserve and maximum: individuals differ from an age-predicted maximum by about 10 bpm (standard deviation,
from memory), which is why these are for groups and trends, and never a limit for a person.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nodeday.config.models import Participant
from nodeday.core.arrays import Bools, Floats, Ints
from nodeday.schemas import codes
from nodeday.stages.features.heart.intervals import FOR_RATE, FOR_VARIABILITY
from nodeday.stages.features.stream import FeatureValues
from nodeday.stages.features.windows import HAS_VALUE, NO_PARTICIPANT_FACTS, ratio

LEAST_INTERVALS, LEAST_PAIRS = 2, 10
"""Fewest intervals of a heart rate, and fewest pairs of adjacent intervals of a variability."""
_COUNTS_FOR_RATE, _COUNTS_FOR_VARIABILITY = (
    np.isin(np.arange(len(codes.RR_STATUS)), statuses) for statuses in (FOR_RATE, FOR_VARIABILITY)
)


@dataclass(frozen=True)
class BeatSeries:
    """Beats (b,) in order of time: ``at_ns``, the interval ``rr`` before each in ms, and its ``status``."""

    at_ns: Ints
    rr: Floats
    status: NDArray[np.int8]

    def within(self, starts_ns: Ints, ends_ns: Ints) -> tuple[Ints, Ints]:
        """Return the half-open range of the beats of each window [start, end), (w,) each."""
        low, high = (np.searchsorted(self.at_ns, edges) for edges in (starts_ns, ends_ns))
        return low, high

    @cached_property
    def totals(self) -> RunningTotals:
        """Running totals of the intervals that count for variability."""
        return RunningTotals.of(self.rr, self.status)


def for_rate(status: NDArray[np.int8]) -> Bools:
    """Return which intervals (b,) count for heart rate, by their ``status`` (b,)."""
    return np.asarray(_COUNTS_FOR_RATE[status], np.bool_)


def for_variability(status: NDArray[np.int8]) -> Bools:
    """Return which intervals (b,) count for variability, by their ``status`` (b,)."""
    return np.asarray(_COUNTS_FOR_VARIABILITY[status], np.bool_)


@dataclass(frozen=True)
class RunningTotals:
    """Running totals (b + 1,) of the intervals that count for variability, and of their differences.

    Of intervals: the ``count``, the sum ``total_ms``, and the sums of their ``deviation`` from the mean of
    all and of its ``square``. Of pairs of adjacent ones: the count ``pairs``, the sums of their ``step`` and
    of its square, and the count of ``steep`` steps, those over 50 ms. ``counting`` are the indices of the
    intervals that count, and a zero; ``rr`` (b + 1,) their lengths in ms, 0 for all others.
    """

    count: Ints
    total_ms: Floats
    deviation: Floats
    square: Floats
    pairs: Ints
    step: Floats
    step_square: Floats
    steep: Ints
    counting: Ints
    rr: Floats

    @classmethod
    def of(cls, rr_ms: Floats, status: NDArray[np.int8]) -> RunningTotals:
        """Return the totals of intervals ``rr_ms`` (b,) with their ``status`` (b,)."""
        use = for_variability(status)
        rr = np.where(use, rr_ms, 0.0)
        level = rr[use].mean() if use.any() else 0.0
        deviation = np.where(use, rr - level, 0.0)  # keeps running totals of squares small
        pair = np.concatenate([[False], use[1:] & use[:-1]])[: len(use)]
        step = np.where(pair, np.diff(rr, prepend=0.0), 0.0)
        return cls(
            _running(use),
            _running(rr),
            _running(deviation),
            _running(deviation**2),
            _running(pair),
            _running(step),
            _running(step**2),
            _running(np.abs(step) > 50),
            np.append(np.flatnonzero(use), 0),
            np.append(rr, 0.0),
        )


@dataclass(frozen=True)
class TimeDomain:
    """Time-domain variability of each window, (w,) each; NaN where it is not defined.

    ``pairs`` counts the pairs of adjacent intervals; ``span_s`` reaches from the begin of the first to the
    end of the last interval that counts, and ``kept_s`` is the sum of those that count.
    """

    sdnn_ms: Floats
    rmssd_ms: Floats
    pnn50_pct: Floats
    sd1_ms: Floats
    sd2_ms: Floats
    pairs: Floats
    span_s: Floats
    kept_s: Floats


def heart_rate(series: BeatSeries, starts_ns: Ints, ends_ns: Ints) -> tuple[Floats, Floats]:
    """Return the heart rate in bpm (w,), and the count of intervals in each window (w,).

    The beats of a window [start, end) over the time of it in which beats could be seen. An interval that
    reaches over an edge counts by the share of it that lies inside, as in Berger, Akselrod, Gordon and Cohen
    1986 (from memory), so that a pause slows down each window that holds a part of it::

        beats      R    R    R    R   xxxxxxxx   R    R        x lost
        window        [---------------------------)
        counts        0.6 + 1 + 1                 + 0.1        over the time that these take
    """
    if not len(series.at_ns):
        return np.full(len(starts_ns), np.nan), np.zeros(len(starts_ns))
    use = for_rate(series.status)
    since = (series.at_ns - series.at_ns[0]) / 1e6
    rr = np.where(use, series.rr, 0.0)
    count, seen = (
        np.diff(
            [
                np.interp((edges - series.at_ns[0]) / 1e6, since, np.cumsum(part))
                for edges in (starts_ns, ends_ns)
            ],
            axis=0,
        )[0]
        for part in (use, rr)
    )
    return 60_000.0 * ratio(count, seen), count


def variability(series: BeatSeries, starts_ns: Ints, ends_ns: Ints) -> TimeDomain:
    """Return SDNN, RMSSD, pNN50, SD1 and SD2 of the intervals that count and end in each window (w,).

    Differences are those of adjacent intervals of one window; SDNN = std(n - 1) of intervals,
    RMSSD = sqrt(mean(d^2)), pNN50 = % of |d| > 50 ms, SD1 = sqrt(var(d) / 2),
    SD2 = sqrt(2 SDNN^2 - SD1^2).
    """
    low, high = series.within(starts_ns, ends_ns)
    totals = series.totals
    count = _between(totals.count, low, high)
    variance = _variance(count, _between(totals.deviation, low, high), _between(totals.square, low, high))
    inner = np.minimum(low + 1, high)  # the pair of a window's first interval reaches out of the window
    pairs, square = _between(totals.pairs, inner, high), _between(totals.step_square, inner, high)
    across = _variance(pairs, _between(totals.step, inner, high), square) / 2
    first = totals.counting[np.minimum(totals.count[low], len(totals.counting) - 1)]
    last = totals.counting[np.maximum(totals.count[high] - 1, 0)]
    some = count > 0
    ends = series.at_ns if len(series.at_ns) else np.zeros(1, np.int64)
    span = np.where(some, (ends[last] - ends[first]) / 1e9, 0.0)
    first_s = totals.rr[first] / 1000
    return TimeDomain(
        np.sqrt(variance),
        np.sqrt(ratio(square, pairs)),
        100 * ratio(_between(totals.steep, inner, high), pairs),
        np.sqrt(across),
        np.sqrt(np.maximum(2 * variance - across, 0.0)),
        pairs,
        np.where(some, span + first_s, 0.0),
        _between(totals.total_ms, low, high) / 1000,
    )


def _running(values: NDArray[np.generic]) -> NDArray[Any]:
    """Return the sum of the ``values`` (b,) before each index, (b + 1,)."""
    return np.concatenate([[0], np.cumsum(values)])  # a mask is counted in integers, which is quicker


def _between(total: NDArray[Any], low: Ints, high: Ints) -> Floats:
    """Return the sum over each range [low, high), (w,), from a running total."""
    return np.asarray(total[high] - total[low], np.float64)


def _variance(count: Floats, total: Floats, square: Floats) -> Floats:
    """Return the variance (n - 1) from sums; NaN below two values, and never negative by rounding."""
    free = np.where(count > 1, count - 1, 0)
    return np.asarray(ratio(np.maximum(square - ratio(total**2, count), 0.0), free), np.float64)


def predicted_maximum(age_years: float) -> float:
    """Return the age-predicted maximal heart rate in bpm: 208 - 0.7 age; Tanaka, Monahan and Seals 2001."""
    return 208.0 - 0.7 * age_years


def reserve_features(rate: FeatureValues, person: Participant | None) -> list[FeatureValues]:
    """Return the share of the predicted maximum and of the reserve in use, in %, with their error bars.

    From the heart rate ``rate``; reserve: 100 (rate - rest) / (maximum - rest), Karvonen 1957. Null with a
    reason where the person's age or resting rate is not known.
    """
    age = None if person is None else person.age_years
    rest = None if person is None else person.resting_bpm
    most = None if age is None else predicted_maximum(age)
    fits = most is not None and rest is not None and rest < most
    return [
        _scaled(rate, "heart_rate_max_pct", 0.0, most),
        _scaled(rate, "heart_rate_reserve_pct", rest, most if fits else None),
    ]


def _scaled(rate: FeatureValues, name: str, zero: float | None, full: float | None) -> FeatureValues:
    """Return ``rate`` as a feature ``name`` in % of the way from ``zero`` to ``full``, both in bpm."""
    if zero is None or full is None:
        reason = np.where(rate.reason == HAS_VALUE, NO_PARTICIPANT_FACTS, rate.reason)
        return FeatureValues(
            rate.node, rate.channel, name, np.full(len(reason), np.nan), rate.coverage, reason
        )
    scale = 100.0 / (full - zero)
    value = (rate.value - zero) * scale
    feature = FeatureValues(rate.node, rate.channel, name, value, rate.coverage, rate.reason)
    if rate.bars is None:
        return feature
    low, high, bias, how = rate.bars
    return feature.with_bars((low - zero) * scale, (high - zero) * scale, bias * scale, how)
