"""The 95 % interval and the bias of each window's values, from replayed losses."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np

from nodeday.arrays import Bools, Floats, Ints
from nodeday.features.heart.rates import (
    LEAST_INTERVALS,
    LEAST_PAIRS,
    Series,
    counted,
    heart_rate,
    variability,
)
from nodeday.features.heart.replay import AFTER_S, BEFORE_S, Laid, Pattern, joined, lay, replayed
from nodeday.features.heart.spectrum import BANDS_HZ, Basis, band_powers, basis
from nodeday.schemas import codes

REPLAYS, LEAST_REPLAYS = 120, 40
SPECTRA, TURNS = 16, 8
"""A spectrum costs more: eight turns of the losses over each of sixteen windows."""
JOINABLE_S = 60.0
"""Joined pieces keep what is between neighbouring beats, not the slow sway that longer windows hold."""
LOW, HIGH = 0.025, 0.975
SECOND = 1_000_000_000
HOW = list(codes.LOSS_BAR)
NO_BAR = -1
NOTHING_LOST, REPLAYED, JOINED, NO_STRETCH = (
    HOW.index(each) for each in ("nothing_lost", "replayed", "replayed_joined", "no_complete_stretch")
)
DIFFERENCES = ("heart_rate_bpm", "pnn50_pct")
"""What does not scale with the spread of the intervals: its error is a difference, not a ratio."""
LIMITS = {"pnn50_pct": (0.0, 100.0)}


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
Replay = Callable[[Bools, Bools], Values]
"""From the losses of a window: what they leave of each value, (k,)."""


def rate_bars(series: Series, starts_ns: Ints, seconds: float, value: Floats, losses: Pattern) -> Bars:
    """Bars of the heart rate ``value`` (w,)."""
    values = {"heart_rate_bpm": value}
    return _bars(series, starts_ns, seconds, values, losses, _rates)["heart_rate_bpm"]


def spread_bars(
    series: Series, starts_ns: Ints, seconds: float, values: Values, losses: Pattern
) -> dict[str, Bars]:
    """Bars of the time-domain variability ``values``, (w,) each."""
    return _bars(series, starts_ns, seconds, values, losses, _spreads)


def _bars(
    series: Series, starts_ns: Ints, seconds: float, values: Values, losses: Pattern,
    measure: Callable[[Series, Laid], Values],
) -> dict[str, Bars]:  # fmt: skip
    laid, how = lay(series, seconds, REPLAYS), REPLAYED
    if laid is None and seconds <= JOINABLE_S:
        laid, how = lay(joined(series), seconds, REPLAYS), JOINED
    if laid is None:
        return _each(starts_ns, seconds, values, losses, None, {})
    found = laid

    def replay(missing: Bools, computed: Bools) -> Values:
        return measure(replayed(found, missing, computed)[0], found)

    return _each(starts_ns, seconds, values, losses, replay, measure(found.whole, found), how)


def _rates(series: Series, laid: Laid) -> Values:
    rate, count = heart_rate(series, *laid.spans)
    return {"heart_rate_bpm": np.where(count >= LEAST_INTERVALS, rate, np.nan)}


def _spreads(series: Series, laid: Laid) -> Values:
    spread = variability(series, *laid.spans)
    enough = spread.pairs >= LEAST_PAIRS
    names = ("rmssd_ms", "pnn50_pct", "sd1_ms", "sdnn_ms", "sd2_ms")
    return {name: np.where(enough, getattr(spread, name), np.nan) for name in names}


def spectrum_bars(
    series: Series, starts_ns: Ints, seconds: float, values: Values, losses: Pattern
) -> dict[str, Bars]:
    """Bars of the bands' powers ``values``, (w,) each."""
    laid = lay(series, seconds, SPECTRA, TURNS)
    if laid is None:
        return _each(starts_ns, seconds, values, losses, None, {})
    parts = list(_parts(laid))

    def powers(kept: Bools) -> Values:
        found = [band_powers(of, rr, kept[places].astype(np.float64)) for places, of, rr in parts]
        return {f"{name}_ms2": np.concatenate([one[name] for one in found]) for name in BANDS_HZ}

    def replay(missing: Bools, computed: Bools) -> Values:
        left, which = replayed(laid, missing, computed)
        kept = np.zeros(len(laid.beat), np.bool_)
        kept[which[counted(left.status)]] = True
        return powers(kept)

    true = powers(np.ones(len(laid.beat), np.bool_)) if parts else {}
    return _each(starts_ns, seconds, values, losses, replay if parts else None, true)


