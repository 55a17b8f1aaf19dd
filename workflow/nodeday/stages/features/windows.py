"""Epochs: one ruler for all nodes, what was received in each, and values or reasons."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from nodeday.core.arrays import Bools, Floats, Ints
from nodeday.schemas import codes

SECOND = 1_000_000_000
LOW_COVERAGE, TOO_FEW_BEATS, TOO_FEW_SAMPLES, NO_DATA = (
    list(codes.NO_VALUE).index(code)
    for code in ("low_coverage", "too_few_beats", "too_few_samples", "no_data")
)
TOO_SHORT, TOO_MANY_LOST, POOR_SIGNAL, NO_AGREEMENT, NO_PARTICIPANT_FACTS = (
    list(codes.NO_VALUE).index(code)
    for code in ("too_short", "too_many_lost", "poor_signal", "no_agreement", "no_participant_facts")
)
NO_WALKING, NOT_THIS_MOVEMENT, NOT_WORN, TOO_LITTLE_AROUND, NO_MOUNTING, NONE_BEFORE = (
    list(codes.NO_VALUE).index(code)
    for code in (
        "no_walking",
        "not_this_movement",
        "not_worn",
        "too_little_around",
        "no_mounting",
        "none_before",
    )
)
HAS_VALUE = -1


@dataclass(frozen=True)
class Windows:
    """``count`` epochs of ``seconds`` each, the first one from ``start_ns``, all half-open."""

    start_ns: int
    seconds: int
    count: int

    @property
    def starts_ns(self) -> Ints:
        return self.start_ns + np.arange(self.count, dtype=np.int64) * (self.seconds * SECOND)

    @property
    def edges_ns(self) -> Ints:
        """Where each epoch begins, and where the last one ends, (count + 1,)."""
        return self.start_ns + np.arange(self.count + 1, dtype=np.int64) * (self.seconds * SECOND)

    def of(self, utc_ns: Ints) -> Ints:
        """Number of the epoch that holds each instant, (n,) -> (n,)."""
        return np.asarray((utc_ns - self.start_ns) // (self.seconds * SECOND), np.int64)

    def sums(self, utc_ns: Ints, weights: Floats | None = None) -> Floats:
        """Sum of ``weights`` (n,), or number of instants, in each epoch, (count,)."""
        total = np.bincount(self.of(utc_ns), weights, minlength=self.count)
        return np.asarray(total, dtype=np.float64)


def windows_over(first_ns: int, last_ns: int, seconds: int) -> Windows:
    """Epochs from ``first_ns``, floored to a whole second, until one holds ``last_ns``."""
    start = first_ns // SECOND * SECOND
    return Windows(start, seconds, int((last_ns - start) // (seconds * SECOND)) + 1)


def coverage(windows: Windows, received: Floats, rate_hz: float) -> Floats:
    """Share (count,) of the samples that an epoch should hold that were ``received`` (count,), at most 1."""
    return np.minimum(received / (rate_hz * windows.seconds), 1.0)


def judged(
    value: Floats,
    cover: Floats,
    least: float,
    enough: Bools | None = None,
    lacking: int | Ints = TOO_FEW_BEATS,
) -> tuple[Floats, Ints]:
    """Values (count,) with NaN where they do not stand, and the reasons (count,).

    A reason is an index into ``codes.NO_VALUE``, or -1 where the value stands; ``enough`` says
    where there is enough to tell it from, and ``lacking``, one or (count,), is the reason where there is not.
    """
    reason = np.full(len(value), HAS_VALUE, np.int64)
    if enough is not None:
        reason = np.where(enough, reason, lacking)
    reason[cover < least] = LOW_COVERAGE
    reason[cover == 0] = NO_DATA
    return np.where(reason == HAS_VALUE, value, np.nan), reason


def ratio(sums: Floats, counts: Floats) -> Floats:
    """``sums / counts``, NaN where there is nothing to divide by."""
    return np.asarray(np.divide(sums, counts, out=np.full(len(sums), np.nan), where=counts > 0), np.float64)
