"""`nodeday init --from`: a study of recordings that are decoded already."""

from __future__ import annotations

import argparse
import sys
from dataclasses import replace
from pathlib import Path

from nodeday.cli.init.answers import Answers, checked_row, study_code
from nodeday.cli.init.ask import Questions
from nodeday.cli.init.folder import write_study
from nodeday.cli.init.recordings.ask import TYPES, ask_about_files, ask_about_people, ask_zone
from nodeday.cli.init.recordings.proposal import Given, Proposal
from nodeday.cli.init.recordings.roles import ROLES
from nodeday.cli.init.recordings.study_files import draft, measured, measured_lines, study_files, to_check
from nodeday.config.models import Node
from nodeday.core import privacy
from nodeday.core.errors import GOOD, SettingsError, did_you_mean

NOT_WITH = ("session", "layout", "skeleton", "simulate")


def init_from_files(options: argparse.Namespace) -> int:
    """Measure files and write a study of them; ask at a terminal what they do not tell, else list it.

    Raises SettingsError, and writes nothing, where a file is no recording.
    """
    for name in NOT_WITH:
        if getattr(options, name):
            raise SettingsError(f"--from and --{name} do not go together", "init", "one of them")
    given, placed = _given(options), _placed(options)
    title = options.title or "A new study"
    privacy.refuse_text("--title", title)
    proposals = measured(options.files, given)
    print("\n".join(line for each in proposals for line in measured_lines(each)))
    questions = Questions(print, input) if sys.stdin.isatty() and sys.stdout.isatty() else None
    try:
        if questions is not None:
            print("\nEnter takes what stands in [brackets]; nothing is written before the last answer.")
            given, proposals = _asked(questions, options.files, proposals, given)
        made = draft(study_code(options.folder.resolve().name), title, given.zone, proposals, placed)
        if questions is not None:
            ask_about_people(questions, made)
    except EOFError:
        raise SettingsError("the answers ended early", "init", remedy="Nothing was written.") from None
    files = study_files(options.folder, made)
    write_study(options.folder, files, made.sessions, examples=False)
    print("\n".join(["", *_summary(options.folder, to_check(made, files))]))
    return GOOD


def _asked(
    questions: Questions, paths: list[Path], proposals: list[Proposal], given: Given
) -> tuple[Given, list[Proposal]]:
    """Return what was given and asked for, and the files measured anew where that matters."""
    if not given.zone:
        local = [each.time.column for each in proposals if each.time.needs_zone]
        what = f"Time zone of your notes and of {local[0]}" if local else "Time zone of your notes"
        given = replace(given, zone=ask_zone(questions, what))
        proposals = measured(paths, given)
    while (more := ask_about_files(questions, proposals, given)) != given:
        given, proposals = more, measured(paths, more)
    return given, proposals


def _given(options: argparse.Namespace) -> Given:
    """Return what flags say of the files."""
    zone = Answers("x")
    if options.zone:
        zone.set_zone(options.zone)
    roles = _pairs(options.column, "--column", "ROLE=COLUMN")
    for role in roles:
        if role not in ROLES:
            raise SettingsError(
                f"--column {role}{did_you_mean(role, ROLES)}", expected=f"one of {', '.join(ROLES)}"
            )
    types = _pairs(options.type, "--type", "STREAM=TYPE")
    for kind in types.values():
        if kind not in TYPES:
            raise SettingsError(
                f"--type {kind}{did_you_mean(kind, TYPES)}", expected=f"one of {', '.join(TYPES)}"
            )
    return Given(
        roles,
        _pairs(options.unit, "--unit", "COLUMN=UNIT"),
        types,
        options.time_unit or "",
        options.time_of or "",
        zone.zone,
    )


def _pairs(given: list[str] | None, flag: str, form: str) -> dict[str, str]:
    out = {}
    for text in given or ():
        left, equals, right = text.rpartition("=") if flag == "--unit" else text.partition("=")
        if not equals or not left or not right:
            raise SettingsError(f"{flag} {text}", expected=form)
        out[left] = right
    return out


def _placed(options: argparse.Namespace) -> dict[str, tuple[str, str]]:
    """Return name and placement by what the files call a node."""
    out: dict[str, tuple[str, str]] = {}
    for name, text, placement in options.node or ():
        checked_row(Node, f"node {name}", session="*", node=name, address="1", placement=placement)
        if name in [other for other, _ in out.values()] or text in out:
            raise SettingsError("is there twice", f"node {name}", "a name for each")
        out[text] = (name, placement)
    return out


def _summary(folder: Path, checks: list[str]) -> list[str]:
    lines = [f"{folder}: a study of what was measured. It stands in {folder}/config, as text."]
    if checks:
        lines += [f"To check there, {len(checks)}:", *(f"- {each}" for each in checks)]
    return [*lines, f"Next: nodeday check --study {folder}"]
