"""`nodeday init`: from flags, or from answers at a terminal, to a study that runs."""

from __future__ import annotations

import argparse
import os
import shutil
import sys
from pathlib import Path
from tempfile import TemporaryDirectory

from nodeday.cli.init import refuse_what_is_there, texts, write_snakefile
from nodeday.cli.init.answers import SKELETON, Answers, code
from nodeday.cli.init.ask import ask
from nodeday.config import checks
from nodeday.config.models import capture_files
from nodeday.config.study import HUB, Study
from nodeday.core import privacy
from nodeday.core.errors import GOOD, SettingsError
from nodeday.core.paths import DEMO_CONFIG

EXAMPLES = ("bench.yaml", "radio.yaml", "layouts/README.md")
"""Of the demo's settings, what helps in any study."""


def init(options: argparse.Namespace) -> int:
    """Write a new study's settings, never over anything that is there. Whatever is not told is asked for,
    at a terminal; elsewhere it is a SettingsError.
    """
    folder: Path = options.folder
    refuse_what_is_there(folder)
    answers = _told(options)
    wanted = _wanted(answers)
    if wanted and not (sys.stdin.isatty() and sys.stdout.isatty()):
        raise SettingsError(
            f"a new study needs {' and '.join(wanted)}",
            "init",
            remedy="At a terminal it asks for what is not given.",
        )
    if wanted:
        ask(answers)
    if answers.streams:
        answers.simulation_fits()
    _write(folder, answers)
    print("\n".join(_said(folder, answers)))
    return GOOD


def _told(options: argparse.Namespace) -> Answers:
    answers = Answers(code(options.folder.resolve().name), options.title or "A new study")
    privacy.refuse_text("--title", answers.title)
    if options.zone:
        answers.set_zone(options.zone)
    if options.layout:
        answers.set_layout(options.layout)
    if options.skeleton:
        answers.set_skeleton(options.skeleton)
    for node in options.node or ():
        answers.add_node(*node)
    for session in options.session or ():
        answers.add_session(*session)
    if options.simulate and answers.layout is None:
        raise SettingsError("--simulate without a layout", "init", "--layout or --skeleton beside it")
    for each in options.simulate or ():
        answers.set_stream(each)
    return answers


def _wanted(answers: Answers) -> list[str]:
    return [
        flags
        for flags, there in (
            ("--zone ZONE", answers.zone),
            ("--layout FILE (or --skeleton NAME)", answers.layout),
            ("--node NODE ADDRESS PLACEMENT", [row for row in answers.nodes if row.node != HUB]),
            ("--session SESSION PARTICIPANT CAPTURE", answers.sessions),
        )
        if not there
    ]


def _write(folder: Path, answers: Answers) -> None:
    """The settings are written beside the folder, tried, and then moved into it as a whole."""
    folder.mkdir(parents=True, exist_ok=True)
    with TemporaryDirectory(prefix=".new-", dir=folder) as place:
        config = Path(place) / "config"
        (config / "layouts").mkdir(parents=True)
        for name in EXAMPLES:
            if (DEMO_CONFIG / name).is_file():  # a wheel leaves out what is read by people alone
                shutil.copy(DEMO_CONFIG / name, config / name)
        for name, text in texts.files(answers).items():
            (config / name).write_text(text, encoding="utf-8")
        study = Study(Path(place))
        for problem in (
            each for row in answers.sessions for each in checks.problems(study, row.session, captures=False)
        ):
            raise SettingsError(str(problem).replace(place, str(folder)).removesuffix("."))
        os.rename(config, folder / "config")
    write_snakefile(folder)
    (folder / "captures").mkdir(exist_ok=True)


def _said(folder: Path, answers: Answers) -> list[str]:
    def count(what: str, number: int) -> str:
        return f"{number} {what}{'s' * (number != 1)}"

    study = f" --study {folder}"
    nodes = [row for row in answers.nodes if row.node != HUB]
    lines = [
        f"{folder}: {count('session', len(answers.sessions))}, {count('node', len(nodes))}, "
        f"layout {answers.layout_name}, time zone {answers.zone}. It stands in {folder}/config, as text."
    ]
    named = [name for row in answers.sessions for each in capture_files(row.captures) for name in each]
    missing = [name for name in named if not (folder / name).is_file()]
    if answers.layout == SKELETON:
        lines.append(f"Fill in config/layouts/{answers.layout_name}.yaml: how your frames are packed.")
    if answers.streams:
        lines.append("Captures are simulated, as config/scenario.yaml plans; a run makes them.")
    elif missing:
        lines.append(f"Not there yet: {', '.join(missing)}.")
    return [*lines, f"Next: nodeday check{study}"]
