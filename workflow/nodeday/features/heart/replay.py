"""Error bars for what was lost: a window's own losses, replayed on complete stretches of the same recording.

A stretch is complete where no interval touches lost or computed samples. Windows of the same length
are laid over the complete stretches; the losses are turned round by another amount over each; beats and
intervals
that they would have cost are left out by the same rules as in the recording; the value is computed again::

    epoch       R   R x R   xxx   R   R        x lost: the pattern
    stretch     R   R   R   R   R   R   R      complete: the true value
    replayed    R   R x R   xxx R   R   R      the value that such losses leave

The spread of what losses leave, against what was true, is the error.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from nodeday.arrays import Bools, Ints, runs
from nodeday.features.heart.coarse import LEAST_S
from nodeday.features.heart.intervals import BEAT_IN_FILL, FIRST, SPANS_GAP, TOUCHES_GAP, Losses, rr_status
from nodeday.features.heart.rates import Series

SECOND = 1_000_000_000
GRID_HZ = 100.0
BEFORE_S, AFTER_S = 3.0, 0.2
"""The first interval of a window begins before it: so much of the losses before and after it counts."""
LEAST_PIECE = 4
"""Intervals of a piece that is joined to others. A choice of this project."""
GOLDEN = 0.6180339887498949
"""Multiples of it, without their whole part, spread evenly: no chance, the same bars each time."""


@dataclass(frozen=True)
class Pattern:
    """What was lost on a grid of 10 ms from ``start_ns``: (g,) each."""

    start_ns: int
    missing: Bools
    computed: Bools

    def cut(self, start_ns: int, seconds: float) -> tuple[Bools, Bools]:
        """Both masks from ``start_ns`` on; what lies outside the session is not lost but unknown, and
        counts as there."""
        first = round((start_ns - self.start_ns) / SECOND * GRID_HZ)
        at = first + np.arange(round(seconds * GRID_HZ))
        inside = (at >= 0) & (at < len(self.missing))
        at = np.clip(at, 0, len(self.missing) - 1)
        return self.missing[at] & inside, self.computed[at] & inside


def pattern(start_ns: int, end_ns: int, utc_ns: Ints, missing: Bools, computed: Bools) -> Pattern:
    """Losses over [start, end) from samples (n,): a place of the grid that no sample falls into is lost
    too."""
    count = round((end_ns - start_ns) / SECOND * GRID_HZ) + 1
    state = np.full(count, 2, np.int8)
    at = ((utc_ns - start_ns) // round(SECOND / GRID_HZ)).astype(np.int64)
    kept = (at >= 0) & (at < count)
    for value, those in ((0, ~missing & ~computed), (1, computed), (2, missing)):
        state[at[kept & those]] = value
    return Pattern(start_ns, state == 2, state == 1)


@dataclass(frozen=True)
class Laid:
    """Windows of ``seconds`` over complete stretches: for each of n beats, its place ``beat`` (n,) in the
    series, the window it is laid in, ``window`` (n,), and ``place`` (n,) on the grid from the window's
    start less ``BEFORE_S``. ``starts_ns`` (k,) are the windows' starts."""

    series: Series
    seconds: float
    starts_ns: Ints
    beat: Ints
    window: Ints
    place: Ints

    @cached_property
    def first(self) -> Bools:
        return np.asarray(np.diff(self.window, prepend=-1) != 0, np.bool_)

    @property
    def spacing_ns(self) -> int:
        return int((self.seconds + BEFORE_S + 10) * SECOND)

    @cached_property
    def instants(self) -> Ints:
        """Beats (n,) with the windows one after the other."""
        since = self.series.at_ns[self.beat] - self.starts_ns[self.window]
        return np.asarray(since + self.window * self.spacing_ns + 5 * SECOND)

    @property
    def spans(self) -> tuple[Ints, Ints]:
        """Start and end (k,) of each window on the time of ``instants``."""
        start = np.arange(len(self.starts_ns)) * self.spacing_ns + 5 * SECOND
        return start, start + round(self.seconds * SECOND)

    @cached_property
    def whole(self) -> Series:
        """The beats as they truly are."""
        status = self.series.status[self.beat].copy()
        status[self.first] = FIRST
        return Series(self.instants, self.series.rr[self.beat], status)


