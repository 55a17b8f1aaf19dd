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
    counted,
    heart_rate,
    variability,
)
from nodeday.stages.features.heart.replay import Replays
from nodeday.stages.features.heart.spectrum import SpectrumRows, powers_of

SECOND = 1_000_000_000
HOW = list(codes.LOSS_BAR)
NO_BAR = -1
NOTHING_LOST, REPLAYED, BRIDGED, NO_STRETCH = (
    HOW.index(each) for each in ("nothing_lost", "replayed", "replayed_bridged", "no_stretch")
)
SCALES: dict[str, Scale] = {"heart_rate_bpm": "difference", "pnn50_pct": "angle"}
"""All others are ratios."""
EVERY = 3
"""Of so many replays one is used for spectra, which cost more."""
SNAP = 10
"""Windows of spectra are laid at whole tenths of their length, off by at most half of one, so that many
replays share their sines."""


@dataclass(frozen=True)
class Bars:
    """For each window (w,): interval [low, high], ``bias`` (what such losses add to the value in the
    middle), and ``how``, a place in ``codes.LOSS_BAR``, or -1 where there is no value.
    """

    low: Floats
    high: Floats
    bias: Floats
    how: Ints

    @property
    def columns(self) -> tuple[Floats, Floats, Floats, Ints]:
        return self.low, self.high, self.bias, self.how


Values = dict[str, Floats]


@dataclass(frozen=True)
class ReplayWindows:
    """Where the losses of each window (w,) are laid in each replay, (r, w) each: windows [start, end), those
    in one stretch of beats (``fits``), and those of them of which none was made up (``whole``).
    """

    starts_ns: Ints
    ends_ns: Ints
    fits: Bools
    whole: Bools


class Domain(Enum):
    """What is told of windows: the mean interval, how intervals spread, and their spectrum."""

    RATE, TIME, FREQUENCY = range(3)


@dataclass(frozen=True)
class Asked:
    """Values of windows [start, end), (w,) each, by the names of their features."""

    domain: Domain
    starts_ns: Ints
    ends_ns: Ints
    values: Values


@dataclass(frozen=True)
class Left:
    """What one replay leaves: of each that was asked for the values (w,), and which of the bridged beats (b,)
    still have an interval that counts for variability.
    """

    values: list[Values]
    kept: Bools


def bars_of(replays: Replays, asked: list[Asked], across: Across = map) -> list[dict[str, Bars]]:
    """Bars of all that is ``asked``, from one round of replays."""
    lost = [replays.losses.touches(each.starts_ns, each.ends_ns) for each in asked]
    there = [np.logical_or.reduce([np.isfinite(one) for one in each.values.values()]) for each in asked]
    own = [np.flatnonzero(where & held) for where, held in zip(lost, there, strict=True)]
    laid = [_laid(replays, each.starts_ns[at], each.ends_ns[at]) for each, at in zip(asked, own, strict=True)]
    domains = [each.domain for each in asked]
    left: list[Left] = []
    if any(map(len, own)):
        work = partial(_left, replays.prepared(), list(zip(domains, laid, strict=True)))
        left = list(across(work, range(len(replays.moves_ns))))
    return [
        _bars(each, where, at, _told(replays, number, laid[number], each.domain, left, across))
        for number, (each, where, at) in enumerate(zip(asked, lost, own, strict=True))
    ]


def _left(replays: Replays, asked: list[tuple[Domain, ReplayWindows]], number: int) -> Left:
    one = replays.moved(int(replays.moves_ns[number]))
    values = [
        _measured(domain, one.left, laid.starts_ns[number], laid.ends_ns[number]) if laid.fits.size else {}
        for domain, laid in asked
    ]
    return Left(values, one.kept if number % EVERY == 0 else one.kept[:0])


