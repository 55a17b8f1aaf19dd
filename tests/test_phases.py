"""Phases from notes: days of 23 and 25 hours, midnight, overlaps, and the error bar of a phase's mean."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from nodeday.config.study import Study
from nodeday.core.errors import SettingsError
from nodeday.stages.study.phases import EVENTS, SECOND, phases_of, summary

HOUR = 3600 * SECOND
HEAD = "session\tphase\tstart\tend\n"


def noted(make: Callable[..., Path], *rows: str) -> list[tuple[str, int, int | None]]:
    sheet = HEAD + "".join(f"S1\t{row}\n" for row in rows)
    return Study(make(**{"events.tsv": sheet})).phases_of("S1")


@pytest.mark.parametrize(
    ("day", "hours"),
    [("2026-03-29", 23), ("2026-10-25", 25), ("2026-07-14", 24)],  # Europe/Madrid
)
def test_a_day_from_midnight_to_midnight_has_its_hours(
    study_folder: Callable[..., Path], day: str, hours: int
) -> None:
    after = str(np.datetime64(day) + 1)
    ((_, start, end),) = noted(study_folder, f"day\t{day}T00:00\t{after}T00:00")
    assert end is not None
    assert end - start == hours * HOUR


def test_a_phase_crosses_midnight(study_folder: Callable[..., Path]) -> None:
    ((_, start, end),) = noted(study_folder, "night\t2026-07-14T22:30\t2026-07-15T06:00")
    assert end is not None
    assert end - start == 7.5 * HOUR
    assert start == 1_784_061_000 * SECOND  # 2026-07-14T20:30:00Z


def test_the_hour_that_comes_twice_is_told_apart_by_its_offset(study_folder: Callable[..., Path]) -> None:
    """As text +01:00 sorts before +02:00, as an instant after it."""
    spans = noted(study_folder, "late\t2026-10-25T02:30+01:00\t", "early\t2026-10-25T02:30+02:00\t")
    assert [name for name, _, _ in spans] == ["early", "late"]
    assert spans[0][2] == spans[1][1] == spans[0][1] + HOUR


@pytest.mark.parametrize("at", ["2026-10-25T02:30", "2026-03-29T02:30"])
def test_a_local_time_that_is_none_is_refused(study_folder: Callable[..., Path], at: str) -> None:
    with pytest.raises(SettingsError, match="exists twice or not at all in Europe/Madrid"):
        noted(study_folder, f"rest\t{at}\t")


def test_one_note_written_twice_is_refused(study_folder: Callable[..., Path]) -> None:
    with pytest.raises(SettingsError, match="phase rest is noted twice"):
        noted(study_folder, "rest\t2026-07-14T08:00\t", "rest\t2026-07-14T08:00\t2026-07-14T09:00")


def test_overlapping_missing_and_outside_notes() -> None:
    """As drawn, in seconds::

    recorded     0                          100
    a            |--------40
    b                30-----50
    (none)                    50--60
    c                             60---------| open
    d                                            200
    """
    notes = [("a", -5, 40), ("b", 30, 50), ("c", 60, None), ("d", 200, 230)]
    spans = [(name, s * SECOND, None if e is None else e * SECOND) for name, s, e in notes]
    found = phases_of(spans, 0, 100 * SECOND)
    assert [
        (p.name, p.start_ns // SECOND, p.end_ns // SECOND, p.source, p.overlap_ns // SECOND) for p in found
    ] == [
        ("a", 0, 40, "events", 10),
        ("b", 30, 50, "events", 10),
        ("unnoted", 50, 60, "unnoted", 0),
        ("c", 60, 100, "events", 0),
        ("d", 200, 200, "outside", 0),
    ]


@given(
    st.lists(st.tuples(st.integers(-20, 120), st.integers(1, 60)), max_size=6),
    st.integers(1, 100),
)
def test_phases_cover_the_session_and_nothing_else(drawn: list[tuple[int, int]], length: int) -> None:
    """Second by second: what a note covers is in its phase, what none covers is unnoted."""
    notes = [(f"p{k}", s * SECOND, (s + d) * SECOND) for k, (s, d) in enumerate(drawn)]
    found = phases_of(notes, 0, length * SECOND)
    for second in range(length):
        at = second * SECOND
        inside = {p.name for p in found if p.start_ns <= at < p.end_ns}
        expected = {name for name, s, e in notes if s <= at < e}
        assert inside == (expected or {"unnoted" if notes else "session"})
    for each in found:
        if each.source == EVENTS:
            others = [p for p in found if p.source == EVENTS and p is not each]
            shared = sum(
                any(o.start_ns <= t * SECOND < o.end_ns for o in others)
                for t in range(each.start_ns // SECOND, each.end_ns // SECOND)
            )
            assert each.overlap_ns == shared * SECOND


def test_a_mean_of_everything_has_no_error_for_loss() -> None:
    found = summary(np.array([1.0, 2.0, 3.0]), np.ones(3))
    assert (found.value, found.low, found.high, found.spread) == (2.0, 2.0, 2.0, 1.0)


def test_a_phase_without_epochs_or_values_says_which() -> None:
    assert summary(np.zeros(0), np.zeros(0)).reason == "no_epoch"
    assert summary(np.full(4, np.nan), np.zeros(4)).reason == "no_value"


def test_two_values_of_many_give_no_error_bar() -> None:
    found = summary(np.array([1.0, np.nan, np.nan, 3.0]), np.ones(4))
    assert found.value == 2.0
    assert np.isnan(found.low)


def test_error_bars_of_epochs_are_carried_on() -> None:
    """Nothing missing, every epoch known to 2: the mean is known to 2, as if all erred to one side."""
    found = summary(np.array([1.0, 2.0, 3.0]), np.ones(3), np.full(3, 2.0))
    assert (found.low, found.high) == (0.0, 4.0)


@pytest.mark.parametrize("carry", [0.0, 0.6])
@pytest.mark.parametrize("kept", [0.5, 0.9])
def test_the_error_bar_holds_the_mean_of_what_was_lost(carry: float, kept: float) -> None:
    """Series of 60 epochs that resemble their neighbours, losses in runs: the mean of all 60 lies within
    the bar in about 95 % of 600 series."""
    rng = np.random.default_rng(11)
    held = 0
    for _ in range(600):
        noise = rng.normal(size=80)
        value = np.empty(80)
        value[0] = noise[0]
        for k in range(1, 80):
            value[k] = carry * value[k - 1] + np.sqrt(1 - carry**2) * noise[k]
        value, known = value[20:], np.ones(60, bool)
        while known.mean() > kept:
            start = rng.integers(0, 60)
            known[start : start + rng.integers(1, 4)] = False
        found = summary(np.where(known, value, np.nan), np.ones(60))
        held += found.low <= value.mean() <= found.high
    assert 0.92 <= held / 600 <= 0.995, held / 600
