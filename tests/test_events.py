"""A run's journal: what is counted, and the time that is left, held to hand-computed schedules."""

from __future__ import annotations

import io
import re

import pytest
from rich.console import Console

from nodeday.engine.events import WEIGHT, Job, Journal, span
from nodeday.engine.progress import ProgressBars


class Clock:
    def __init__(self) -> None:
        self.at = 0.0

    def __call__(self) -> float:
        return self.at


@pytest.fixture
def clock() -> Clock:
    return Clock()


def test_nothing_is_promised_before_a_stage_is_done(clock: Clock) -> None:
    journal = Journal(2, clock)
    journal.plan({"frames": 2, "loss": 2, "all": 1})
    assert (journal.total, journal.done, journal.left_s) == (4, 0, None)


def test_time_left_is_the_mean_of_what_was_met(clock: Clock) -> None:
    journal = Journal(2, clock)
    journal.plan({"frames": 4})
    for number, seconds in enumerate((10.0, 20.0)):
        journal.begin(number, Job(f"S{number}", "frames"))
        clock.at += seconds
        journal.end(number)
    # Two more of 15 s each, on two cores.
    assert journal.left_s == pytest.approx(15)
    journal.begin(2, Job("S2", "frames"))
    clock.at += 5
    # 10 s of this one and 15 s of the last, side by side on average.
    assert journal.left_s == pytest.approx(12.5)
    clock.at += 60  # longer than expected: it may end at any moment, and never counts as negative
    assert journal.left_s == pytest.approx(15 / 2)


def test_a_stage_not_met_yet_is_weighed(clock: Clock) -> None:
    journal = Journal(1, clock)
    journal.plan({"frames": 1, "features": 1})
    journal.begin(1, Job("S1", "frames"))
    clock.at += 4
    journal.end(1)
    assert journal.left_s == pytest.approx(4 * WEIGHT["features"] / WEIGHT["frames"])


def test_one_session_does_not_run_on_two_cores(clock: Clock) -> None:
    """Its stages wait for each other, so more cores do not help."""
    one, many = Journal(1, clock), Journal(8, clock)
    for journal in (one, many):
        journal.plan({"frames": 1, "clock": 1, "repair": 1})
        journal.begin(1, Job("S1", "frames"))
    clock.at += 3
    one.end(1)
    many.end(1)
    assert one.left_s == many.left_s


def test_a_failed_stage_takes_its_followers_along(clock: Clock) -> None:
    journal = Journal(2, clock)
    journal.plan({"frames": 2, "loss": 2, "clock": 2, "repair": 2, "features": 2, "report": 2, "study": 1})
    job = Job("S1", "frames", "results/logs/S1/frames.log")
    journal.begin(1, job)
    clock.at += 1
    assert journal.end(1, failed=True) == (job, 1.0)
    assert journal.failed == [job]
    assert journal.total == 13 - 6
    assert journal.end(1) is None  # an end that comes twice counts once


def test_what_is_at_work(clock: Clock) -> None:
    journal = Journal(2, clock)
    journal.plan({"frames": 1, "loss": 1, "hashes": 1})
    journal.begin(1, Job("S1", "frames"))
    journal.begin(2, Job("S2", "hashes"))
    clock.at = 2.5
    assert [(job.session, job.stage, at) for job, at in journal.working] == [
        ("S1", "frames", 2.5),
        ("S2", "hashes", 2.5),
    ]
    journal.end(2)
    assert journal.done == 0  # what takes no time is not counted
    journal.end(1)
    assert (journal.done, journal.working) == (1, [])


def test_a_second_pass_goes_on_counting(clock: Clock) -> None:
    journal = Journal(1, clock)
    journal.plan({"frames": 1})
    journal.begin(1, Job("S1", "frames"))
    clock.at += 1
    journal.end(1)
    journal.plan({"study": 1, "index": 1})
    assert (journal.done, journal.total) == (1, 3)


@pytest.mark.parametrize(
    ("seconds", "words"),
    [
        (0.04, "0.0 s"),
        (59.94, "59.9 s"),
        (59.96, "1 min 0 s"),
        (3599, "59 min 59 s"),
        (3600, "1 h 0 min"),
        (90_000, "25 h 0 min"),
    ],
)
def test_spans_are_words(seconds: float, words: str) -> None:
    assert span(seconds) == words


def test_bars_show_stage_and_times_at_a_terminal(clock: Clock) -> None:
    """On a console that takes itself for a terminal, read as text."""
    console = Console(file=io.StringIO(), force_terminal=True, width=100, color_system=None)
    journal = Journal(2, clock)
    bars = ProgressBars(console, journal)
    journal.plan({"frames": 2, "loss": 2})
    journal.begin(1, Job("S01-clean", "frames"))
    journal.begin(2, Job("S02-[b]", "frames"))
    bars.show()
    clock.at += 4
    journal.end(1)
    journal.begin(3, Job("S01-clean", "loss"))
    clock.at += 2
    bars.show()
    bars.progress.refresh()
    bars.stop()
    assert isinstance(console.file, io.StringIO)
    written = re.sub(r"\x1b\[[0-9;?]*[A-Za-z]", "", console.file.getvalue())
    last = {line.split()[0]: line.rstrip() for line in re.split(r"[\r\n]+", written) if line.strip()}
    assert "1 of 4 stages done, about" in last["run"]
    assert last["S01-clean"].endswith("loss 2.0 s")
    assert last["S02-[b]"].endswith("frames 6.0 s")  # names are text, not markup