def _told(
    replays: Replays, number: int, laid: ReplayWindows, domain: Domain, left: list[Left], across: Across
) -> tuple[ReplayWindows, Values, Values] | None:
    """Of each value what the losses left of it, and what was true, (r, w) each; None where no window lost
    any.
    """
    if not laid.fits.size:
        return None
    if domain is Domain.FREQUENCY:
        return laid, *_powers(replays, laid, [each.kept for each in left[::EVERY]], across)
    true = _measured(domain, replays.true, laid.starts_ns.ravel(), laid.ends_ns.ravel())
    return (
        laid,
        {name: np.where(laid.fits, [each.values[number][name] for each in left], np.nan) for name in true},
        {name: value.reshape(laid.fits.shape) for name, value in true.items()},
    )


def _bars(
    asked: Asked, lost: Bools, own: Ints, told: tuple[ReplayWindows, Values, Values] | None
) -> dict[str, Bars]:
    bars = {name: _unharmed(value, lost) for name, value in asked.values.items()}
    if told is None:
        return bars
    laid, left, true = told
    most = 2 * laid.whole.sum(axis=0) > laid.fits.sum(axis=0)
    for name, value in asked.values.items():
        found = interval(value[own], left[name], true[name], SCALES.get(name, "ratio"))
        how = np.where(np.isfinite(found.low), np.where(most, REPLAYED, BRIDGED), NO_STRETCH)
        bar = bars[name]
        bar.low[own], bar.high[own], bar.bias[own] = found.low, found.high, found.bias
        bar.how[own] = np.where(np.isfinite(value[own]), how, NO_BAR)
    return bars


def _unharmed(value: Floats, lost: Bools) -> Bars:
    """Bars of values (w,) of which nothing was lost, and none yet of the others."""
    sure = np.isfinite(value) & ~lost
    kept = np.where(sure, value, np.nan)
    return Bars(kept, kept.copy(), np.where(sure, 0.0, np.nan), np.where(sure, NOTHING_LOST, NO_BAR))


def _laid(replays: Replays, starts_ns: Ints, ends_ns: Ints) -> ReplayWindows:
    starts, fits = replays.laid(starts_ns, ends_ns)
    ends = starts + (ends_ns - starts_ns)
    return ReplayWindows(starts, ends, fits, fits & replays.beats.untouched(starts, ends))


def _measured(domain: Domain, series: BeatSeries, starts_ns: Ints, ends_ns: Ints) -> Values:
    """The values that are told from time alone, (w,) each, NaN where there are too few intervals."""
    if domain is Domain.RATE:
        rate, count = heart_rate(series, starts_ns, ends_ns)
        return {"heart_rate_bpm": np.where(count >= LEAST_INTERVALS, rate, np.nan)}
    if domain is Domain.TIME:
        spread = variability(series, starts_ns, ends_ns)
        enough = spread.pairs >= LEAST_PAIRS
        names = ("rmssd_ms", "pnn50_pct", "sd1_ms", "sdnn_ms", "sd2_ms")
        return {name: np.where(enough, getattr(spread, name), np.nan) for name in names}
    return {}


def _powers(
    replays: Replays, laid: ReplayWindows, kept: list[Bools], across: Across
) -> tuple[Values, Values]:
    beats, every = replays.true, slice(None, None, EVERY)
    fits = laid.fits[every]
    which, _ = np.nonzero(fits)
    length = laid.ends_ns[every][fits] - laid.starts_ns[every][fits]
    grid = int(length.max(initial=SECOND)) // SNAP
    starts = (laid.starts_ns[every][fits] + grid // 2) // grid * grid
    windows, place = np.unique(np.stack([starts, starts + length]), axis=1, return_inverse=True)
    use = np.stack([*kept, counted(beats.status)])
    # The true spectrum of each window once, beside those of the losses that are laid over it.
    begin, end = np.concatenate([windows[:, place], windows], axis=1)
    rows = SpectrumRows(begin, end, use, np.concatenate([which, np.full(windows.shape[1], len(use) - 1)]))
    powers = powers_of(beats.at_ns, beats.rr, rows, grid * SNAP / SECOND, np.float32, across=across)
    found: tuple[Values, Values] = ({}, {})
    for name, power in powers.items():
        for values, each in zip(found, (power[: len(which)], power[len(which) :][place]), strict=True):
            values[f"{name}_ms2"] = np.full(fits.shape, np.nan)
            values[f"{name}_ms2"][fits] = each
    return found
