"""Error bars of each window's values for what was lost, from the recording's replays."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from functools import partial

import numpy as np

from nodeday.core.arrays import Bools, Floats, Ints
from nodeday.core.parallel import Across
from nodeday.schemas import codes
from nodeday.stages.features.heart.conformal import Scale, interval
from nodeday.stages.features.heart.rates import (
    LEAST_INTERVALS,
    LEAST_PAIRS,
    BeatSeries,
    for_variability,
    heart_rate,
    variability,
)
from nodeday.stages.features.heart.replay import Replays
from nodeday.stages.features.heart.spectrum import SpectrumRows, powers_of
from nodeday.stages.features.windows import SECOND

NO_BAR = -1
NOTHING_LOST, REPLAYED, BRIDGED, NO_STRETCH = (
    list(codes.LOSS_BAR).index(code)
    for code in ("nothing_lost", "replayed", "replayed_bridged", "no_stretch")
)
SCALES: dict[str, Scale] = {"heart_rate_bpm": "difference", "pnn50_pct": "angle"}
"""All others are ratios."""
EVERY = 3
"""Of so many replays one is used for spectra, which cost more."""
SNAP = 10
"""Windows of spectra begin at whole tenths of their length, off by at most half of one, so that many
replays share their sines."""

Values = dict[str, Floats]
"""Values by the names of their features."""


class Domain(Enum):
    """What values rest on: the mean interval, how intervals spread, or their spectrum."""

    RATE, TIME, FREQUENCY = range(3)


@dataclass(frozen=True)
class BarRequest:
    """Values of windows [start, end) that error bars are wanted for, (w,) each.

    With a larger share of a window lost than ``most_lost`` the study gives no value, so that replays which
    lose more tell nothing about the values that it gives. Spectra have too few replays for this, and take
    all of them.
    """

    domain: Domain
    starts_ns: Ints
    ends_ns: Ints
    values: Values
    most_lost: float = 1.0


@dataclass(frozen=True)
class Bars:
    """The error bar of each window (w,).

    Interval [``low``, ``high``]; ``bias``, what such losses add to the value in the middle; ``how``, an index
    into ``codes.LOSS_BAR``, or -1 where there is no value.
    """

    low: Floats
    high: Floats
    bias: Floats
    how: Ints

    @property
    def columns(self) -> tuple[Floats, Floats, Floats, Ints]:
        """All fields in order."""
        return self.low, self.high, self.bias, self.how


@dataclass(frozen=True)
class ReplayWindows:
    """Where each replay moves the losses of each window, (r, w) each.

    Windows [start, end); which of them ``fit`` in one stretch of beats; and in which of those no interval was
    made up, ``measured``.
    """

    starts_ns: Ints
    ends_ns: Ints
    fit: Bools
    measured: Bools

    @classmethod
    def of(cls, replays: Replays, starts_ns: Ints, ends_ns: Ints) -> ReplayWindows:
        """Move the losses of windows [start, end), (w,), in all replays."""
        starts, fit = replays.moved_windows(starts_ns, ends_ns)
        ends = starts + (ends_ns - starts_ns)
        return cls(starts, ends, fit, fit & replays.beats.measured_only(starts, ends))


@dataclass(frozen=True)
class ReplayedValues:
    """What one replay leaves.

    The values (w,) of each request and whether the study would give them (w,), ``given``; which of the
    bridged beats (b,) still have an interval that counts for variability, ``kept``.
    """

    values: list[Values]
    given: list[Bools]
    kept: Bools


def compute_bars(replays: Replays, requests: list[BarRequest], across: Across = map) -> list[dict[str, Bars]]:
    """Return the bars of all ``requests`` by the names of their features, from one round of replays."""
    lost = [replays.losses.touches(one.starts_ns, one.ends_ns) for one in requests]
    has_value = [
        np.logical_or.reduce([np.isfinite(value) for value in one.values.values()]) for one in requests
    ]
    windows = [np.flatnonzero(mask & finite) for mask, finite in zip(lost, has_value, strict=True)]
    moved = [
        ReplayWindows.of(replays, one.starts_ns[index], one.ends_ns[index])
        for one, index in zip(requests, windows, strict=True)
    ]
    replayed: list[ReplayedValues] = []
    if any(map(len, windows)):
        jobs = list(zip(requests, moved, strict=True))
        work = partial(_replayed, replays.prepared(), jobs)
        replayed = list(across(work, range(len(replays.moves_ns))))
    bars = []
    for number, (one, index) in enumerate(zip(requests, windows, strict=True)):
        found = {name: _without_loss(value, lost[number]) for name, value in one.values.items()}
        if len(index):
            pair = _lossy_and_true(replays, number, moved[number], one.domain, replayed, across)
            _fill_bars(found, one.values, index, moved[number], *pair)
        bars.append(found)
    return bars


def _replayed(replays: Replays, jobs: list[tuple[BarRequest, ReplayWindows]], number: int) -> ReplayedValues:
    """Return what the replay of this ``number`` leaves of each request."""
    replay, values, given = replays.replay(int(replays.moves_ns[number])), [], []
    for one, moved in jobs:
        starts, ends = moved.starts_ns[number], moved.ends_ns[number]
        values.append(_values(one.domain, replay.remaining, starts, ends) if len(starts) else {})
        given.append(_lost(replay.remaining, starts, ends) <= one.most_lost)
    return ReplayedValues(values, given, replay.kept if number % EVERY == 0 else replay.kept[:0])


def _lost(series: BeatSeries, starts_ns: Ints, ends_ns: Ints) -> Floats:
    """Return the share of each window (w,) that no interval counts in, as the rule for values has it."""
    return np.asarray(1 - 1e9 * variability(series, starts_ns, ends_ns).kept_s / (ends_ns - starts_ns))


def _lossy_and_true(
    replays: Replays,
    number: int,
    moved: ReplayWindows,
    domain: Domain,
    replayed: list[ReplayedValues],
    across: Across,
) -> tuple[Values, Values]:
    """Return what the losses left of the values of request ``number``, and what was true, (r, w) each."""
    usable = moved.fit & np.stack([one.given[number] for one in replayed])
    if domain is Domain.FREQUENCY:
        return _powers(replays, moved, usable, [one.kept for one in replayed[::EVERY]], across)
    true = _values(domain, replays.true, moved.starts_ns.ravel(), moved.ends_ns.ravel())
    lossy = {name: np.where(usable, [one.values[number][name] for one in replayed], np.nan) for name in true}
    return lossy, {name: value.reshape(usable.shape) for name, value in true.items()}


def _without_loss(value: Floats, lost: Bools) -> Bars:
    """Return bars of values (w,) of which nothing was lost, and none yet of the others."""
    sure = np.isfinite(value) & ~lost
    kept = np.where(sure, value, np.nan)
    return Bars(kept, kept.copy(), np.where(sure, 0.0, np.nan), np.where(sure, NOTHING_LOST, NO_BAR))


def _fill_bars(
    bars: dict[str, Bars], values: Values, index: Ints, moved: ReplayWindows, lossy: Values, true: Values
) -> None:
    """Write into ``bars`` (w,) those of the windows ``index`` (k,) of which something was lost."""
    mostly_measured = 2 * moved.measured.sum(axis=0) > moved.fit.sum(axis=0)
    for name, value in values.items():
        found = interval(value[index], lossy[name], true[name], SCALES.get(name, "ratio"))
        how = np.where(np.isfinite(found.low), np.where(mostly_measured, REPLAYED, BRIDGED), NO_STRETCH)
        bar = bars[name]
        bar.low[index], bar.high[index], bar.bias[index] = found.low, found.high, found.bias
        bar.how[index] = np.where(np.isfinite(value[index]), how, NO_BAR)


def _values(domain: Domain, series: BeatSeries, starts_ns: Ints, ends_ns: Ints) -> Values:
    """Return the values of a domain other than frequency, (w,) each; NaN with too few intervals."""
    if domain is Domain.RATE:
        rate, count = heart_rate(series, starts_ns, ends_ns)
        return {"heart_rate_bpm": np.where(count >= LEAST_INTERVALS, rate, np.nan)}
    if domain is Domain.TIME:
        found = variability(series, starts_ns, ends_ns)
        enough = found.pairs >= LEAST_PAIRS
        names = ("rmssd_ms", "pnn50_pct", "sd1_ms", "sdnn_ms", "sd2_ms")
        return {name: np.where(enough, getattr(found, name), np.nan) for name in names}
    return {}


def _powers(
    replays: Replays, moved: ReplayWindows, usable: Bools, kept: list[Bools], across: Across
) -> tuple[Values, Values]:
    """Return the lossy and the true power of each band, (r, w) each, of each replay used for spectra.

    ``usable`` (r, w) of all replays; ``kept`` (b,) of each used one are the bridged beats that still count.
    """
    beats, every = replays.true, slice(None, None, EVERY)
    fit = usable[every]
    which, _ = np.nonzero(fit)
    length = moved.ends_ns[every][fit] - moved.starts_ns[every][fit]
    grid = int(length.max(initial=SECOND)) // SNAP
    starts = (moved.starts_ns[every][fit] + grid // 2) // grid * grid
    windows, window = np.unique(np.stack([starts, starts + length]), axis=1, return_inverse=True)
    use = np.stack([*kept, for_variability(beats.status)])
    # The true spectrum of each window once, next to those of the losses that are moved over it.
    begin, end = np.concatenate([windows[:, window], windows], axis=1)
    rows = SpectrumRows(begin, end, use, np.concatenate([which, np.full(windows.shape[1], len(use) - 1)]))
    powers = powers_of(beats.at_ns, beats.rr, rows, grid * SNAP / SECOND, np.float32, across=across)
    pair: tuple[Values, Values] = ({}, {})
    for name, power in powers.items():
        for values, part in zip(pair, (power[: len(which)], power[len(which) :][window]), strict=True):
            values[f"{name}_ms2"] = np.full(fit.shape, np.nan)
            values[f"{name}_ms2"][fit] = part
    return pair
