"""RR intervals, and what each may be used for."""

from __future__ import annotations

from dataclasses import dataclass, fields
from functools import partial

import numpy as np
from numpy.typing import NDArray

from nodeday.core.arrays import Bits, Bools, Floats, Ints, runs, spread
from nodeday.schemas import codes
from nodeday.stages.features.heart.artefacts import ARTEFACT_FOUND, ECTOPIC_FOUND, irregular, local_median

NORMAL, FIRST, TOUCHES_GAP, BEAT_IN_FILL, ECTOPIC, ARTEFACT, TOO_LONG, SPANS_GAP = range(8)
FOR_RATE = (NORMAL, BEAT_IN_FILL, ECTOPIC, SPANS_GAP)
FOR_VARIABILITY = (NORMAL, SPANS_GAP)
LONGEST_MS = 7000.0
"""A pause of six seconds is believed, a longer one may be lost beats. A choice of this project."""
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
]:
    raise ImportError("the codes of rr_status changed; nodeday.stages.features.heart.intervals must follow")


Counts = NDArray[np.integer]


@dataclass(frozen=True)
class Losses:
    """How each of n places stands to what was lost: whether any was lost within the guard of it (``near``)
    and how many ``before`` it, (2, n) each, those that stayed missing first, then those that a fill
    replaced; and whether its own sample was ``computed`` by a fill (n,).
    """

    near: Bools
    before: Counts
    computed: Bools

    @classmethod
    def of(cls, missing: Bools, computed: Bools, rate_hz: float) -> Everywhere:
        """That of every sample, from those that were lost (n,): for places that are asked for many times."""
        guard, lost = round(GUARD_MS * rate_hz / 1000), (missing, computed)
        near, own = (
            [Bits.of(each) for each in masks] for masks in (map(partial(_near, guard=guard), lost), lost)
        )
        return Everywhere(near, own)

    @classmethod
    def beside(cls, sample: Ints, missing: Bools, computed: Bools, rate_hz: float) -> Losses:
        """That of a few samples (b,) alone, as ``of(...).at(sample)`` would give it."""
        guard = round(GUARD_MS * rate_hz / 1000)
        lost = [np.flatnonzero(each) for each in (missing, computed)]
        low, before, high = (
            np.stack([np.searchsorted(each, sample + off) for each in lost]) for off in (-guard, 0, guard + 1)
        )
        return cls(high > low, before, computed[sample])

    @classmethod
    def joined(cls, parts: list[Losses]) -> Losses:
        """That of the places of all ``parts``, one after the other."""
        nothing = cls(np.zeros((2, 0), np.bool_), np.zeros((2, 0), np.int32), np.zeros(0, np.bool_))
        columns = ([getattr(part, each.name) for part in (nothing, *parts)] for each in fields(cls))
        return cls(*(np.concatenate(column, axis=-1) for column in columns))

    def at(self, sample: Ints) -> Losses:
        """That of some samples (b,)."""
        return Losses(*(getattr(self, each.name).take(sample, axis=-1) for each in fields(self)))


@dataclass(frozen=True)
class Everywhere:
    """How each of n places stands to what was lost, in a few bits: those that stayed missing first, then
    those that a fill replaced.
    """

    near: list[Bits]
    lost: list[Bits]

    def at(self, sample: Ints) -> Losses:
        """That of some samples (b,)."""
        near, before = [each.has(sample) for each in self.near], [each.count(sample) for each in self.lost]
        return Losses(np.stack(near), np.stack(before), self.lost[1].has(sample))


def _near(mask: Bools, guard: int) -> Bools:
    """Which places (n,) have one of ``mask`` (n,) no farther than ``guard`` from them."""
    starts, ends = runs(mask)
    return spread(np.maximum(starts - guard, 0), np.minimum(ends + guard, len(mask)), len(mask))


@dataclass(frozen=True)
class Touched:
    """For the interval that ends at each beat (b,): whether a beat of the pair is within the guard of
    missing samples, or of any lost ones, or is itself computed; whether missing, or any lost,
    samples lie between. Of a first beat only itself is looked at.
    """

    near_missing: Bools
    near_lost: Bools
    filled: Bools
    missing_between: Bools
    lost_between: Bools


def rr_ms(utc_ns: Ints) -> Floats:
    """Milliseconds (b,) from the beat before, NaN for the first."""
    return np.concatenate([[np.nan], np.diff(utc_ns) / 1e6])[: len(utc_ns)]


def touched(losses: Losses, first: Bools) -> Touched:
    """How the pair of each beat and the one before stands to ``losses``, those at the beats (b,); a ``first``
    beat (b,) has none before it.
    """

    def either(own: Bools) -> Bools:
        """Whether it is so of a beat or of the one before it."""
        return own | (np.concatenate([own[:1], own[:-1]]) & ~first)

    missing, computed = map(either, losses.near)
    between = (np.diff(losses.before, axis=1, prepend=losses.before[:, :1]) > 0) & ~first
    return Touched(missing, missing | computed, either(losses.computed), between[0], between[0] | between[1])


def gap_status(rr: Floats, pair: Touched, usual_ms: Floats) -> NDArray[np.int8]:
    """Status (b,) as far as losses decide it; ``usual_ms`` (b,) is the median interval around, NaN where
    it is not known::

        samples   ____R_________R____xx____R________R__~~__R__xxxxx___R      x missing, ~ computed
        status      first    normal   spans     normal   spans    gap (too long for one interval)
    """
    fits = np.abs(rr - usual_ms) <= SPAN_DIFFERS * usual_ms
    clear = np.where(fits, SPANS_GAP, TOUCHES_GAP)
    status = np.where(pair.lost_between, clear, NORMAL)
    status = np.where(pair.near_lost, TOUCHES_GAP, status)
    # A beat that a fill shows counts for rate; one beside samples that stayed missing does not.
    return np.where(
        pair.near_missing,
        TOUCHES_GAP,
        np.where(pair.filled, np.where(pair.missing_between & ~fits, TOUCHES_GAP, BEAT_IN_FILL), status),
    ).astype(np.int8)


def rr_status(rr: Floats, losses: Losses, first: Bools | None = None) -> NDArray[np.int8]:
    """Index (b,) into ``codes.RR_STATUS`` for the interval ``rr`` (b,) in ms that ends at each beat of one
    boot, or of several stretches that each begin at a ``first`` beat, given the ``losses`` at the beats (b,).
    The rules for artefacts see intervals between two beats that were seen, and never two that lost beats
    separate.
    """
    first = np.arange(len(rr)) < 1 if first is None else first
    pair = touched(losses, first)
    whole = ~first & ~pair.near_lost & ~pair.lost_between & ~pair.filled & (rr <= LONGEST_MS)
    status = gap_status(rr, pair, local_median(rr, whole))
    found = irregular(rr, whole | (status == SPANS_GAP))
    status[(status == NORMAL) & (rr > LONGEST_MS)] = TOO_LONG
    status[found == ECTOPIC_FOUND] = ECTOPIC
    status[found == ARTEFACT_FOUND] = ARTEFACT
    status[first] = FIRST
    return status