def _parts(laid: Laid) -> Iterator[tuple[Ints, Basis, Floats]]:
    """For each window: where its intervals (n,) stand among the laid beats in each of the turns, (t, n),
    their basis and their lengths (n,)."""
    start, end = laid.spans
    use = counted(laid.whole.status) & (laid.instants >= start[laid.window])
    use &= laid.instants < end[laid.window]
    for window in range(0, len(start), TURNS):
        turns = [np.flatnonzero(use & (laid.window == window + turn)) for turn in range(TURNS)]
        if len(turns[0]) >= LEAST_PAIRS:
            own = turns[0]
            yield np.stack(turns), basis((laid.instants[own] - start[window]) / SECOND), laid.whole.rr[own]


def _each(
    starts_ns: Ints, seconds: float, values: Values, losses: Pattern, replay: Replay | None, true: Values,
    told: int = REPLAYED,
) -> dict[str, Bars]:  # fmt: skip
    """Bars of each value from the losses around each window."""
    count = len(starts_ns)
    bars = {name: _none(count) for name in values}
    wanted = np.logical_or.reduce([np.isfinite(each) for each in values.values()])
    for window in np.flatnonzero(wanted).tolist():
        start = int(starts_ns[window]) - round(BEFORE_S * SECOND)
        missing, computed = losses.cut(start, seconds + BEFORE_S + AFTER_S)
        if not missing.any() and not computed.any():
            for name, value in values.items():
                _put(bars[name], window, value[window], (value[window], value[window], 0.0), NOTHING_LOST)
            continue
        left = replay(missing, computed) if replay else {}
        for name, value in values.items():
            found = interval(value[window], left[name], true[name], name) if left else None
            how = NO_STRETCH if found is None else told
            _put(bars[name], window, value[window], found or (np.nan,) * 3, how)
    return bars


def _none(count: int) -> Bars:
    nothing = [np.full(count, np.nan) for _ in range(3)]
    return Bars(nothing[0], nothing[1], nothing[2], np.full(count, NO_BAR, np.int64))


def _put(bars: Bars, window: int, value: float, found: tuple[float, float, float], how: int) -> None:
    if np.isfinite(value):
        bars.low[window], bars.high[window], bars.bias[window] = found
        bars.how[window] = how


def interval(value: float, left: Floats, true: Floats, name: str) -> tuple[float, float, float] | None:
    """Low, high and bias of a ``value``, given what such losses ``left`` (k,) of the ``true`` values (k,);
    None where too few replays have a value.

    What scales with the spread of the intervals errs by a ratio, the rest by a difference.
    """
    scales = name not in DIFFERENCES
    fit = np.isfinite(left) & np.isfinite(true)
    if scales:
        fit &= (left > 0) & (true > 0)
    if fit.sum() < LEAST_REPLAYS or not np.isfinite(value):
        return None
    error = np.log(left[fit] / true[fit]) if scales else left[fit] - true[fit]
    low, middle, high = (float(each) for each in np.quantile(error, [LOW, 0.5, HIGH], method="weibull"))
    if scales:
        return value * np.exp(-high), value * np.exp(-low), value - value * np.exp(-middle)
    least, most = LIMITS.get(name, (0.0, np.inf))
    return float(np.clip(value - high, least, most)), float(np.clip(value - low, least, most)), middle
