"""Phases of a session from its notes, and what was measured in each.

A note is cut to what was recorded, and time without a note is a phase ``unnoted``::

    recorded        |---------------------------------|
    notes       rest-----|   harvest----------|  dinner (after the end)
                              break--|
    phases          |rest|un-|harvest---------|unnoted|      and break, which overlaps harvest
                        noted
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from nodeday.core.arrays import Bools, Floats
from nodeday.stages.study.epochs import EpochMatrix

Note = tuple[str, int, int | None]
"""Name, start and end of a noted phase in ns UTC; without an end it lasts until the session ends."""
FeatureRow = tuple[object, ...]
"""A row of table ``phase_features``, in the order of its columns."""
SECOND = 1_000_000_000
"""Nanoseconds."""
EVENTS, SESSION, OUTSIDE, UNNOTED = "events", "session", "outside", "unnoted"


# --- phases from notes ----------------------------------------------------------------------


@dataclass(frozen=True)
class Phase:
    """A phase [start, end) in ns UTC, cut to what was recorded, with the times of its note.

    ``source`` is where it comes from; ``overlap_ns`` is the time that other notes cover too.
    """

    name: str
    start_ns: int
    end_ns: int
    source: str
    noted_start_ns: int | None = None
    noted_end_ns: int | None = None
    overlap_ns: int = 0


def phases_of(notes: Sequence[Note], start_ns: int, end_ns: int) -> list[Phase]:
    """Return every phase of a session recorded over [start_ns, end_ns), in order of time.

    A note outside of it stays, with an empty interval; time that no note covers is a phase ``unnoted`` from
    one whole second on. Without notes the session is its only phase.
    """
    if not notes:
        return [Phase("session", start_ns, end_ns, SESSION)]
    noted = [_cut(note, start_ns, end_ns) for note in notes]
    inside = [phase for phase in noted if phase.source == EVENTS]
    noted = [
        replace(phase, overlap_ns=_shared(phase, [other for other in inside if other is not phase]))
        for phase in noted
    ]
    at, unnoted = start_ns, []
    for phase in sorted(inside, key=lambda phase: phase.start_ns):
        if phase.start_ns - at >= SECOND:
            unnoted.append(Phase(UNNOTED, at, phase.start_ns, UNNOTED))
        at = max(at, phase.end_ns)
    if end_ns - at >= SECOND:
        unnoted.append(Phase(UNNOTED, at, end_ns, UNNOTED))
    return sorted([*noted, *unnoted], key=lambda phase: (phase.start_ns, phase.end_ns, phase.name))


def _cut(note: Note, start_ns: int, end_ns: int) -> Phase:
    """Return the phase of a note, cut to the recorded [start_ns, end_ns)."""
    name, first, last = note
    begin, end = max(first, start_ns), min(end_ns if last is None else last, end_ns)
    if begin < end:
        return Phase(name, begin, end, EVENTS, first, last)
    return Phase(name, first, first, OUTSIDE, first, last)


def _shared(phase: Phase, others: list[Phase]) -> int:
    """Return the nanoseconds of ``phase`` that any of the others covers too."""
    total, at = 0, phase.start_ns
    for other in sorted(others, key=lambda other: other.start_ns):
        begin, end = max(other.start_ns, at), min(other.end_ns, phase.end_ns)
        total, at = total + max(end - begin, 0), max(at, end)
    return total


def inside(epochs: EpochMatrix, phase: Phase, recorded: tuple[int, int]) -> Bools:
    """Return which ``epochs`` (n,) lie in a phase from end to end, with all that was ``recorded`` of them.

    The first epoch may begin a moment before the recording, the last one end after it.
    """
    begin, end = np.maximum(epochs.start_ns, recorded[0]), np.minimum(epochs.end_ns, recorded[1])
    return np.asarray((begin >= phase.start_ns) & (end <= phase.end_ns) & (begin < end), np.bool_)


# --- features of a phase --------------------------------------------------------------------


@dataclass(frozen=True)
class PhaseSummary:
    """A feature in a phase, as in table ``phase_features``; NaN stands for null."""

    epochs: int
    with_value: int
    value: float
    reason: str | None
    spread: float
    low: float
    high: float
    coverage: float


def feature_rows(
    session: str, participant: str, epochs: EpochMatrix, phases: list[Phase], recorded: tuple[int, int]
) -> list[FeatureRow]:
    """Return the rows of table ``phase_features``: every feature of every node in every phase."""
    rows: list[FeatureRow] = []
    width = (epochs.numbers["high"] - epochs.numbers["low"]) / 2
    half = np.where(np.isnan(width), 0.0, width)  # a value may state its own error bar, or not
    for phase in phases:
        within = inside(epochs, phase, recorded)
        for number, series in enumerate(epochs.series):
            listed = within & epochs.listed[number]
            found = summary(
                epochs.value[number, listed], epochs.coverage[number, listed], half[number, listed]
            )
            rows.append(
                (
                    session,
                    participant,
                    phase.name,
                    phase.start_ns,
                    *series,
                    found.epochs,
                    found.with_value,
                    found.value,
                    found.reason,
                    found.spread,
                    found.low,
                    found.high,
                    found.coverage,
                )
            )
    return rows


def summary(value: Floats, coverage: Floats, half_width: Floats | None = None) -> PhaseSummary:
    """Return the summary of one feature over the epochs (n,) of a phase, in order; NaN is no value.

    The value is the mean of the m epochs that have one. Its error for loss has two parts, joined as
    the root of their squares. For the epochs that are missing: t s sqrt((1 - m/n) / m_eff), with s the
    standard deviation between epochs and 1 - m/n the correction for a finite population (Cochran,
    Sampling Techniques, 1977, from memory); neighbouring epochs resemble each other, so that m_eff =
    m (1 - r) / (1 + r) with r their lag-1 correlation where positive (Bayley and Hammersley 1946, from
    memory). For those that have a value: the mean of their own ``half_width`` (n,), as if all erred to the
    same side. Epochs are taken to be lost at random with respect to the value.
    """
    known = ~np.isnan(value)
    n, m = len(value), int(known.sum())
    cover = float(np.mean(coverage)) if n else float("nan")
    if not m:
        reason = "no_value" if n else "no_epoch"
        return PhaseSummary(n, 0, np.nan, reason, np.nan, np.nan, np.nan, cover)
    mean = float(np.mean(value[known]))
    spread = float(np.std(value[known], ddof=1)) if m > 1 else float("nan")
    of_values = 0.0 if half_width is None else float(np.mean(half_width[known]))
    half = float(np.hypot(_missing_half_width(value, known, spread), of_values))
    return PhaseSummary(n, m, mean, None, spread, mean - half, mean + half, cover)


def _missing_half_width(value: Floats, known: NDArray[np.bool_], spread: float) -> float:
    """Return the error of the mean for the epochs that are not ``known`` (n,); NaN below three values."""
    from scipy.stats import t  # half a second that only a study with losses pays

    n, m = len(value), int(known.sum())
    if m == n:
        return 0.0
    if m < 3:
        return float("nan")
    r = _lag_one(value, known)
    effective = max(m * (1 - r) / (1 + r), 2.0)
    return float(t.ppf(0.975, effective - 1) * spread * np.sqrt((1 - m / n) / effective))


def _lag_one(value: Floats, known: NDArray[np.bool_]) -> float:
    """Return the correlation of neighbouring epochs that both have a value, from 0 to 0.95."""
    pair = known[1:] & known[:-1]
    if pair.sum() < 4:
        return 0.5  # too few to know: neither independent nor one
    before, after = value[:-1][pair], value[1:][pair]
    if before.std() == 0 or after.std() == 0:
        return 0.0
    return float(np.clip(np.corrcoef(before, after)[0, 1], 0.0, 0.95))
