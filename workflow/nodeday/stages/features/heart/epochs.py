"""The heart features of an ECG stream: values, the reasons where there are none, and the error bars."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from nodeday.core.arrays import Bools, Floats, Ints
from nodeday.core.parallel import Across
from nodeday.stages.features.heart import quality
from nodeday.stages.features.heart.ecg_stream import HeartStream, Lack, Span
from nodeday.stages.features.heart.error_bars import BarRequest, Domain, compute_bars
from nodeday.stages.features.heart.irregularity import WINDOW_S, irregularity, too_irregular
from nodeday.stages.features.heart.rates import (
    LEAST_INTERVALS,
    LEAST_PAIRS,
    BeatSeries,
    TimeDomain,
    for_variability,
    heart_rate,
    reserve_features,
    variability,
)
from nodeday.stages.features.heart.respiration import breaths_per_minute
from nodeday.stages.features.heart.rhythm import rhythm_features
from nodeday.stages.features.heart.spectrum import BANDS_HZ, SpectrumRows, powers_of
from nodeday.stages.features.stream import FeatureValues
from nodeday.stages.features.windows import (
    IRREGULAR,
    NO_AGREEMENT,
    SECOND,
    TOO_FEW_BEATS,
    TOO_MANY_LOST,
    TOO_SHORT,
)

AT_ONCE = 64
"""Windows whose breaths are counted at a time, on one of the cores."""


def features_of(heart: HeartStream, across: Across = map) -> list[FeatureValues]:
    """Return the heart features of every epoch."""
    around = heart.span(WINDOW_S)
    edges = around.starts_ns, around.ends_ns
    measure = irregularity(heart.series, *edges)
    irregular = (too_irregular(heart.series, measure, *edges), IRREGULAR)
    domains = [_rate(heart), *_time_domain(heart, irregular), _frequency_domain(heart, irregular, across)]
    if heart.settings.error_bars:
        domains = _with_bars(heart, domains, across)
    rate = domains[0].features[0]
    others = [feature for domain in domains[1:] for feature in domain.features]
    return [
        rate,
        _beat_count(heart),
        *reserve_features(rate, heart.person),
        *others,
        _respiration(heart, across),
        *rhythm_features(heart),
        heart.feature("irregularity", measure, around, quality.VARIABILITY, []),
    ]


@dataclass(frozen=True)
class DomainFeatures:
    """Features of one domain, from the same windows; ``most_lost`` as in :class:`BarRequest`."""

    domain: Domain
    span: Span
    features: list[FeatureValues]
    most_lost: float = 1.0


def _with_bars(heart: HeartStream, domains: list[DomainFeatures], across: Across) -> list[DomainFeatures]:
    """Return the features of all domains with their error bars."""
    requests = [
        BarRequest(
            one.domain,
            one.span.starts_ns,
            one.span.ends_ns,
            {feature.name: feature.value for feature in one.features},
            one.most_lost,
        )
        for one in domains
    ]
    return [
        replace(one, features=[feature.with_bars(*bars[feature.name].columns) for feature in one.features])
        for one, bars in zip(domains, compute_bars(heart.replays, requests, across), strict=True)
    ]


def _rate(heart: HeartStream) -> DomainFeatures:
    """Return the heart rate over each epoch."""
    epoch = heart.span(0.0)
    rate, count = heart_rate(heart.series, epoch.starts_ns, epoch.ends_ns)
    few = (count < LEAST_INTERVALS, TOO_FEW_BEATS)
    return DomainFeatures(
        Domain.RATE, epoch, [heart.feature("heart_rate_bpm", rate, epoch, quality.RATE, [few])]
    )


def _beat_count(heart: HeartStream) -> FeatureValues:
    """Return the number of beats in each epoch, null where no heart is known to be in the signal."""
    return heart.feature("beats", heart.windows.sums(heart.series.at_ns), heart.span(0.0), quality.RATE, [])


def _time_domain(heart: HeartStream, irregular: Lack) -> list[DomainFeatures]:
    """Return the time-domain variability over short and over long windows, none where beats are irregular."""
    settings, domains = heart.settings, []
    for seconds, least_s, names in (
        (settings.short_seconds, settings.min_rmssd_seconds, ("rmssd_ms", "pnn50_pct", "sd1_ms")),
        (settings.long_seconds, settings.min_sdnn_seconds, ("sdnn_ms", "sd2_ms")),
    ):
        span = heart.span(seconds)
        found = variability(heart.series, span.starts_ns, span.ends_ns)
        lacks = [_few_pairs(found), irregular, *_short_or_lost(span, found, least_s, settings.max_lost)]
        features = [
            heart.feature(name, getattr(found, name), span, quality.VARIABILITY, lacks) for name in names
        ]
        domains.append(DomainFeatures(Domain.TIME, span, features, settings.max_lost))
    return domains


def _few_pairs(found: TimeDomain) -> Lack:
    """Return in which windows there are too few pairs of intervals."""
    return found.pairs < LEAST_PAIRS, TOO_FEW_BEATS


def _short_or_lost(span: Span, found: TimeDomain, least_s: float, most_lost: float) -> list[Lack]:
    """Return in which windows the intervals span too little time, and in which too many are lost."""
    lost = 1 - found.kept_s / span.length_s
    return [(found.span_s < least_s, TOO_SHORT), (lost > most_lost, TOO_MANY_LOST)]


def _frequency_domain(heart: HeartStream, irregular: Lack, across: Across) -> DomainFeatures:
    """Return the power in each band over long windows, none where beats are irregular."""
    settings, span = heart.settings, heart.span(heart.settings.long_seconds)
    found = variability(heart.series, span.starts_ns, span.ends_ns)
    few = _few_pairs(found)
    _, lost = _short_or_lost(span, found, 0.0, settings.max_lost_spectrum)
    valid = (found.span_s >= settings.min_hf_seconds) & ~lost[0] & ~few[0] & ~irregular[0]
    powers = _band_powers(heart.series, span, valid, across)
    least_s = {"vlf": settings.min_vlf_seconds, "lf": settings.min_lf_seconds, "hf": settings.min_hf_seconds}
    features = [
        heart.feature(
            f"{name}_ms2",
            powers[name],
            span,
            quality.VARIABILITY,
            [few, irregular, (found.span_s < least_s[name], TOO_SHORT), lost],
        )
        for name in least_s
    ]
    return DomainFeatures(Domain.FREQUENCY, span, features)


def _band_powers(series: BeatSeries, span: Span, valid: Bools, across: Across) -> dict[str, Floats]:
    """Return the absolute power (w,) in ms^2 of each band in each window, NaN where it is not ``valid``."""
    index = np.flatnonzero(valid)
    powers = {name: np.full(len(valid), np.nan) for name in BANDS_HZ}
    use = for_variability(series.status)[None]
    rows = SpectrumRows(span.starts_ns[index], span.ends_ns[index], use, np.zeros_like(index))
    found = powers_of(series.at_ns, series.rr, rows, span.seconds, start_share=1.0, across=across)
    for name, power in found.items():
        powers[name][index] = power
    return powers


def _respiration(heart: HeartStream, across: Across) -> FeatureValues:
    """Return the breaths per minute over windows as long as breathing needs."""
    settings, span = heart.settings, heart.span(heart.settings.respiration_seconds)
    found = variability(heart.series, span.starts_ns, span.ends_ns)
    least_s = settings.respiration_seconds / 2
    lacks = [_few_pairs(found), *_short_or_lost(span, found, least_s, settings.max_lost_spectrum)]
    valid = ~np.logical_or.reduce([where for where, _ in lacks])
    valid &= span.usable[quality.VARIABILITY] >= settings.min_usable
    index, value = np.flatnonzero(valid), np.full(len(valid), np.nan)
    parts = [index[at : at + AT_ONCE] for at in range(0, len(index), AT_ONCE)]
    for part, rates in zip(parts, across(partial(_breaths_in, heart, span), parts), strict=True):
        value[part] = rates
    lacks.append((~np.isfinite(value), NO_AGREEMENT))
    return heart.feature("respiration_rate", value, span, quality.VARIABILITY, lacks)


def _breaths_in(heart: HeartStream, span: Span, windows: Ints) -> list[float]:
    """Return the breaths per minute in the ``windows`` (j,) of these numbers."""
    series, beats = heart.series, heart.analysis.beats
    rates = []
    for low, high in zip(*series.within(span.starts_ns[windows], span.ends_ns[windows]), strict=True):
        index = np.flatnonzero(for_variability(series.status[low:high])) + low
        modulations = np.stack([beats.base_mv[index], np.abs(beats.height_mv[index]), series.rr[index]])
        seconds = (series.at_ns[index] - series.at_ns[index[0]]) / SECOND
        rates.append(breaths_per_minute(seconds, modulations))
    return rates
