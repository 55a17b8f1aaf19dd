"""`nodeday init`: the settings of a new study, from flags or from answers at a terminal."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from nodeday.core.errors import GOOD, SettingsError

if TYPE_CHECKING:
    from nodeday.cli.init.answers import Answers

HELP = "write the settings of a new study; ask what is not given"
EXAMPLES = r"""nodeday init my-study
nodeday init my-study --zone Europe/Madrid --layout beltframe \
  --session S01 P01 captures/S01.bin --node hub 0 hub --node heart 16 chest
nodeday init my-study --from day1.csv --zone Europe/Madrid"""


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the folder, and a flag for each answer."""
    parser.add_argument(
        "folder", type=Path, metavar="DIR", help="of the study; nothing there is written over"
    )
    parser.add_argument(
        "--session",
        nargs=3,
        action="append",
        metavar=("SESSION", "PARTICIPANT", "CAPTURE"),
        help="a recording, whose it is, its file; once for each",
    )
    parser.add_argument(
        "--node",
        nargs=3,
        action="append",
        metavar=("NODE", "ADDRESS", "PLACEMENT"),
        help="a node, its address, where it is worn; once for each; the hub too, where it sends marks",
    )
    parser.add_argument("--zone", metavar="ZONE", help="time zone of your notes, such as Europe/Madrid")
    layout = parser.add_mutually_exclusive_group()
    layout.add_argument(
        "--layout", metavar="FILE", help="how frames are packed: a file, or beltframe (the demo's)"
    )
    layout.add_argument("--skeleton", metavar="NAME", help="a new layout of that name, to be filled in")
    parser.add_argument("--title", metavar="WORDS", help="of the study, for its pages")
    _recording_arguments(parser)
    parser.add_argument(
        "--simulate",
        action="append",
        metavar="NODE=STREAM",
        help="simulate the captures, to try it: what a node sends; once for each",
    )


def _recording_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--from",
        type=Path,
        action="append",
        dest="files",
        metavar="FILE",
        help="a decoded recording, CSV or Parquet: measure it and write a study of it; once for each",
    )
    for flag, metavar, words in (
        (
            "--column",
            "ROLE=COLUMN",
            "which column of --from is the sequence, time, node or so; once for each",
        ),
        ("--unit", "COLUMN=UNIT", "unit of a column of --from, such as mV, uV, g, m/s2, degC; once for each"),
        ("--type", "STREAM=TYPE", "what a stream of --from is: ecg, acceleration, temperature, other"),
    ):
        parser.add_argument(flag, action="append", metavar=metavar, help=words)
    parser.add_argument(
        "--time-unit", choices=("s", "ms", "us", "ns"), help="of times of --from that count from some start"
    )
    parser.add_argument(
        "--time-of", choices=("first", "last"), help="which sample of a frame the times of --from are of"
    )


def run(options: argparse.Namespace) -> int:
    """Write a new study's settings, never over anything that is there.

    Asks at a terminal for what no flag gives. Raises SettingsError elsewhere.
    """
    from nodeday.cli.init.ask import ask
    from nodeday.cli.init.folder import refuse_existing_study, write_study
    from nodeday.cli.init.texts import settings_files

    folder: Path = options.folder
    refuse_existing_study(folder)
    if options.files:
        from nodeday.cli.init.from_files import init_from_files

        return init_from_files(options)
    _refuse_without_files(options)
    answers = _given(options)
    missing = _missing_flags(answers)
    if missing and not (sys.stdin.isatty() and sys.stdout.isatty()):
        raise SettingsError(
            f"a new study needs {' and '.join(missing)}",
            "init",
            remedy="At a terminal it asks for what is not given.",
        )
    if missing:
        ask(answers)
    if answers.streams:
        answers.refuse_unfit_simulation()
    write_study(folder, settings_files(answers), [row.session for row in answers.sessions], examples=True)
    print("\n".join(_summary(folder, answers)))
    return GOOD


def _refuse_without_files(options: argparse.Namespace) -> None:
    for name in ("column", "unit", "type", "time_unit", "time_of"):
        if getattr(options, name):
            raise SettingsError(f"--{name.replace('_', '-')} without --from", "init", "--from FILE too")


def _given(options: argparse.Namespace) -> Answers:
    """Return the answers that flags give."""
    from nodeday.cli.init.answers import Answers, study_code
    from nodeday.core import privacy

    answers = Answers(study_code(options.folder.resolve().name), options.title or "A new study")
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
        raise SettingsError("--simulate without a layout", "init", "--layout or --skeleton too")
    for stream in options.simulate or ():
        answers.add_stream(stream)
    return answers


def _missing_flags(answers: Answers) -> list[str]:
    flags = {
        "--zone ZONE": answers.zone,
        "--layout FILE (or --skeleton NAME)": answers.layout,
        "--node NODE ADDRESS PLACEMENT": answers.sensor_nodes,
        "--session SESSION PARTICIPANT CAPTURE": answers.sessions,
    }
    return [flag for flag, answer in flags.items() if not answer]


def _summary(folder: Path, answers: Answers) -> list[str]:
    from nodeday.cli.init.answers import SKELETON
    from nodeday.config.models import capture_files

    def counted(noun: str, number: int) -> str:
        return f"{number} {noun}{'s' * (number != 1)}"

    lines = [
        f"{folder}: {counted('session', len(answers.sessions))}, "
        f"{counted('node', len(answers.sensor_nodes))}, layout {answers.layout_name}, "
        f"time zone {answers.zone}. It stands in {folder}/config, as text."
    ]
    captures = [name for row in answers.sessions for names in capture_files(row.captures) for name in names]
    missing = [name for name in captures if not (folder / name).is_file()]
    if answers.layout == SKELETON:
        lines.append(f"Fill in config/layouts/{answers.layout_name}.yaml: how your frames are packed.")
    if answers.streams:
        lines.append("Captures are simulated, as config/scenario.yaml plans; a run makes them.")
    elif missing:
        lines.append(f"Not there yet: {', '.join(missing)}.")
    return [*lines, f"Next: nodeday check --study {folder}"]
