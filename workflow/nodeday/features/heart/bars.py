"""Error bars of each window's values for what was lost, from the recording's replays."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from nodeday.arrays import Bools, Floats, Ints
from nodeday.features.heart.conformal import Scale, interval
from nodeday.features.heart.rates import (
    LEAST_INTERVALS,
    LEAST_PAIRS,
    Series,
    counted,
    heart_rate,
    variability,
)
from nodeday.features.heart.replay import Replays
from nodeday.features.heart.spectrum import Rows, powers_of
from nodeday.schemas import codes

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
    middle), and ``how``, a place in ``codes.LOSS_BAR``, or -1 where there is no value."""

    low: Floats
    high: Floats
    bias: Floats
    how: Ints

    @property
    def columns(self) -> tuple[Floats, Floats, Floats, Ints]:
        return self.low, self.high, self.bias, self.how


Values = dict[str, Floats]


@dataclass(frozen=True)
class Laid:
    """Where the losses of each window (w,) are laid in each replay, (r, w) each: windows [start, end), those
    in one stretch of beats (``fits``), and those of them of which none was made up (``whole``)."""

    starts_ns: Ints
    ends_ns: Ints
    fits: Bools
    whole: Bools


Told = Callable[[Replays, Laid], tuple[Values, Values]]
"""Of each value: what the losses left of it, and what was true, (r, w) each."""


def rate_bars(replays: Replays, starts_ns: Ints, ends_ns: Ints, value: Floats) -> Bars:
    """Bars of the heart rate ``value`` (w,) of windows [start, end)."""
    return _bars(replays, starts_ns, ends_ns, {"heart_rate_bpm": value}, _rates)["heart_rate_bpm"]


def spread_bars(replays: Replays, starts_ns: Ints, ends_ns: Ints, values: Values) -> dict[str, Bars]:
    """Bars of the time-domain variability ``values``, (w,) each."""
    return _bars(replays, starts_ns, ends_ns, values, _spreads)


def spectrum_bars(replays: Replays, starts_ns: Ints, ends_ns: Ints, values: Values) -> dict[str, Bars]:
    """Bars of the bands' powers ``values``, (w,) each."""
    return _bars(replays, starts_ns, ends_ns, values, _powers)


def _bars(replays: Replays, starts_ns: Ints, ends_ns: Ints, values: Values, told: Told) -> dict[str, Bars]:
    lost = replays.losses.touches(starts_ns, ends_ns)
    there = np.logical_or.reduce([np.isfinite(each) for each in values.values()])
    own = np.flatnonzero(lost & there)
    bars = {name: _unharmed(value, lost) for name, value in values.items()}
    if not len(own):
        return bars
    laid = _laid(replays, starts_ns[own], ends_ns[own])
    left, true = told(replays, laid)
    most = 2 * laid.whole.sum(axis=0) > laid.fits.sum(axis=0)
    for name, value in values.items():
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


def _laid(replays: Replays, starts_ns: Ints, ends_ns: Ints) -> Laid:
    starts, fits = replays.laid(starts_ns, ends_ns)
    ends = starts + (ends_ns - starts_ns)
    return Laid(starts, ends, fits, fits & replays.beats.untouched(starts, ends))


def _rates(replays: Replays, laid: Laid) -> tuple[Values, Values]:
    def measured(series: Series, starts: Ints, ends: Ints) -> Values:
        rate, count = heart_rate(series, starts, ends)
        return {"heart_rate_bpm": np.where(count >= LEAST_INTERVALS, rate, np.nan)}

    return _measured(replays, laid, measured)


def _spreads(replays: Replays, laid: Laid) -> tuple[Values, Values]:
    def measured(series: Series, starts: Ints, ends: Ints) -> Values:
        spread = variability(series, starts, ends)
        enough = spread.pairs >= LEAST_PAIRS
        names = ("rmssd_ms", "pnn50_pct", "sd1_ms", "sdnn_ms", "sd2_ms")
        return {name: np.where(enough, getattr(spread, name), np.nan) for name in names}

    return _measured(replays, laid, measured)


def _measured(
    replays: Replays, laid: Laid, measured: Callable[[Series, Ints, Ints], Values]
) -> tuple[Values, Values]:
    each = [
        measured(one.left, *where)
        for one, *where in zip(replays.each, laid.starts_ns, laid.ends_ns, strict=True)
    ]
    true = measured(replays.true, laid.starts_ns.ravel(), laid.ends_ns.ravel())
    return (
        {name: np.where(laid.fits, [one[name] for one in each], np.nan) for name in true},
        {name: value.reshape(laid.fits.shape) for name, value in true.items()},
    )


def _powers(replays: Replays, laid: Laid) -> tuple[Values, Values]:
    beats, every = replays.true, slice(None, None, EVERY)
    fits = laid.fits[every]
    which, _ = np.nonzero(fits)
    length = laid.ends_ns[every][fits] - laid.starts_ns[every][fits]
    grid = int(length.max(initial=SECOND)) // SNAP
    starts = (laid.starts_ns[every][fits] + grid // 2) // grid * grid
    windows, place = np.unique(np.stack([starts, starts + length]), axis=1, return_inverse=True)
    use = np.stack([*(one.kept for one in replays.each[every]), counted(beats.status)])
    # The true spectrum of each window once, beside those of the losses that are laid over it.
    begin, end = np.concatenate([windows[:, place], windows], axis=1)
    rows = Rows(begin, end, use, np.concatenate([which, np.full(windows.shape[1], len(use) - 1)]))
    found: tuple[Values, Values] = ({}, {})
    for name, power in powers_of(beats.at_ns, beats.rr, rows, grid * SNAP / SECOND, np.float32).items():
        for values, each in zip(found, (power[: len(which)], power[len(which) :][place]), strict=True):
            values[f"{name}_ms2"] = np.full(fits.shape, np.nan)
            values[f"{name}_ms2"][fits] = each
    return found
