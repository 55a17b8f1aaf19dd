"""The heart features of an ECG stream: values, the reasons where there are none, and the error bars."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property, partial

import numpy as np

from nodeday.config.models import EpochSettings, HeartSettings, Node, Participant
from nodeday.core.arrays import Bools, Floats, Ints
from nodeday.core.parallel import Across
from nodeday.layouts import Kind
from nodeday.stages.features.heart import quality, rates
from nodeday.stages.features.heart.analysis import HALF_NS, EcgAnalysis
from nodeday.stages.features.heart.error_bars import Asked, Domain, bars_of
from nodeday.stages.features.heart.rates import (
    LEAST_INTERVALS,
    LEAST_PAIRS,
    BeatSeries,
    Spread,
    counted,
    heart_rate,
    variability,
)
from nodeday.stages.features.heart.replay import Replays
from nodeday.stages.features.heart.spectrum import BANDS_HZ, SpectrumRows, breaths_per_minute, powers_of
from nodeday.stages.features.stream import FeatureValues
from nodeday.stages.features.windows import (
    HAS_VALUE,
    LOW_COVERAGE,
    NO_AGREEMENT,
    NO_DATA,
    POOR_SIGNAL,
    TOO_FEW_BEATS,
    TOO_MANY_LOST,
    TOO_SHORT,
    Windows,
    judged,
    ratio,
)

SECOND = 1_000_000_000
AT_ONCE = 64
"""Windows that breaths are counted in at a time, on one of the cores."""


@dataclass(frozen=True)
class Span:
    """Windows [start, end) of one kind, one for each epoch (w,): ``seconds`` long around the epoch's middle,
    cut off at the session's ends; ``coverage`` (w,) is theirs.
    """

    seconds: float
    starts_ns: Ints
    ends_ns: Ints
    coverage: Floats
    usable: dict[int, Floats]
    """Share (w,) of the received signal that is good enough, by use."""

    @property
    def length_s(self) -> Floats:
        return np.asarray((self.ends_ns - self.starts_ns) / SECOND, np.float64)


@dataclass(frozen=True)
class HeartStream:
    """What was heard of an ECG stream over the epochs ``windows``, and what the study asks for."""

    node: Node
    kind: Kind
    windows: Windows
    heard: EcgAnalysis
    epochs: EpochSettings
    settings: HeartSettings
    person: Participant | None

    @cached_property
    def series(self) -> BeatSeries:
        return self.heard.beats.series

    @cached_property
    def replays(self) -> Replays:
        return Replays(self.series, self.heard.losses)

    def span(self, seconds: float) -> Span:
        """Windows of ``seconds``, or of an epoch's length where that is longer."""
        windows = self.windows
        seconds = max(seconds, float(windows.seconds))
        extra = round((seconds - windows.seconds) / 2 * SECOND)
        last = windows.starts_ns[-1] + windows.seconds * SECOND
        starts = np.maximum(windows.starts_ns - extra, windows.start_ns)
        ends = np.minimum(windows.starts_ns + windows.seconds * SECOND + extra, last)
        low, high = (self.heard.received[(edge - windows.start_ns) // HALF_NS] for edge in (starts, ends))
        cover = np.minimum((high - low) / ((self.kind.rate_hz or 1.0) * (ends - starts) / SECOND), 1.0)
        return Span(seconds, starts, ends, cover, self._usable(starts, ends))

    def _usable(self, starts: Ints, ends: Ints) -> dict[int, Floats]:
        at = self.heard.signal["start_ns"].to_numpy(np.int64)
        there = self.heard.signal["coverage"].to_numpy(np.float64) >= quality.LEAST_COVERAGE
        low = np.maximum(np.searchsorted(at, starts, side="right") - 1, 0)
        high = np.searchsorted(at, ends)
        shares = {}
        for least in (quality.VARIABILITY, quality.RATE):
            good = there & (self.heard.signal["use"].to_numpy(np.int64) <= least)
            total = [np.concatenate([[0.0], np.cumsum(each)]) for each in (good, there)]
            # Where no ten seconds are received enough to judge, coverage decides.
            shares[least] = np.nan_to_num(ratio(*(each[high] - each[low] for each in total)), nan=1.0)
        return shares

    def feature(
        self, name: str, value: Floats, span: Span, use: int, lacks: list[tuple[Bools, int]]
    ) -> FeatureValues:
        """``value`` (w,) where nothing speaks against it; ``lacks`` are (where, reason), the first that
        holds is the reason.
        """
        least = self.epochs.min_coverage
        reason = np.full(len(value), HAS_VALUE, np.int64)
        poor = (span.usable[use] < self.settings.min_usable, POOR_SIGNAL)
        against = [
            (span.coverage == 0, NO_DATA),
            (span.coverage < least, LOW_COVERAGE),
            *lacks[:1],
            poor,
            *lacks[1:],
            (~np.isfinite(value), TOO_FEW_BEATS),
        ]
        for where, why in reversed(against):
            reason[where] = why
        kept = np.where(reason == HAS_VALUE, value, np.nan)
        return FeatureValues(self.node, self.kind.stream, name, kept, span.coverage, reason)


def features_of(heart: HeartStream, across: Across = map) -> list[FeatureValues]:
    """Heart features of every epoch."""
    rate, *spreads, powers = _rate(heart), *_spreads(heart), _powers(heart, across)
    if heart.settings.error_bars:
        rate, *spreads, powers = _with_bars(heart, [rate, *spreads, powers], across)
    one = rate.features[0]
    others = [each for told in (*spreads, powers) for each in told.features]
    return [one, _beats(heart), *rates.of_reserve(one, heart.person), *others, _breaths(heart, across)]


@dataclass(frozen=True)
class DomainFeatures:
    """Features of one domain, told from the same windows."""

    domain: Domain
    span: Span
    features: list[FeatureValues]


def _with_bars(heart: HeartStream, told: list[DomainFeatures], across: Across) -> list[DomainFeatures]:
    asked = [
        Asked(
            one.domain, one.span.starts_ns, one.span.ends_ns, {each.name: each.value for each in one.features}
        )
        for one in told
    ]
    return [
        replace(one, features=[each.with_bars(*bars[each.name].columns) for each in one.features])
        for one, bars in zip(told, bars_of(heart.replays, asked, across), strict=True)
    ]


def _rate(heart: HeartStream) -> DomainFeatures:
    epoch = heart.span(0.0)
    rate, count = heart_rate(heart.series, epoch.starts_ns, epoch.ends_ns)
    few = (count < LEAST_INTERVALS, TOO_FEW_BEATS)
    return DomainFeatures(
        Domain.RATE, epoch, [heart.feature("heart_rate_bpm", rate, epoch, quality.RATE, [few])]
    )


def _beats(heart: HeartStream) -> FeatureValues:
    cover, least = heart.span(0.0).coverage, heart.epochs.min_coverage
    found, reason = judged(heart.windows.sums(heart.series.at_ns), cover, least)
    return FeatureValues(heart.node, heart.kind.stream, "beats", found, cover, reason)


def _spreads(heart: HeartStream) -> list[DomainFeatures]:
    found = []
    settings = heart.settings
    for seconds, least_s, names in (
        (settings.short_seconds, settings.min_rmssd_seconds, ("rmssd_ms", "pnn50_pct", "sd1_ms")),
        (settings.long_seconds, settings.min_sdnn_seconds, ("sdnn_ms", "sd2_ms")),
    ):
        span = heart.span(seconds)
        spread = variability(heart.series, span.starts_ns, span.ends_ns)
        lacks = [
            (spread.pairs < LEAST_PAIRS, TOO_FEW_BEATS),
            *_short_or_lost(span, spread, least_s, settings.max_lost),
        ]
        found.append(
            DomainFeatures(
                Domain.TIME,
                span,
                [
                    heart.feature(name, getattr(spread, name), span, quality.VARIABILITY, lacks)
                    for name in names
                ],
            )
        )
    return found


def _short_or_lost(span: Span, spread: Spread, least_s: float, most: float) -> list[tuple[Bools, int]]:
    lost = 1 - spread.kept_s / span.length_s
    return [(spread.span_s < least_s, TOO_SHORT), (lost > most, TOO_MANY_LOST)]


def _powers(heart: HeartStream, across: Across) -> DomainFeatures:
    settings, span = heart.settings, heart.span(heart.settings.long_seconds)
    spread = variability(heart.series, span.starts_ns, span.ends_ns)
    lacks = [(spread.pairs < LEAST_PAIRS, TOO_FEW_BEATS)]
    common = _short_or_lost(span, spread, 0.0, settings.max_lost_spectrum)
    worth = (spread.span_s >= settings.min_hf_seconds) & ~common[1][0] & ~lacks[0][0]
    powers = _window_powers(heart.series, span, worth, across)
    least = {"vlf": settings.min_vlf_seconds, "lf": settings.min_lf_seconds, "hf": settings.min_hf_seconds}
    return DomainFeatures(
        Domain.FREQUENCY,
        span,
        [
            heart.feature(
                f"{name}_ms2",
                powers[name],
                span,
                quality.VARIABILITY,
                [*lacks, (spread.span_s < least[name], TOO_SHORT), common[1]],
            )
            for name in least
        ],
    )


def _window_powers(series: BeatSeries, span: Span, worth: Bools, across: Across) -> dict[str, Floats]:
    """Absolute power (w,) in ms^2 of each band in each window, NaN where it is not ``worth`` it."""
    own = np.flatnonzero(worth)
    powers = {name: np.full(len(worth), np.nan) for name in BANDS_HZ}
    rows = SpectrumRows(
        span.starts_ns[own], span.ends_ns[own], counted(series.status)[None], np.zeros_like(own)
    )
    found = powers_of(series.at_ns, series.rr, rows, span.seconds, joined=1.0, across=across)
    for name, power in found.items():
        powers[name][own] = power
    return powers


def _breaths(heart: HeartStream, across: Across) -> FeatureValues:
    """Breaths per minute over the window that breathing needs."""
    settings, span = heart.settings, heart.span(heart.settings.respiration_seconds)
    spread = variability(heart.series, span.starts_ns, span.ends_ns)
    lacks = [
        (spread.pairs < LEAST_PAIRS, TOO_FEW_BEATS),
        *_short_or_lost(span, spread, settings.respiration_seconds / 2, settings.max_lost_spectrum),
    ]
    stands = ~np.logical_or.reduce([where for where, _ in lacks])
    stands &= span.usable[quality.VARIABILITY] >= settings.min_usable
    own, value = np.flatnonzero(stands), np.full(len(stands), np.nan)
    parts = [own[at : at + AT_ONCE] for at in range(0, len(own), AT_ONCE)]
    for part, found in zip(parts, across(partial(_breaths_in, heart, span), parts), strict=True):
        value[part] = found
    lacks.append((~np.isfinite(value), NO_AGREEMENT))
    return heart.feature("respiration_rate", value, span, quality.VARIABILITY, lacks)


def _breaths_in(heart: HeartStream, span: Span, windows: Ints) -> list[float]:
    """Breaths per minute in some windows (j,)."""
    series, beats = heart.series, heart.heard.beats
    found = []
    for low, high in zip(*series.within(span.starts_ns[windows], span.ends_ns[windows]), strict=True):
        own = np.flatnonzero(counted(series.status[low:high])) + low
        three = np.stack([beats.base_mv[own], np.abs(beats.height_mv[own]), series.rr[own]])
        found.append(breaths_per_minute((series.at_ns[own] - series.at_ns[own[0]]) / SECOND, three))
    return found
