"""What losses do to a recording's values: its own losses, replayed over other beats of the same recording.

The losses of the whole recording are moved by some minutes, and laid over its own beats, of which short holes
were bridged. What they would have cost is left out by the same rules as in the recording, those for artefacts
among them, which find less where neighbours are lost; values are computed again::

    recording  R   R x R   xxx   R   R   R   R x R      x lost: the pattern
    bridged    R   R   R   r r   R   R   R   R   R      the true value of a window
    replayed   R   x   R   r r   R xxx   R   x   R      the value that such losses leave

So the losses of each window are replayed, all windows at once, on as many stretches around it as there are
moves.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from nodeday.core.arrays import Bits, Bools, Floats, Ints, runs, spread
from nodeday.stages.features.heart.artefacts import local_median
from nodeday.stages.features.heart.coarse import LEAST_S
from nodeday.stages.features.heart.intervals import (
    FIRST,
    TOO_LONG,
    TOUCHES_GAP,
    Everywhere,
    Losses,
    rr_status,
)
from nodeday.stages.features.heart.rates import BeatSeries, counted

SECOND_NS = 1_000_000_000
LONGEST_MS = 10_000.0
"""A longer hole ends a stretch."""
SLACK_NS = 2 * SECOND_NS
"""A window may reach so far past the first or last beat of its stretch, about an interval."""


@dataclass(frozen=True)
class Bridged:
    """Beats (b,) in order: ``at_ns``, the interval ``rr`` before each in ms, whether a beat is the
    ``first`` of a stretch, and whether its interval was ``made`` up.
    """

    at_ns: Ints
    rr: Floats
    first: Bools
    made: Bools

    @property
    def stretches(self) -> tuple[Ints, Ints]:
        """First and last beat (s,) of each stretch, as instants."""
        begin = np.flatnonzero(self.first)
        return self.at_ns[begin], self.at_ns[np.concatenate([begin[1:], [len(self.first)]])[: len(begin)] - 1]

    def hold(self, starts_ns: Ints, ends_ns: Ints) -> Bools:
        """Which windows, of any shape, lie in one stretch."""
        begin, end = self.stretches
        if not len(begin):
            return np.zeros(starts_ns.shape, np.bool_)
        own = np.maximum(np.searchsorted(begin, starts_ns + SLACK_NS, side="right") - 1, 0)
        fits = (begin[own] <= starts_ns + SLACK_NS) & (ends_ns <= end[own] + SLACK_NS)
        return np.asarray(fits, np.bool_)

    def untouched(self, starts_ns: Ints, ends_ns: Ints) -> Bools:
        """In which windows (w,) no interval was made up."""
        total = np.concatenate([[0], np.cumsum(self.made)])
        low, high = (np.searchsorted(self.at_ns, each) for each in (starts_ns, ends_ns))
        return np.asarray(total[high] == total[low], np.bool_)


def bridged(series: BeatSeries) -> Bridged:
    """``series`` with its holes of up to ``LONGEST_MS`` bridged, as drawn above."""
    known = counted(series.status)
    usual = local_median(series.rr, known)
    cut = np.isin(series.status, (FIRST, TOO_LONG)) | ~(series.rr <= LONGEST_MS) | np.isnan(usual)
    hole = (series.status == TOUCHES_GAP) & ~cut
    ratio = np.divide(series.rr, usual, out=np.ones(len(usual)), where=hole)
    parts = np.maximum(np.rint(ratio), 1).astype(np.int64)
    own = np.repeat(np.arange(len(parts)), parts)
    made = hole[own]
    rr = np.where(made, _on_the_line(series.rr[own], known[own]), series.rr[own])
    sums = np.bincount(own, np.where(made, rr, 0.0), len(parts))
    scale = np.divide(series.rr, sums, out=np.ones(len(parts)), where=hole & (sums > 0))
    rr = np.where(cut[own], np.nan, rr * scale[own])
    total = np.cumsum(np.where(made, rr, 0.0))
    to_come = total[np.cumsum(parts) - 1][own] - total
    return Bridged(series.at_ns[own] - np.rint(to_come * 1e6).astype(np.int64), rr, cut[own], made)


def _on_the_line(rr: Floats, known: Bools) -> Floats:
    """Each interval (b,) on the straight line between the ``known`` ones (b,) around it."""
    at = np.flatnonzero(known)
    if not len(at):
        return rr
    return np.asarray(np.interp(np.arange(len(rr)), at, rr[at]), np.float64)


SECOND = 1_000_000_000
GRID_HZ = 100.0
GRID_NS = round(SECOND / GRID_HZ)
BEFORE_NS, AFTER_NS = 3 * SECOND, SECOND // 5
"""The first interval of a window begins before it: so much of the losses before and after it counts."""
REPLAYS = 40
NEAREST_S, FARTHEST_S = 30.0, 2400.0
"""By how much losses are moved, both ways: near stretches are more alike. Choices of this project."""
GOLDEN = 0.6180339887498949
"""Multiples of it, without their whole part, spread evenly: no chance, the same bars each time."""


@dataclass(frozen=True)
class Pattern:
    """What was lost on a grid of 10 ms from ``start_ns``: (g,) each."""

    start_ns: int
    missing: Bools
    computed: Bools

    @cached_property
    def losses(self) -> Everywhere:
        return Losses.of(self.missing, self.computed, GRID_HZ)

    @cached_property
    def lost(self) -> Bits:
        """The cells in which anything was lost."""
        return Bits.of(self.missing | self.computed)

    @cached_property
    def unseen(self) -> Bools:
        """Where no beat can be found (g,): lost samples, and stretches between them too short to be
        searched.
        """
        starts, ends = runs(~self.missing)
        short = (ends - starts < LEAST_S * GRID_HZ) & (starts > 0) & (ends < len(self.missing))
        return self.missing | spread(starts[short], ends[short], len(self.missing))

    @property
    def length_ns(self) -> int:
        return len(self.missing) * GRID_NS

    def touches(self, starts_ns: Ints, ends_ns: Ints) -> Bools:
        """Whether anything was lost in or beside each window [start, end), (w,); what lies outside the
        session is not lost but unknown, and counts as there.
        """
        low = (starts_ns - BEFORE_NS - self.start_ns) // GRID_NS
        high = -(-(ends_ns + AFTER_NS - self.start_ns) // GRID_NS)
        low, high = (np.clip(each, 0, len(self.missing)) for each in (low, high))
        return np.asarray(self.lost.count(high) > self.lost.count(low), np.bool_)


def moves_ns(length_ns: int) -> Ints:
    """By how much a pattern of ``length_ns`` is moved, (r,): ever more widely to both sides, or evenly
    where the recording is too short for that. Never in step with anything in the heart, such as breathing
    to a metronome: a golden share of a step is added to each.
    """
    half = REPLAYS // 2
    wide = np.floor(np.geomspace(1, FARTHEST_S / NEAREST_S, half))
    wide = np.maximum.accumulate(wide - np.arange(half)) + np.arange(half)  # each another one
    steps, step_s = np.concatenate([-wide[::-1] - 1, wide]), NEAREST_S
    if length_ns < 2 * (FARTHEST_S + NEAREST_S) * SECOND:
        steps, step_s = np.arange(REPLAYS), length_ns / SECOND / REPLAYS
    steps = steps + (np.arange(1, REPLAYS + 1) * GOLDEN) % 1
    return np.asarray(np.ceil(steps * step_s * GRID_HZ), np.int64) * GRID_NS


@dataclass(frozen=True)
class Replay:
    """The losses, moved: the beats ``left`` (l,), and which of the bridged beats (b,) still
    have an interval that counts for variability, ``kept``.
    """

    left: BeatSeries
    kept: Bools


@dataclass(frozen=True)
class Replays:
    """A recording's own losses, replayed over its own beats."""

    series: BeatSeries
    losses: Pattern

    @cached_property
    def beats(self) -> Bridged:
        return bridged(self.series)

    @cached_property
    def place(self) -> Ints:
        """Bridged beats (b,) on the grid of the losses, that before its start or past its end as well."""
        return np.asarray((self.beats.at_ns - self.losses.start_ns) // GRID_NS, np.int64)

    @cached_property
    def true(self) -> BeatSeries:
        """The bridged beats (b,) with nothing lost."""
        nothing = Losses.of(np.zeros(1, np.bool_), np.zeros(1, np.bool_), GRID_HZ)
        status = rr_status(self.beats.rr, nothing.at(np.zeros_like(self.place)), self.beats.first)
        return BeatSeries(self.beats.at_ns, self.beats.rr, status)

    @cached_property
    def stretch(self) -> Ints:
        """Number of the stretch of each bridged beat (b,)."""
        return np.cumsum(self.beats.first)

    @cached_property
    def moves_ns(self) -> Ints:
        """By how much the losses are moved in each replay, (r,)."""
        return moves_ns(self.losses.length_ns)

    def prepared(self) -> Replays:
        """The same, with what all moves rest on at hand, so that processes that are forked share it."""
        _ = self.place, self.stretch, self.losses.unseen, self.losses.losses
        return self

    def moved(self, move_ns: int) -> Replay:
        """The losses, moved by so much; large, so never more than a few are held."""
        beats, losses = self.beats, self.losses
        place = (self.place - move_ns // GRID_NS) % len(losses.missing)
        left = np.flatnonzero(~losses.unseen[place])
        stretch = self.stretch[left]
        own = place[left]
        first = (np.diff(stretch, prepend=-1) != 0) | (np.diff(own, prepend=-1) < 0)
        rr = np.where(first, np.nan, np.diff(beats.at_ns[left], prepend=0) / 1e6)
        status = rr_status(rr, losses.losses.at(own), first)
        kept = np.zeros(len(place), np.bool_)
        kept[left[counted(status) & (np.diff(left, prepend=-1) == 1)]] = True
        return Replay(BeatSeries(beats.at_ns[left], rr, status), kept)

    def laid(self, starts_ns: Ints, ends_ns: Ints) -> tuple[Ints, Bools]:
        """Where each replay lays the losses of each window [start, end), (w,): starts (r, w), which lie
        round the recording, and which of these windows lie in one stretch of beats.
        """
        losses = self.losses
        moves = self.moves_ns[:, None]
        starts = losses.start_ns + (starts_ns - losses.start_ns + moves) % losses.length_ns
        return starts, self.beats.hold(starts, starts + (ends_ns - starts_ns))