def lay(series: Series, seconds: float, count: int, times: int = 1) -> Laid | None:
    """``count`` windows over the series' complete stretches, evenly, each ``times`` over; None where no
    stretch is long enough."""
    begin, end = _complete(series)
    if not len(begin):
        return None
    first, last = series.at_ns[begin], series.at_ns[end - 1]
    free = last - first - round(seconds * SECOND)
    begin, first, free = begin[free > 0], first[free > 0], free[free > 0]
    if not len(free):
        return None
    total = np.concatenate([[0], np.cumsum(free)])
    drawn = np.repeat(((np.arange(count) + 0.5) / count * total[-1]).astype(np.int64), times)
    of = np.searchsorted(total, drawn, side="right") - 1
    starts = first[of] + drawn - total[of]
    low = np.maximum(np.searchsorted(series.at_ns, starts) - 1, begin[of])
    high = np.searchsorted(series.at_ns, starts + round(seconds * SECOND))
    lengths = high - low
    window = np.repeat(np.arange(count * times), lengths)
    beat = np.arange(lengths.sum()) - np.repeat(np.cumsum(lengths) - lengths, lengths) + low[window]
    since = (series.at_ns[beat] - starts[window]) / SECOND + BEFORE_S
    return Laid(series, seconds, starts, beat, window, np.rint(since * GRID_HZ).astype(np.int64))


def _complete(series: Series) -> tuple[Ints, Ints]:
    """Beats [begin, end) of each complete stretch: intervals that no loss touches, and the beat before."""
    cost = np.isin(series.status, (TOUCHES_GAP, BEAT_IN_FILL, SPANS_GAP, FIRST))
    begin, end = runs(~cost)
    return np.maximum(begin - 1, 0), end


def joined(series: Series) -> Series:
    """The complete pieces of a series as though nothing had been between them, those of at least
    ``LEAST_PIECE`` intervals::

        recorded  R  R  R  R x    R  R  R  R  R   xx   R  R  R  R  R
        joined    R  R  R  R  R  R  R  R  R  R  R  R     (a beat that ends one begins the next)
    """
    begin, end = _complete(series)
    long = end - begin > LEAST_PIECE
    lengths = (end - begin - 1)[long]
    ramp = np.arange(lengths.sum()) - np.repeat(np.cumsum(lengths) - lengths, lengths)
    own = np.repeat(begin[long] + 1, lengths) + ramp
    at = np.concatenate([[0], np.rint(np.cumsum(series.rr[own]) * 1e6)]).astype(np.int64)
    return Series(
        at,
        np.concatenate([[np.nan], series.rr[own]]),
        np.concatenate([[FIRST], series.status[own]]).astype(np.int8),
    )


def replayed(laid: Laid, missing: Bools, computed: Bools) -> tuple[Series, Ints]:
    """Beats that are left of ``laid``, with their intervals, once the losses (g,) have been laid over each
    window, turned round by another amount; and which of its beats they are."""
    n = len(missing)
    turn = (np.arange(len(laid.starts_ns)) * GOLDEN % 1 * n).astype(np.int64)
    place = laid.place + turn[laid.window]
    losses = Losses.of(missing, computed).twice()
    left = np.flatnonzero(~_unseen(missing)[place % n])
    first = np.diff(laid.window[left], prepend=-1) != 0
    at = laid.instants[left]
    rr = np.where(first, np.nan, np.diff(at, prepend=0) / 1e6)
    return Series(at, rr, rr_status(rr, place[left], losses, GRID_HZ, first)), left


def _unseen(missing: Bools) -> Bools:
    """Where no beat can be found: lost samples, and stretches between them too short to be searched."""
    starts, ends = runs(~missing)
    short = (ends - starts < LEAST_S * GRID_HZ) & (starts > 0) & (ends < len(missing))
    edges = np.zeros(len(missing) + 1, np.int64)
    edges[starts[short]] += 1
    edges[ends[short]] -= 1
    return missing | (np.cumsum(edges[:-1]) > 0)
