"""Epochs: windows that all nodes share, their coverage, and values or reasons."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from nodeday.core.arrays import Bools, Floats, Ints
from nodeday.schemas import codes

SECOND = 1_000_000_000
"""Nanoseconds."""
LOW_COVERAGE, TOO_FEW_BEATS, TOO_FEW_SAMPLES, NO_DATA = (
    list(codes.NO_VALUE).index(code)
    for code in ("low_coverage", "too_few_beats", "too_few_samples", "no_data")
)
TOO_SHORT, TOO_MANY_LOST, POOR_SIGNAL, NO_AGREEMENT, NO_PARTICIPANT_FACTS = (
    list(codes.NO_VALUE).index(code)
    for code in ("too_short", "too_many_lost", "poor_signal", "no_agreement", "no_participant_facts")
)
IRREGULAR = list(codes.NO_VALUE).index("irregular")
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
STEP_RATE = list(codes.NO_VALUE).index("step_rate")
HAS_VALUE = -1
"""Stands for a reason where there is a value; the reasons above are indices into ``codes.NO_VALUE``."""


@dataclass(frozen=True)
class Windows:
    """``count`` half-open epochs of ``seconds`` each, one after the other from ``start_ns`` on."""

    start_ns: int
    seconds: int
    count: int

    @property
    def starts_ns(self) -> Ints:
        """Begin of each epoch, (count,)."""
        return self.start_ns + np.arange(self.count, dtype=np.int64) * (self.seconds * SECOND)

    @property
    def edges_ns(self) -> Ints:
        """Begin of each epoch, and the end of the last one, (count + 1,)."""
        return self.start_ns + np.arange(self.count + 1, dtype=np.int64) * (self.seconds * SECOND)

    def of(self, utc_ns: Ints) -> Ints:
        """Return the number (n,) of the epoch that holds each instant ``utc_ns`` (n,)."""
        return np.asarray((utc_ns - self.start_ns) // (self.seconds * SECOND), np.int64)

    def sums(self, utc_ns: Ints, weights: Floats | None = None) -> Floats:
        """Return the sum of ``weights`` (n,), or the count of instants (n,), in each epoch, (count,)."""
        total = np.bincount(self.of(utc_ns), weights, minlength=self.count)
        return np.asarray(total, dtype=np.float64)


def windows_over(first_ns: int, last_ns: int, seconds: int, start_ns: int | None = None) -> Windows:
    """Return epochs of ``seconds`` until one holds ``last_ns``.

    They begin at ``start_ns``, without one at the whole second of ``first_ns``.
    """
    start = first_ns // SECOND * SECOND if start_ns is None else start_ns
    return Windows(start, seconds, int((last_ns - start) // (seconds * SECOND)) + 1)


def coverage(windows: Windows, received: Floats, rate_hz: float) -> Floats:
    """Return the share (count,) of an epoch's due samples that were ``received`` (count,), at most 1."""
    return np.minimum(received / (rate_hz * windows.seconds), 1.0)


def values_or_reasons(
    value: Floats,
    cover: Floats,
    least: float,
    enough: Bools | None = None,
    lacking: int | Ints = TOO_FEW_BEATS,
) -> tuple[Floats, Ints]:
    """Return the values (count,) with NaN where they are not valid, and the reasons (count,).

    A reason is an index into ``codes.NO_VALUE``, or -1 for a valid value. A value is not valid where the
    coverage ``cover`` (count,) is below ``least``, nor where there is not ``enough`` (count,) to compute it
    from; ``lacking``, one or (count,), is then the reason.
    """
    reason = np.full(len(value), HAS_VALUE, np.int64)
    if enough is not None:
        reason = np.where(enough, reason, lacking)
    reason[cover < least] = LOW_COVERAGE
    reason[cover == 0] = NO_DATA
    return np.where(reason == HAS_VALUE, value, np.nan), reason


def ratio(sums: Floats, counts: Floats) -> Floats:
    """Return ``sums / counts``, (n,) each, NaN where the count is not positive."""
    return np.asarray(np.divide(sums, counts, out=np.full(len(sums), np.nan), where=counts > 0), np.float64)
