"""Questions at a terminal, one at a time; a wrong answer is refused at once and asked for again."""

from __future__ import annotations

import os
from collections.abc import Callable
from functools import partial
from pathlib import Path

from nodeday.cli.init.answers import DEMO_LAYOUT, Answers
from nodeday.core.errors import SettingsError

WELCOME = "A new study. Enter takes what stands in [brackets]; nothing is written before the last answer.\n"
NODES = """
Nodes, a line for each: name, address, placement, such as `heart 16 chest`. The hub too, where it sends
what time it is: `hub 0 hub`. An empty line ends."""
SESSIONS = """
Recordings, a line for each: session, participant's code, capture file from the study's folder, such as
`S01 P01 captures/S01.bin`. An empty line ends."""


def ask(answers: Answers, show: Callable[[str], None] = print, read: Callable[[str], str] = input) -> None:
    """Ask for what is missing; raise SettingsError where the answers end early."""
    questions = Questions(show, read)
    try:
        show(WELCOME)
        if not answers.zone:
            questions.ask_one("Time zone of your notes", machine_zone(), answers.set_zone)
        if answers.layout is None:
            questions.ask_one(
                f"Layout of your frames: a file, {DEMO_LAYOUT} (the demo's), or a new name for a skeleton",
                DEMO_LAYOUT,
                lambda given: _take_layout(answers, given),
            )
        if not answers.sensor_nodes:
            show(NODES)
            questions.ask_many("node", answers.add_node)
        if not answers.sessions:
            show(SESSIONS)
            questions.ask_many("session", answers.add_session)
            if not answers.streams:
                questions.ask_one(
                    "\nSimulate these captures, to try the study? yes or no",
                    "no",
                    lambda given: _take_simulation(answers, questions, given),
                )
    except EOFError:
        raise SettingsError("the answers ended early", "init", remedy="Nothing was written.") from None


class Questions:
    """Questions shown by ``show`` and answers from ``read``; ``take`` refuses one with a SettingsError."""

    def __init__(self, show: Callable[[str], None], read: Callable[[str], str]) -> None:
        self.show, self.read = show, read

    def ask_one(self, question: str, default: str, take: Callable[[str], None]) -> None:
        """Ask until an answer is taken; an empty one stands for the default."""
        while True:
            try:
                return take(self.read(f"{question} [{default}]: ").strip() or default)
            except SettingsError as error:
                self.show(f"  {error}")

    def ask_many(self, noun: str, take: Callable[[str, str, str], None]) -> None:
        """Ask for lines of three words until an empty one comes; there is at least one line."""
        count = 0
        while True:
            line = self.read(f"{noun}: ").strip()
            if not line and count:
                return
            try:
                parts = line.split(maxsplit=2)
                if len(parts) != 3:
                    raise SettingsError(f"{len(parts)} words", expected="three")
                take(parts[0], parts[1], parts[2])
                count += 1
            except SettingsError as error:
                self.show(f"  {error}")


def machine_zone() -> str:
    """Return the time zone that this machine is set to; UTC where that is not known."""
    named = os.environ.get("TZ", "").lstrip(":")
    linked = os.path.realpath("/etc/localtime").partition("/zoneinfo/")[2]
    for zone in (named, linked):
        try:
            Answers("x").set_zone(zone)
        except SettingsError:
            continue
        return zone
    return "UTC"


def _take_layout(answers: Answers, given: str) -> None:
    if given == DEMO_LAYOUT or Path(given).is_file() or Path(given).suffix:
        answers.set_layout(given)
    else:
        answers.set_skeleton(given)


def _take_simulation(answers: Answers, questions: Questions, given: str) -> None:
    if given.lower() not in ("yes", "y", "no", "n"):
        raise SettingsError(f"{given} is neither", expected="yes or no")
    if given.lower() in ("no", "n"):
        return
    streams = answers.all_streams
    for row in answers.sensor_nodes:
        question = f"What does {row.node} send: {', '.join(streams)}"
        questions.ask_one(question, streams[0], partial(_take_stream, answers, row.node))
    try:
        answers.refuse_unfit_simulation()
    except SettingsError as error:
        answers.streams.clear()
        questions.show(f"  {error} They are not simulated.")


def _take_stream(answers: Answers, node: str, stream: str) -> None:
    answers.add_stream(f"{node}={stream}")
