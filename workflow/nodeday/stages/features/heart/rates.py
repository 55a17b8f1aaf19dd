"""Heart rate and time-domain variability of each window, from beats and the status of their intervals.

A window [start, end) may be longer than the epoch that it stands for, so windows may overlap: sums come from
running totals. Definitions: Task Force of the ESC and NASPE, "Heart rate variability: standards of
measurement", Circulation 93, 1996, from memory; SD1 and SD2: Brennan, Palaniswami and Kamen 2001, from
memory.
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
_FOR_RATE, _FOR_VARIABILITY = (
    np.isin(np.arange(len(codes.RR_STATUS)), those) for those in (FOR_RATE, FOR_VARIABILITY)
)


@dataclass(frozen=True)
class BeatSeries:
    """Beats (b,) in order: ``at_ns``, interval ``rr`` before each in ms, its ``status``."""

    at_ns: Ints
    rr: Floats
    status: NDArray[np.int8]

    def within(self, starts_ns: Ints, ends_ns: Ints) -> tuple[Ints, Ints]:
        """Half-open range of the beats of each window, (w,) each."""
        low, high = (np.searchsorted(self.at_ns, each) for each in (starts_ns, ends_ns))
        return low, high

    @cached_property
    def totals(self) -> Totals:
        return Totals.of(self.rr, self.status)


@dataclass(frozen=True)
class Totals:
    """Running totals (b + 1,) of the intervals that count for variability, and of their differences: how
    many, their sum in ms, the sums of what they are off the mean of all and of its squares; how many pairs
    are adjacent, the sums of their differences and of the squares, and how many differ by over 50 ms. ``at``
    are the intervals that count, and a zero; ``rr`` (b + 1,) their lengths, 0 elsewhere.
    """

    count: Ints
    whole: Floats
    off: Floats
    square: Floats
    pairs: Ints
    step: Floats
    step_square: Floats
    steep: Ints
    at: Ints
    rr: Floats

    @classmethod
    def of(cls, rr_ms: Floats, status: NDArray[np.int8]) -> Totals:
        use = counted(status)
        rr = np.where(use, rr_ms, 0.0)
        level = rr[use].mean() if use.any() else 0.0
        off = np.where(use, rr - level, 0.0)  # keeps running totals of squares small
        pair = np.concatenate([[False], use[1:] & use[:-1]])[: len(use)]
        step = np.where(pair, np.diff(rr, prepend=0.0), 0.0)
        return cls(
            _running(use),
            _running(rr),
            _running(off),
            _running(off**2),
            _running(pair),
            _running(step),
            _running(step**2),
            _running(np.abs(step) > 50),
            np.append(np.flatnonzero(use), 0),
            np.append(rr, 0.0),
        )


@dataclass(frozen=True)
class Spread:
    """Time-domain variability of each window, (w,) each; NaN where it is not defined. ``pairs`` are those of
    adjacent intervals, ``span_s`` reaches from the first to the last interval that counts, and
    ``kept_s`` is their sum.
    """

    sdnn_ms: Floats
    rmssd_ms: Floats
    pnn50_pct: Floats
    sd1_ms: Floats
    sd2_ms: Floats
    intervals: Floats
    pairs: Floats
    span_s: Floats
    kept_s: Floats


def heart_rate(series: BeatSeries, starts_ns: Ints, ends_ns: Ints) -> tuple[Floats, Floats]:
    """60000 / mean(RR) in bpm (w,), and how many intervals (w,) stand behind it.

    Intervals count where they end; ectopic ones and those of beats in fills are of the heart too.
    """
    low, high = series.within(starts_ns, ends_ns)
    use = _FOR_RATE[series.status]
    count, total = (_between(_running(each), low, high) for each in (use, np.where(use, series.rr, 0.0)))
    return 60_000.0 * ratio(count, total), count


def variability(series: BeatSeries, starts_ns: Ints, ends_ns: Ints) -> Spread:
    """SDNN, RMSSD, pNN50, SD1 and SD2 of the intervals that count and end in each window (w,).

    Differences are those of adjacent intervals of one window; SDNN = std(n - 1) of intervals,
    RMSSD = sqrt(mean(d^2)), pNN50 = % of |d| > 50 ms, SD1 = sqrt(var(d) / 2),
    SD2 = sqrt(2 SDNN^2 - SD1^2).
    """
    low, high = series.within(starts_ns, ends_ns)
    own = series.totals
    count = _between(own.count, low, high)
    variance = _variance(count, _between(own.off, low, high), _between(own.square, low, high))
    inner = np.minimum(low + 1, high)  # a window's first interval has none of its own before it
    pairs, square = _between(own.pairs, inner, high), _between(own.step_square, inner, high)
    across = _variance(pairs, _between(own.step, inner, high), square) / 2
    first = own.at[np.minimum(own.count[low], len(own.at) - 1)]
    last = own.at[np.maximum(own.count[high] - 1, 0)]
    some = count > 0
    ends = series.at_ns if len(series.at_ns) else np.zeros(1, np.int64)
    span = np.where(some, (ends[last] - ends[first]) / 1e9, 0.0)
    begin = own.rr[first] / 1000
    return Spread(
        np.sqrt(variance),
        np.sqrt(ratio(square, pairs)),
        100 * ratio(_between(own.steep, inner, high), pairs),
        np.sqrt(across),
        np.sqrt(np.maximum(2 * variance - across, 0.0)),
        count,
        pairs,
        np.where(some, span + begin, 0.0),
        _between(own.whole, low, high) / 1000,
    )


def _running(values: NDArray[np.generic]) -> NDArray[Any]:
    """Sum of the ``values`` (b,) before each place, (b + 1,)."""
    return np.concatenate([[0], np.cumsum(values)])  # a mask is counted in whole numbers, which is quicker


def _between(total: NDArray[Any], low: Ints, high: Ints) -> Floats:
    """Sum over each range [low, high), (w,), from running totals."""
    return np.asarray(total[high] - total[low], np.float64)


def _variance(count: Floats, total: Floats, square: Floats) -> Floats:
    """Variance (n - 1) from sums; NaN below two values, and never negative by rounding."""
    free = np.where(count > 1, count - 1, 0)
    return np.asarray(ratio(np.maximum(square - ratio(total**2, count), 0.0), free), np.float64)


def counted(status: NDArray[np.int8]) -> Bools:
    """Which intervals (b,) count for variability."""
    return np.asarray(_FOR_VARIABILITY[status], np.bool_)


def predicted_maximum(age_years: float) -> float:
    """208 - 0.7 age, in bpm: Tanaka, Monahan and Seals 2001."""
    return 208.0 - 0.7 * age_years


def reserve_pct(rate_bpm: float, rest_bpm: float, most_bpm: float) -> float:
    """Share of the heart-rate reserve in use, %: 100 (rate - rest) / (maximum - rest); Karvonen 1957."""
    return 100.0 * (rate_bpm - rest_bpm) / (most_bpm - rest_bpm)


def of_reserve(rate: FeatureValues, person: Participant | None) -> list[FeatureValues]:
    """Share of the predicted maximum and of the reserve, from the heart rate and with its bars."""
    age = None if person is None else person.age_years
    rest = None if person is None else person.resting_bpm
    most = None if age is None else predicted_maximum(age)
    fits = most is not None and rest is not None and rest < most
    return [
        _scaled(rate, "heart_rate_max_pct", 0.0, most),
        _scaled(rate, "heart_rate_reserve_pct", rest, most if fits else None),
    ]


def _scaled(rate: FeatureValues, name: str, zero: float | None, full: float | None) -> FeatureValues:
    if zero is None or full is None:
        reason = np.where(rate.reason == HAS_VALUE, NO_PARTICIPANT_FACTS, rate.reason)
        return FeatureValues(
            rate.node, rate.channel, name, np.full(len(reason), np.nan), rate.coverage, reason
        )
    scale = 100.0 / (full - zero)
    value = (rate.value - zero) * scale
    one = FeatureValues(rate.node, rate.channel, name, value, rate.coverage, rate.reason)
    if rate.bars is None:
        return one
    low, high, bias, how = rate.bars
    return one.with_bars((low - zero) * scale, (high - zero) * scale, bias * scale, how)
