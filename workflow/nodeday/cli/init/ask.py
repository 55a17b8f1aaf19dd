"""Questions at a terminal, one at a time; a wrong answer is told at once and asked for again."""

from __future__ import annotations

import os
from collections.abc import Callable
from functools import partial
from pathlib import Path

from nodeday.cli.init.answers import DEMO_LAYOUT, Answers
from nodeday.config.study import HUB
from nodeday.core.errors import SettingsError

HELLO = "A new study. Enter takes what stands in [brackets]; nothing is written before the last answer.\n"
NODES = """
Nodes, a line for each: name, address, placement, such as `heart 16 chest`. The hub too, where it sends
what time it is: `hub 0 hub`. An empty line ends."""
SESSIONS = """
Recordings, a line for each: session, participant's code, capture file from the study's folder, such as
`S01 P01 captures/S01.bin`. An empty line ends."""


def ask(answers: Answers, say: Callable[[str], None] = print, hear: Callable[[str], str] = input) -> None:
    """Ask for what is missing. Raise SettingsError where the answers end early."""
    asking = _Asking(say, hear)
    try:
        say(HELLO)
        if not answers.zone:
            asking.one("Time zone of your notes", _own_zone(), answers.set_zone)
        if answers.layout is None:
            asking.one(
                f"Layout of your frames: a file, {DEMO_LAYOUT} (the demo's), or a new name for a skeleton",
                DEMO_LAYOUT,
                lambda given: _layout(answers, given),
            )
        if not answers.nodes:
            say(NODES)
            asking.many("node", answers.add_node)
        if not answers.sessions:
            say(SESSIONS)
            asking.many("session", answers.add_session)
            if not answers.streams:
                asking.one(
                    "\nSimulate these captures, to try the study? yes or no",
                    "no",
                    lambda given: _simulated(answers, asking, given),
                )
    except EOFError:
        raise SettingsError("the answers ended early", "init", remedy="Nothing was written.") from None


class _Asking:
    def __init__(self, say: Callable[[str], None], hear: Callable[[str], str]) -> None:
        self.say, self.hear = say, hear

    def one(self, question: str, usual: str, take: Callable[[str], None]) -> None:
        while True:
            try:
                return take(self.hear(f"{question} [{usual}]: ").strip() or usual)
            except SettingsError as error:
                self.say(f"  {error}")

    def many(self, what: str, take: Callable[[str, str, str], None]) -> None:
        count = 0
        while True:
            line = self.hear(f"{what}: ").strip()
            if not line and count:
                return
            try:
                parts = line.split(maxsplit=2)
                if len(parts) != 3:
                    raise SettingsError(f"{len(parts)} words", expected="three")
                take(parts[0], parts[1], parts[2])
                count += 1
            except SettingsError as error:
                self.say(f"  {error}")


def _own_zone() -> str:
    """The zone of this machine, where it says so; else UTC."""
    named = os.environ.get("TZ", "").lstrip(":")
    linked = os.path.realpath("/etc/localtime").partition("/zoneinfo/")[2]
    for zone in (named, linked):
        try:
            Answers("x").set_zone(zone)
        except SettingsError:
            continue
        return zone
    return "UTC"


def _layout(answers: Answers, given: str) -> None:
    if given == DEMO_LAYOUT or Path(given).is_file() or Path(given).suffix:
        answers.set_layout(given)
    else:
        answers.set_skeleton(given)


def _simulated(answers: Answers, asking: _Asking, given: str) -> None:
    if given.lower() not in ("yes", "y", "no", "n"):
        raise SettingsError(f"{given} is neither", expected="yes or no")
    if given.lower() in ("no", "n"):
        return
    streams = answers.all_streams
    for row in answers.nodes:
        if row.node != HUB:
            question = f"What does {row.node} send: {', '.join(streams)}"
            asking.one(question, streams[0], partial(_set_stream, answers, row.node))
    try:
        answers.simulation_fits()
    except SettingsError as error:
        answers.streams.clear()
        asking.say(f"  {error} They are not simulated.")


def _set_stream(answers: Answers, node: str, stream: str) -> None:
    answers.set_stream(f"{node}={stream}")
