"""The effect of losses on a recording's values: its losses, replayed over its own beats.

First the short holes of the recording are bridged, wherever it is lossy. The beats on both sides of a hole
are known, and so is the sum of the intervals between them. It is divided into as many intervals as the usual
one fits into it, along the straight line between the intervals around::

    recorded  R   R   R  xxxxxxxxx  R   R        x lost
    bridged   R   R   R   r   r   r R   R        r made up

No value of a feature is ever computed from what is made up here: it stands for the truth in replays alone.

Then the losses of the whole recording are moved by some minutes over the bridged beats. What they would have
cost is left out by the same rules as in the recording, also by the rules for artefacts, which find less where
neighbours are lost; values are computed again::

    recorded  R   R x R   xxx   R   R   R   R x R      x lost: the pattern
    bridged   R   R   R   r r   R   R   R   R   R      the true value of a window
    replayed  R   x   R   r r   R xxx   R   x   R      the value that such losses leave

So the losses of each window are replayed, all windows at once, on as many stretches around it as there are
moves. All of this is a choice of this project.
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
    PAUSE,
    TOO_LONG,
    TOUCHES_GAP,
    LossIndex,
    rr_status,
)
from nodeday.stages.features.heart.rates import BeatSeries, for_variability
from nodeday.stages.features.windows import SECOND

LONGEST_HOLE_MS = 10_000.0
"""A longer hole ends a stretch."""
SLACK_NS = 2 * SECOND
"""A window may reach so far past the first or last beat of its stretch, about an interval."""
GRID_HZ = 100.0
GRID_NS = round(SECOND / GRID_HZ)
BEFORE_NS, AFTER_NS = 3 * SECOND, 3 * SECOND
"""The first interval of a window begins before it, and heart rate counts a share of the one that ends after
it: so much of the losses before and after it counts."""
REPLAYS = 40
NEAREST_S, FARTHEST_S = 30.0, 2400.0
"""By how much losses are moved, both ways: near stretches are more alike. Choices of this project."""
GOLDEN = 0.6180339887498949
"""The fractional parts of its multiples are spread evenly: no chance, the same bars each time."""


# --- bridges ------------------------------------------------------------------------------


@dataclass(frozen=True)
class BridgedBeats:
    """Beats (b,) in order of time, with short holes bridged.

    Instants ``at_ns``; the interval ``rr`` before each in ms; whether a beat is the ``first`` of a stretch,
    whether its interval was ``made_up``, and whether it is known to be ``empty``, a pause.
    """

    at_ns: Ints
    rr: Floats
    first: Bools
    made_up: Bools
    empty: Bools

    @property
    def stretches(self) -> tuple[Ints, Ints]:
        """Instants of the first and the last beat of each stretch, (s,) each."""
        begin = np.flatnonzero(self.first)
        return self.at_ns[begin], self.at_ns[np.concatenate([begin[1:], [len(self.first)]])[: len(begin)] - 1]

    def in_one_stretch(self, starts_ns: Ints, ends_ns: Ints) -> Bools:
        """Return which windows [start, end), of any shape, lie in one stretch."""
        begin, end = self.stretches
        if not len(begin):
            return np.zeros(starts_ns.shape, np.bool_)
        stretch = np.maximum(np.searchsorted(begin, starts_ns + SLACK_NS, side="right") - 1, 0)
        fits = (begin[stretch] <= starts_ns + SLACK_NS) & (ends_ns <= end[stretch] + SLACK_NS)
        return np.asarray(fits, np.bool_)

    def measured_only(self, starts_ns: Ints, ends_ns: Ints) -> Bools:
        """Return in which windows [start, end), of any shape, no interval was made up."""
        total = np.concatenate([[0], np.cumsum(self.made_up)])
        low, high = (np.searchsorted(self.at_ns, edges) for edges in (starts_ns, ends_ns))
        return np.asarray(total[high] == total[low], np.bool_)


def bridge(series: BeatSeries) -> BridgedBeats:
    """Return ``series`` with its holes of up to ``LONGEST_HOLE_MS`` bridged, as drawn above."""
    known = for_variability(series.status)
    usual = local_median(series.rr, known)
    cut = np.isin(series.status, (FIRST, TOO_LONG)) | ~(series.rr <= LONGEST_HOLE_MS) | np.isnan(usual)
    hole = (series.status == TOUCHES_GAP) & ~cut
    ratio = np.divide(series.rr, usual, out=np.ones(len(usual)), where=hole)
    parts = np.maximum(np.rint(ratio), 1).astype(np.int64)
    source = np.repeat(np.arange(len(parts)), parts)
    made_up = hole[source]
    rr = np.where(made_up, _interpolated(series.rr[source], known[source]), series.rr[source])
    sums = np.bincount(source, np.where(made_up, rr, 0.0), len(parts))
    scale = np.divide(series.rr, sums, out=np.ones(len(parts)), where=hole & (sums > 0))
    rr = np.where(cut[source], np.nan, rr * scale[source])
    total = np.cumsum(np.where(made_up, rr, 0.0))
    to_come = total[np.cumsum(parts) - 1][source] - total
    at_ns = series.at_ns[source] - np.rint(to_come * 1e6).astype(np.int64)
    return BridgedBeats(at_ns, rr, cut[source], made_up, (series.status == PAUSE)[source])


def _interpolated(rr: Floats, known: Bools) -> Floats:
    """Return each interval (b,) from the straight line between the ``known`` ones (b,) around it."""
    index = np.flatnonzero(known)
    if not len(index):
        return rr
    return np.asarray(np.interp(np.arange(len(rr)), index, rr[index]), np.float64)


# --- losses -------------------------------------------------------------------------------


@dataclass(frozen=True)
class LossPattern:
    """What was lost, on a grid of 10 ms from ``start_ns``.

    Cells (g,) with a ``missing`` sample, and with none but with one that a fill ``computed``.
    """

    start_ns: int
    missing: Bools
    computed: Bools

    @cached_property
    def index(self) -> LossIndex:
        """Losses at every cell, to be looked up."""
        return LossIndex.of(self.missing, self.computed, GRID_HZ)

    @cached_property
    def lost(self) -> Bits:
        """The cells in which anything was lost."""
        return Bits.of(self.missing | self.computed)

    @cached_property
    def unseen(self) -> Bools:
        """The cells (g,) in which no beat can be found.

        Missing ones, and stretches between them too short to be searched.
        """
        starts, ends = runs(~self.missing)
        short = (ends - starts < LEAST_S * GRID_HZ) & (starts > 0) & (ends < len(self.missing))
        return self.missing | spread(starts[short], ends[short], len(self.missing))

    @property
    def length_ns(self) -> int:
        """Length of the grid in ns."""
        return len(self.missing) * GRID_NS

    def touches(self, starts_ns: Ints, ends_ns: Ints) -> Bools:
        """Return whether anything was lost in or near each window [start, end), (w,).

        What lies outside the session is not lost but unknown, and counts as received.
        """
        low = (starts_ns - BEFORE_NS - self.start_ns) // GRID_NS
        high = -(-(ends_ns + AFTER_NS - self.start_ns) // GRID_NS)
        low, high = (np.clip(cell, 0, len(self.missing)) for cell in (low, high))
        return np.asarray(self.lost.count(high) > self.lost.count(low), np.bool_)


def moves_ns(length_ns: int) -> Ints:
    """Return by how much a pattern of ``length_ns`` is moved in each replay, (r,), in ns.

    Ever more widely to both sides, or evenly where the recording is too short for that. Never in step with
    anything in the heart, such as breathing to a metronome: a golden share of a step is added to each.
    """
    half = REPLAYS // 2
    wide = np.floor(np.geomspace(1, FARTHEST_S / NEAREST_S, half))
    wide = np.maximum.accumulate(wide - np.arange(half)) + np.arange(half)  # no two are alike
    steps, step_s = np.concatenate([-wide[::-1] - 1, wide]), NEAREST_S
    if length_ns < 2 * (FARTHEST_S + NEAREST_S) * SECOND:
        steps, step_s = np.arange(REPLAYS), length_ns / SECOND / REPLAYS
    steps = steps + (np.arange(1, REPLAYS + 1) * GOLDEN) % 1
    return np.asarray(np.ceil(steps * step_s * GRID_HZ), np.int64) * GRID_NS


# --- replays ------------------------------------------------------------------------------


@dataclass(frozen=True)
class Replay:
    """One replay of the losses.

    The beats ``remaining`` (l,), and which of the bridged beats (b,) still have an interval that counts for
    variability, ``kept``.
    """

    remaining: BeatSeries
    kept: Bools


@dataclass(frozen=True)
class Replays:
    """The losses of a recording, to be replayed over its own beats ``series``."""

    series: BeatSeries
    losses: LossPattern

    @cached_property
    def beats(self) -> BridgedBeats:
        """The bridged beats (b,)."""
        return bridge(self.series)

    @cached_property
    def cell(self) -> Ints:
        """Cell of the grid of losses that holds each bridged beat, (b,); it may lie outside of the grid."""
        return np.asarray((self.beats.at_ns - self.losses.start_ns) // GRID_NS, np.int64)

    @cached_property
    def true(self) -> BeatSeries:
        """The bridged beats (b,) with nothing lost."""
        nothing = LossIndex.of(np.zeros(1, np.bool_), np.zeros(1, np.bool_), GRID_HZ)
        beats = self.beats
        status = rr_status(beats.rr, nothing.at(np.zeros_like(self.cell)), beats.first, beats.empty)
        return BeatSeries(self.beats.at_ns, self.beats.rr, status)

    @cached_property
    def stretch(self) -> Ints:
        """Number of the stretch of each bridged beat, (b,)."""
        return np.cumsum(self.beats.first)

    @cached_property
    def moves_ns(self) -> Ints:
        """By how much the losses are moved in each replay, (r,)."""
        return moves_ns(self.losses.length_ns)

    def prepared(self) -> Replays:
        """Return these replays with all that they share computed, so that forked processes share it."""
        _ = self.cell, self.stretch, self.losses.unseen, self.losses.index
        return self

    def replay(self, move_ns: int) -> Replay:
        """Return the replay of losses moved by ``move_ns``; it is large, so hold only a few at a time."""
        beats, losses = self.beats, self.losses
        cell = (self.cell - move_ns // GRID_NS) % len(losses.missing)
        left = np.flatnonzero(~losses.unseen[cell])
        stretch, cell_left = self.stretch[left], cell[left]
        first = (np.diff(stretch, prepend=-1) != 0) | (np.diff(cell_left, prepend=-1) < 0)
        rr = np.where(first, np.nan, np.diff(beats.at_ns[left], prepend=0) / 1e6)
        neighbours = np.diff(left, prepend=-1) == 1
        status = rr_status(rr, losses.index.at(cell_left), first, beats.empty[left] & neighbours)
        kept = np.zeros(len(cell), np.bool_)
        kept[left[for_variability(status) & neighbours]] = True
        return Replay(BeatSeries(beats.at_ns[left], rr, status), kept)

    def moved_windows(self, starts_ns: Ints, ends_ns: Ints) -> tuple[Ints, Bools]:
        """Return where each replay moves the losses of each window [start, end), (w,).

        Starts (r, w), which wrap around at the recording's end, and which of these windows lie in one stretch
        of beats, (r, w).
        """
        losses = self.losses
        moves = self.moves_ns[:, None]
        starts = losses.start_ns + (starts_ns - losses.start_ns + moves) % losses.length_ns
        return starts, self.beats.in_one_stretch(starts, starts + (ends_ns - starts_ns))
