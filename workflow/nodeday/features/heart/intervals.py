"""RR intervals, and what each may be used for."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from nodeday.arrays import Bools, Floats, Ints
from nodeday.features.heart.artefacts import ARTEFACT_FOUND, ECTOPIC_FOUND, irregular, local_median
from nodeday.schemas import codes

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
    "normal", "first", "touches_gap", "beat_in_fill", "ectopic", "artefact", "too_long", "spans_gap",
]:  # fmt: skip
    raise ImportError("the codes of rr_status changed; nodeday.features.heart.intervals must follow")


Counts = NDArray[np.int32]


@dataclass(frozen=True)
class Losses:
    """What was lost of n samples, as counts (n + 1,) of the samples before each place: those that stayed
    ``missing``, those that a fill replaced (``computed``)."""

    missing: Counts
    computed: Counts

    @classmethod
    def of(cls, missing: Bools, computed: Bools) -> Losses:
        return cls(_before(missing), _before(computed))

    @property
    def n(self) -> int:
        return len(self.missing) - 1


def _before(mask: Bools) -> Counts:
    total = np.zeros(len(mask) + 1, np.int32)  # a day at 1,000 Hz has 86 million
    np.cumsum(mask, out=total[1:])
    return total


@dataclass(frozen=True)
class Touched:
    """For the interval that ends at each beat (b,): whether a beat of the pair is within the guard of
    missing samples, or of any lost ones, or is itself computed; whether missing, or any lost,
    samples lie between. Of a first beat only itself is looked at."""

    near_missing: Bools
    near_lost: Bools
    filled: Bools
    missing_between: Bools
    lost_between: Bools


def rr_ms(utc_ns: Ints) -> Floats:
    """Milliseconds (b,) from the beat before, NaN for the first."""
    return np.concatenate([[np.nan], np.diff(utc_ns) / 1e6])[: len(utc_ns)]


def touched(sample: Ints, first: Bools, losses: Losses, rate_hz: float) -> Touched:
    """How the pair of each beat at ``sample`` (b,) and the one before stands to ``losses``; a ``first``
    beat (b,) has none before it."""
    guard = round(GUARD_MS * rate_hz / 1000)
    before = np.where(first, sample, np.concatenate([sample[:1], sample[:-1]]))

    def holds(total: Counts, start: Ints, end: Ints) -> Bools:
        return np.asarray(total[np.minimum(end, losses.n)] > total[np.maximum(start, 0)], np.bool_)

    def either(own: Bools) -> Bools:
        """Whether it is so of a beat or of the one before it."""
        return own | (np.concatenate([own[:1], own[:-1]]) & ~first)

    missing, computed = (
        either(holds(total, sample - guard, sample + guard + 1))
        for total in (losses.missing, losses.computed)
    )
    filled = either(holds(losses.computed, sample, sample + 1))
    between = [holds(total, before, sample) for total in (losses.missing, losses.computed)]
    return Touched(missing, missing | computed, filled, between[0], between[0] | between[1])


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
        pair.near_missing, TOUCHES_GAP,
        np.where(pair.filled, np.where(pair.missing_between & ~fits, TOUCHES_GAP, BEAT_IN_FILL), status),
    ).astype(np.int8)  # fmt: skip


def rr_status(
    rr: Floats, sample: Ints, losses: Losses, rate_hz: float, first: Bools | None = None
) -> NDArray[np.int8]:
    """Index (b,) into ``codes.RR_STATUS`` for the interval ``rr`` (b,) in ms that ends at each beat of one
    boot, at ``sample`` (b,), or of several stretches that each begin at a ``first`` beat. The rules
    for artefacts see intervals between two beats that were seen, and never two that lost beats separate."""
    first = np.arange(len(rr)) < 1 if first is None else first
    pair = touched(sample, first, losses, rate_hz)
    whole = ~first & ~pair.near_lost & ~pair.lost_between & ~pair.filled & (rr <= LONGEST_MS)
    status = gap_status(rr, pair, local_median(rr, whole))
    found = irregular(rr, whole | (status == SPANS_GAP))
    status[(status == NORMAL) & (rr > LONGEST_MS)] = TOO_LONG
    status[found == ECTOPIC_FOUND] = ECTOPIC
    status[found == ARTEFACT_FOUND] = ARTEFACT
    status[first] = FIRST
    return status
