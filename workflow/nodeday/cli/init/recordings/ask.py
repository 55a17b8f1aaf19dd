"""Questions about decoded recordings at a terminal: only what the files do not tell."""

from __future__ import annotations

from dataclasses import replace
from functools import partial

from nodeday.cli.init.answers import Answers, checked_row
from nodeday.cli.init.ask import Questions, machine_zone
from nodeday.cli.init.recordings.proposal import Given, Proposal
from nodeday.cli.init.recordings.study_files import NO_PLACEMENT, Draft
from nodeday.config.models import Node, Participant
from nodeday.core.errors import SettingsError

TYPES = ("ecg", "acceleration", "temperature", "other")


def ask_about_files(questions: Questions, proposals: list[Proposal], given: Given) -> Given:
    """Return what a person says of columns that nothing tells, besides what was ``given``."""
    units, types = dict(given.units), dict(given.types)
    unit, of = given.time_unit, given.time_of
    for proposal in proposals:
        if proposal.time.unsure and not unit:
            unit = _choice(
                questions, f"Unit of {proposal.time.column}", ("s", "ms", "us", "ns"), proposal.time.unit
            )
        if proposal.time_of == "last" and not of:
            what = "Time of a frame: of its first sample, or of its last (or its arrival)"
            of = _choice(questions, what, ("first", "last"), "last")
        for stream in proposal.streams:
            for channel in stream.channels:
                name = channel.columns.column
                if not channel.unit.sure and name not in units:
                    questions.ask_one(
                        f"Unit of {name}, such as mV, uV, g, m/s2, degC", "counts", partial(_put, units, name)
                    )
            if stream.unnamed and stream.name not in types:
                types[stream.name] = _choice(questions, f"What stream {stream.name} is", TYPES, "other")
    return replace(given, units=units, types=types, time_unit=unit, time_of=of)


def ask_zone(questions: Questions, what: str) -> str:
    """Return a time zone."""
    answers = Answers("x")
    questions.ask_one(what, machine_zone(), answers.set_zone)
    return answers.zone


def ask_about_people(questions: Questions, made: Draft) -> None:
    """Ask where nodes are worn and whose recordings they are, and put it into the draft."""
    for text, row in made.nodes.items():
        if row.placement == NO_PLACEMENT:
            called = f"node {text}" if text else "the node"
            default = f"{row.name} {NO_PLACEMENT}"
            questions.ask_one(f"Name and placement of {called}", default, partial(_place, made, text))
    for session, code in list(made.participants.items()):
        file = made.proposals[made.sessions.index(session)].source.path.name
        questions.ask_one(f"Participant of {file}, a code", code, partial(_person, made, session))


def _choice(questions: Questions, question: str, choices: tuple[str, ...], default: str) -> str:
    taken = {"": default}

    def take(answer: str) -> None:
        if answer not in choices:
            raise SettingsError(f"{answer} is none of them", expected=f"one of {', '.join(choices)}")
        taken[""] = answer

    questions.ask_one(f"{question}: {', '.join(choices)}", default, take)
    return taken[""]


def _put(into: dict[str, str], name: str, answer: str) -> None:
    into[name] = answer


def _place(made: Draft, text: str, answer: str) -> None:
    parts = answer.split()
    if len(parts) != 2:
        raise SettingsError(f"{len(parts)} words", expected="a name and a placement, such as `heart chest`")
    checked_row(Node, f"node {parts[0]}", session="*", node=parts[0], address="1", placement=parts[1])
    if parts[0] in {row.name for other, row in made.nodes.items() if other != text}:
        raise SettingsError("is there twice", f"node {parts[0]}", "a name for each")
    made.nodes[text].name, made.nodes[text].placement = parts


def _person(made: Draft, session: str, answer: str) -> None:
    checked_row(Participant, f"session {session}", participant=answer)
    made.participants[session] = answer
