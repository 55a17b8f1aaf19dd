"""RR intervals: how each stands to what was lost, and what it may be used for."""

from __future__ import annotations

from dataclasses import dataclass, fields
from functools import partial

import numpy as np
from numpy.typing import NDArray

from nodeday.core.arrays import Bits, Bools, Floats, Ints, runs, spread
from nodeday.schemas import codes
from nodeday.stages.features.heart.artefacts import (
    ARTEFACT_FOUND,
    ECTOPIC_FOUND,
    ROOM,
    irregular,
    local_median,
)

NORMAL, FIRST, TOUCHES_GAP, BEAT_IN_FILL, ECTOPIC, ARTEFACT, TOO_LONG, SPANS_GAP, PAUSE = range(9)
FOR_RATE = (NORMAL, BEAT_IN_FILL, ECTOPIC, ARTEFACT, SPANS_GAP, PAUSE)
FOR_VARIABILITY = (NORMAL, SPANS_GAP)
LEAST_PAUSE_MS, LONGEST_PAUSE_MS = 2000.0, 30_000.0
"""A pause is longer than two seconds: common practice, no source. Silence of more than half a minute is
likelier that of an electrode: a choice of this project."""
GUARD_MS = 50.0
"""A beat nearer than this to lost samples has an uncertain time. A choice of this project."""
SPAN_DIFFERS = 0.2
"""How far an interval across lost samples may be from the median around it. A choice of this project."""

if list(codes.RR_STATUS) != [
    "normal",
    "first",
    "touches_gap",
    "beat_in_fill",
    "ectopic",
    "artefact",
    "too_long",
    "spans_gap",
    "pause",
]:
    raise ImportError("the codes of rr_status changed; nodeday.stages.features.heart.intervals must follow")


Counts = NDArray[np.integer]


@dataclass(frozen=True)
class Losses:
    """Losses at n sample positions.

    Rows of ``near`` and ``before`` (2, n) are samples that stayed missing, then samples that a fill replaced:
    whether any of them is within the guard of the position, and how many lie before it. ``computed`` (n,):
    whether the position's own sample was computed by a fill.
    """

    near: Bools
    before: Counts
    computed: Bools

    @classmethod
    def of_samples(cls, sample: Ints, missing: Bools, computed: Bools, rate_hz: float) -> Losses:
        """Return the losses at a few ``sample`` numbers (b,), as ``LossIndex.of(...).at(sample)`` does."""
        guard = round(GUARD_MS * rate_hz / 1000)
        lost = [np.flatnonzero(mask) for mask in (missing, computed)]
        low, before, high = (
            np.stack([np.searchsorted(index, sample + off) for index in lost])
            for off in (-guard, 0, guard + 1)
        )
        return cls(high > low, before, computed[sample])

    @classmethod
    def joined(cls, parts: list[Losses]) -> Losses:
        """Return the losses at the positions of all ``parts``, one after the other."""
        nothing = cls(np.zeros((2, 0), np.bool_), np.zeros((2, 0), np.int32), np.zeros(0, np.bool_))
        columns = ([getattr(part, field.name) for part in (nothing, *parts)] for field in fields(cls))
        return cls(*(np.concatenate(column, axis=-1) for column in columns))

    def at(self, index: Ints) -> Losses:
        """Return the losses at some of the positions, by ``index`` (b,)."""
        return Losses(*(getattr(self, field.name).take(index, axis=-1) for field in fields(self)))


@dataclass(frozen=True)
class LossIndex:
    """Losses at every sample of a recording, in a few bits each, to be looked up many times.

    ``near`` and ``lost`` hold two masks each: samples that stayed missing, then samples that a fill replaced.
    """

    near: list[Bits]
    lost: list[Bits]

    @classmethod
    def of(cls, missing: Bools, computed: Bools, rate_hz: float) -> LossIndex:
        """Index the samples that stayed ``missing`` and those that a fill ``computed``, (n,) each."""
        guard, lost = round(GUARD_MS * rate_hz / 1000), (missing, computed)
        near = map(partial(_within_guard, guard=guard), lost)
        return cls([Bits.of(mask) for mask in near], [Bits.of(mask) for mask in lost])

    def at(self, sample: Ints) -> Losses:
        """Return the losses at ``sample`` numbers (b,)."""
        near, before = [bits.has(sample) for bits in self.near], [bits.count(sample) for bits in self.lost]
        return Losses(np.stack(near), np.stack(before), self.lost[1].has(sample))


