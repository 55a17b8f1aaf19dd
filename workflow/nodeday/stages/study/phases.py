"""Phases of a session from its notes, and what was measured in each.

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

from nodeday.core.arrays import Bools, Floats, Ints
from nodeday.stages.study.epochs import EpochMatrix

Noted = tuple[str, int, int | None]
SECOND = 1_000_000_000
EVENTS, SESSION, OUTSIDE, UNNOTED = "events", "session", "outside", "unnoted"


@dataclass(frozen=True)
class Phase:
    """A phase [start, end) in ns UTC, cut to what was recorded, beside its note; ``overlap_ns`` is shared
    with other notes.
    """

    name: str
    start_ns: int
    end_ns: int
    source: str
    noted_start_ns: int | None = None
    noted_end_ns: int | None = None
    overlap_ns: int = 0


def phases_of(noted: Sequence[Noted], start_ns: int, end_ns: int) -> list[Phase]:
    """Every phase of a session recorded over [start_ns, end_ns), in order of time.

    A note outside of it stays, with an empty interval; time that no note covers is a phase
    ``unnoted`` from one whole second on.
    """
    if not noted:
        return [Phase("session", start_ns, end_ns, SESSION)]
    found = [_cut(each, start_ns, end_ns) for each in noted]
    inside = [each for each in found if each.source == EVENTS]
    found = [
        replace(each, overlap_ns=_shared(each, [one for one in inside if one is not each])) for each in found
    ]
    at, holes = start_ns, []
    for each in sorted(inside, key=lambda one: one.start_ns):
        if each.start_ns - at >= SECOND:
            holes.append(Phase(UNNOTED, at, each.start_ns, UNNOTED))
        at = max(at, each.end_ns)
    if end_ns - at >= SECOND:
        holes.append(Phase(UNNOTED, at, end_ns, UNNOTED))
    return sorted([*found, *holes], key=lambda one: (one.start_ns, one.end_ns, one.name))


def _cut(note: Noted, start_ns: int, end_ns: int) -> Phase:
    name, first, last = note
    begin, end = max(first, start_ns), min(end_ns if last is None else last, end_ns)
    if begin < end:
        return Phase(name, begin, end, EVENTS, first, last)
    return Phase(name, first, first, OUTSIDE, first, last)


def _shared(phase: Phase, others: list[Phase]) -> int:
    """Nanoseconds of ``phase`` that any of the others covers too."""
    total, at = 0, phase.start_ns
    for each in sorted(others, key=lambda one: one.start_ns):
        begin, end = max(each.start_ns, at), min(each.end_ns, phase.end_ns)
        total, at = total + max(end - begin, 0), max(at, end)
    return total


def wholly_in(phase: Phase, epochs: tuple[Ints, Ints], recorded: tuple[int, int]) -> NDArray[np.bool_]:
    """Which epochs, starts and ends (n,), lie in the phase with all that was ``recorded`` of them: the
    first epoch may begin a moment before that, the last one end after it.
    """
    begin, end = np.maximum(epochs[0], recorded[0]), np.minimum(epochs[1], recorded[1])
    return np.asarray((begin >= phase.start_ns) & (end <= phase.end_ns) & (begin < end), np.bool_)


@dataclass(frozen=True)
class Summary:
    """A feature in a phase: see table ``phase_features``; NaN stands for null."""

    epochs: int
    with_value: int
    value: float
    reason: str | None
    spread: float
    low: float
    high: float
    coverage: float


def summary(value: Floats, coverage: Floats, half_width: Floats | None = None) -> Summary:
    """One feature over the epochs (n,) of a phase, in order; NaN where an epoch has no value.

    The value is the mean of the m epochs that have one. Its error for loss has two parts, joined as
    the root of their squares. For the epochs that are missing: t s sqrt((1 - m/n) / m_eff), with s the
    standard deviation between epochs and 1 - m/n the correction for a finite population (Cochran,
    Sampling Techniques, 1977, from memory); neighbouring epochs resemble each other, so that m_eff =
    m (1 - r) / (1 + r) with r their lag-1 correlation where positive (Bayley and Hammersley 1946, from
    memory). For those that are there: the mean of their own ``half_width``, as if all erred to the same
    side. Epochs are taken to be lost at random with respect to the value.
    """
    there = ~np.isnan(value)
    n, m = len(value), int(there.sum())
    cover = float(np.mean(coverage)) if n else float("nan")
    if not m:
        reason = "no_value" if n else "no_epoch"
        return Summary(n, 0, np.nan, reason, np.nan, np.nan, np.nan, cover)
    mean = float(np.mean(value[there]))
    spread = float(np.std(value[there], ddof=1)) if m > 1 else float("nan")
    own = 0.0 if half_width is None else float(np.mean(half_width[there]))
    half = float(np.hypot(_missing_half_width(value, there, spread), own))
    return Summary(n, m, mean, None, spread, mean - half, mean + half, cover)


def _missing_half_width(value: Floats, there: NDArray[np.bool_], spread: float) -> float:
    from scipy.stats import t  # half a second that only a study with losses pays

    n, m = len(value), int(there.sum())
    if m == n:
        return 0.0
    if m < 3:
        return float("nan")
    r = _lag_one(value, there)
    effective = max(m * (1 - r) / (1 + r), 2.0)
    return float(t.ppf(0.975, effective - 1) * spread * np.sqrt((1 - m / n) / effective))


def _lag_one(value: Floats, there: NDArray[np.bool_]) -> float:
    """Correlation of neighbouring epochs that both have a value, no less than 0 and at most 0.95."""
    pair = there[1:] & there[:-1]
    if pair.sum() < 4:
        return 0.5  # too few to tell: neither independent nor one
    before, after = value[:-1][pair], value[1:][pair]
    if before.std() == 0 or after.std() == 0:
        return 0.0
    return float(np.clip(np.corrcoef(before, after)[0, 1], 0.0, 0.95))


Row = tuple[object, ...]


def inside(epochs: EpochMatrix, phase: Phase, recorded: tuple[int, int]) -> Bools:
    """Epochs (n,) of a session that lie in a phase wholly."""
    return wholly_in(phase, (epochs.start_ns, epochs.end_ns), recorded)


def rows(
    session: str, participant: str, epochs: EpochMatrix, phases: list[Phase], recorded: tuple[int, int]
) -> list[Row]:
    """Every feature of every node in every phase, in the order of the table's columns."""
    found: list[Row] = []
    width = (epochs.numbers["high"] - epochs.numbers["low"]) / 2
    half = np.where(np.isnan(width), 0.0, width)  # a value may state its own error bar, or not
    for phase in phases:
        within = inside(epochs, phase, recorded)
        for place, series in enumerate(epochs.series):
            own = within & epochs.listed[place]
            told = summary(epochs.value[place, own], epochs.coverage[place, own], half[place, own])
            found.append(
                (
                    session,
                    participant,
                    phase.name,
                    phase.start_ns,
                    *series,
                    told.epochs,
                    told.with_value,
                    told.value,
                    told.reason,
                    told.spread,
                    told.low,
                    told.high,
                    told.coverage,
                )
            )
    return found