def _within_guard(mask: Bools, guard: int) -> Bools:
    """Return which samples (n,) have one of ``mask`` (n,) no farther than ``guard`` samples away."""
    starts, ends = runs(mask)
    return spread(np.maximum(starts - guard, 0), np.minimum(ends + guard, len(mask)), len(mask))


@dataclass(frozen=True)
class PairLosses:
    """Losses around the two beats of each interval (b,), which ends at the second of them.

    ``near_missing``, ``near_lost``: missing, or any lost samples are within the guard of a beat; ``filled``:
    a beat is itself computed; ``missing_between``, ``lost_between``: missing, or any lost samples lie between
    the beats. Of a first beat only the beat itself is looked at.
    """

    near_missing: Bools
    near_lost: Bools
    filled: Bools
    missing_between: Bools
    lost_between: Bools


def rr_ms(utc_ns: Ints) -> Floats:
    """Return the interval (b,) in ms before each beat, from instants ``utc_ns`` (b,); NaN for the first."""
    return np.concatenate([[np.nan], np.diff(utc_ns) / 1e6])[: len(utc_ns)]


def pair_losses(losses: Losses, first: Bools) -> PairLosses:
    """Return how each beat and the one before it stand to ``losses``, given at the beats (b,).

    A ``first`` beat (b,) has none before it.
    """

    def of_either(of_beat: Bools) -> Bools:
        """Return where a beat or the one before it has the property."""
        return of_beat | (np.concatenate([of_beat[:1], of_beat[:-1]]) & ~first)

    missing, computed = map(of_either, losses.near)
    between = (np.diff(losses.before, axis=1, prepend=losses.before[:, :1]) > 0) & ~first
    return PairLosses(
        missing, missing | computed, of_either(losses.computed), between[0], between[0] | between[1]
    )


def gap_status(rr: Floats, pair: PairLosses, usual_ms: Floats) -> NDArray[np.int8]:
    """Return the status (b,) of intervals as far as losses decide it.

    ``rr`` (b,) in ms; ``usual_ms`` (b,) is the median interval around, NaN where it is not known::

        samples   ____R_________R____xx____R________R__~~__R__xxxxx___R      x missing, ~ computed
        status      first    normal   spans     normal   spans    gap (too long for one interval)
    """
    fits = np.abs(rr - usual_ms) <= SPAN_DIFFERS * usual_ms
    clear = np.where(fits, SPANS_GAP, TOUCHES_GAP)
    status = np.where(pair.lost_between, clear, NORMAL)
    status = np.where(pair.near_lost, TOUCHES_GAP, status)
    # A beat that a fill shows counts for rate; one next to samples that stayed missing does not.
    return np.where(
        pair.near_missing,
        TOUCHES_GAP,
        np.where(pair.filled, np.where(pair.missing_between & ~fits, TOUCHES_GAP, BEAT_IN_FILL), status),
    ).astype(np.int8)


def rr_status(
    rr: Floats, losses: Losses, first: Bools | None = None, empty: Bools | None = None
) -> NDArray[np.int8]:
    """Return the status (b,) of the interval before each beat, as an index into ``codes.RR_STATUS``.

    ``rr`` (b,) are the intervals in ms of one boot, or of several stretches that each begin at a ``first``
    beat (b,); ``losses`` are given at the beats (b,); ``empty`` (b,) is where clean signal shows that no beat
    lies between, nowhere if not given. The rules for artefacts see only intervals between two beats that were
    seen, and never compare two that lost beats separate. A long interval is a pause only where it is empty
    and nothing of it was lost.
    """
    first = np.arange(len(rr)) < 1 if first is None else first
    pair = pair_losses(losses, first)
    complete = ~first & ~pair.near_lost & ~pair.lost_between & ~pair.filled
    usual = local_median(rr, complete)
    status = gap_status(rr, pair, usual)
    long = (status == NORMAL) & (rr > LEAST_PAUSE_MS) & ~(rr < ROOM * usual)
    classes = irregular(rr, complete | (status == SPANS_GAP))
    status[classes == ECTOPIC_FOUND] = ECTOPIC
    status[classes == ARTEFACT_FOUND] = ARTEFACT
    status[long] = TOO_LONG
    if empty is not None:
        status[long & empty & (rr <= LONGEST_PAUSE_MS)] = PAUSE
    status[first] = FIRST
    return status
