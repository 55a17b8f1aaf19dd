"""The command line: arguments in, exit code out. Everything heavy is imported by the command."""

from __future__ import annotations

import argparse
import atexit
import gc
import importlib
import os
import sys
from pathlib import Path

from nodeday import __version__
from nodeday.cli.parser import Contents
from nodeday.core.errors import FAULT, GOOD, STOPPED, NodedayError, of_system

STAGES = ("simulate", "frames", "loss", "clock", "repair", "features", "hashes", "study", "report", "index")
SIDE_BY_SIDE = ("repair", "features", "study")
"""Stages that can work on the streams of a session, or on sessions, side by side."""
RUNNING, SETTING_UP = "nodeday.engine.account", "nodeday.cli.init.command"
COMMANDS, DATASET, PREPARING = (
    "nodeday.cli.commands.basic",
    "nodeday.cli.commands.dataset",
    "nodeday.cli.commands.preparing",
)


def main(arguments: list[str] | None = None) -> int:
    """Run one command; return 0 good, 1 a fault of nodeday, 2 usage or settings, 3 data."""
    arguments = sys.argv[1:] if arguments is None else arguments
    for library in ("OMP", "OPENBLAS"):  # of linear algebra
        # Its threads would sum in another order on a machine with other cores, and stages fork.
        os.environ.setdefault(f"{library}_NUM_THREADS", "1")
    atexit.register(gc.freeze)  # else the end of a run would look through all there is for garbage
    if arguments[:1] in (["stage"], ["export"]) and (code := _warm(arguments)) is not None:
        return code
    parser = build()
    options = parser.parse_args(arguments)
    if not options.command:
        parser.print_help()
        return GOOD
    try:
        module = importlib.import_module(options.module)
        return int(getattr(module, options.command)(options))
    except NodedayError as error:
        print(f"nodeday: {error}", file=sys.stderr)
        return error.exit_code
    except BrokenPipeError:
        sys.stderr.close()
        return FAULT
    except OSError as error:
        told = of_system(error)
        print(f"nodeday: {told}", file=sys.stderr)
        return told.exit_code
    except KeyboardInterrupt:
        print(
            "nodeday: stopped. What was finished stays; the same command goes on from there.", file=sys.stderr
        )
        return STOPPED


def _warm(arguments: list[str]) -> int | None:
    """The exit code of a job that a process with its libraries at hand has done, where there is one."""
    from nodeday.engine import prefork

    return prefork.called(arguments)


def build() -> Contents:
    """The parser, with every command."""
    parser = Contents(__version__)
    _before(parser)
    _recordings(parser)
    _day_after(parser)
    _looking(parser)
    _dataset(parser)
    _help(parser)
    return parser


def _study(command: argparse.ArgumentParser) -> None:
    command.add_argument(
        "--study", type=Path, default=Path(), metavar="DIR", help="the study's folder (the one you are in)"
    )


def _cores(command: argparse.ArgumentParser) -> None:
    command.add_argument("--cores", type=_count, default=2, metavar="N", help="cores to work on (2)")


def _json(command: argparse.ArgumentParser, words: str = "for programs") -> None:
    command.add_argument("--json", action="store_true", help=words)


def _count(text: str) -> int:
    number = int(text) if text.isascii() and text.isdigit() else 0
    if number < 1:
        raise argparse.ArgumentTypeError(f"{text} is not a positive whole number")
    return number


def _share(text: str) -> float:
    number = float(text)
    if not 0 <= number < 1:
        raise argparse.ArgumentTypeError(f"{number} is not a share from 0 to below 1")
    return number


def _before(parser: Contents) -> None:
    parser.heading("Before the field")
    demo = parser.command("demo", "make an invented study and run it", "nodeday demo demo-study", COMMANDS)
    demo.add_argument(
        "folder",
        nargs="?",
        type=Path,
        default=Path("demo-study"),
        metavar="DIR",
        help="of the study (demo-study)",
    )
    demo.add_argument("--recorded", action="store_true", help="real recordings instead of simulated ones")
    _cores(demo)
    _init(parser)
    layout = parser.command(
        "layout",
        "explain a layout; say how much of a capture it decodes",
        "nodeday layout check config/layouts/ours.yaml captures/S01.bin",
        COMMANDS,
    )
    layout.add_argument("what", choices=("check",), help="what to do with it")
    layout.add_argument("file", type=Path, metavar="FILE", help="a layout file")
    layout.add_argument("captures", nargs="*", type=Path, metavar="CAPTURE", help="files in order")
    plan = parser.command(
        "plan",
        "airtime, channel, battery, storage and loss of a session",
        "nodeday plan config/radio.yaml",
        PREPARING,
    )
    plan.add_argument("plan", type=Path, metavar="PLAN", help="a radio and battery plan")
    _json(plan)
    plan.add_argument("--no-loss", action="store_true", help="leave out the simulation of what loss costs")
    bench = parser.command(
        "bench",
        "accept and calibrate nodes from a bench capture",
        "nodeday bench config/bench.yaml\nnodeday bench --demo bench-study",
        PREPARING,
    )
    bench.add_argument("plan", nargs="?", type=Path, metavar="PLAN", help="a bench plan")
    bench.add_argument("--demo", type=Path, metavar="DIR", help="a new demo study with a simulated bench")
    _cores(bench)
    for command in (plan, bench):
        _study(command)


def _init(parser: Contents) -> None:
    init = parser.command(
        "init",
        "write the settings of a new study; ask what is not told",
        "nodeday init my-study\n"
        "nodeday init my-study --zone Europe/Madrid --layout beltframe \\\n"
        "  --session S01 P01 captures/S01.bin --node hub 0 hub --node heart 16 chest",
        SETTING_UP,
    )
    init.add_argument("folder", type=Path, metavar="DIR", help="of the study; nothing there is written over")
    init.add_argument(
        "--session",
        nargs=3,
        action="append",
        metavar=("SESSION", "PARTICIPANT", "CAPTURE"),
        help="a recording, whose it is, its file; once for each",
    )
    init.add_argument(
        "--node",
        nargs=3,
        action="append",
        metavar=("NODE", "ADDRESS", "PLACEMENT"),
        help="a node, its address, where it is worn; once for each; the hub too, where it sends marks",
    )
    init.add_argument("--zone", metavar="ZONE", help="time zone of your notes, such as Europe/Madrid")
    layout = init.add_mutually_exclusive_group()
    layout.add_argument(
        "--layout", metavar="FILE", help="how frames are packed: a file, or beltframe (the demo's)"
    )
    layout.add_argument("--skeleton", metavar="NAME", help="a new layout of that name, to be filled in")
    init.add_argument("--title", metavar="WORDS", help="of the study, for its pages")
    init.add_argument(
        "--simulate",
        action="append",
        metavar="NODE=STREAM",
        help="simulate the captures, to try it: what a node sends; once for each",
    )


def _recordings(parser: Contents) -> None:
    simulate = parser.command(
        "simulate", "captures of planned sessions, with their truth", "nodeday simulate", COMMANDS
    )
    _study(simulate)
    replay = parser.command(
        "replay",
        "recorded signals through an encoder and a lossy channel",
        "nodeday replay 100.hea 101.hea --into replayed --loss 0.05",
        COMMANDS,
    )
    replay.add_argument("files", nargs="+", type=Path, metavar="FILE", help="WFDB header or CSV")
    replay.add_argument("--into", type=Path, required=True, metavar="DIR", help="a new study's folder")
    replay.add_argument("--loss", type=_share, default=0.05, help="share of frames lost (0.05)")
    replay.add_argument("--burst", type=float, default=5.0, help="mean burst of lost frames (5)")
    replay.add_argument("--seed", type=int, default=1, help="another seed, another draw (1)")


def _day_after(parser: Contents) -> None:
    parser.heading("The day after")
    check = parser.command(
        "check", "every problem of the settings, with its remedy", "nodeday check", COMMANDS
    )
    _study(check)
    run = parser.command("run", "captures to tables and pages", "nodeday run --cores 4", RUNNING)
    _study(run)
    _cores(run)
    _json(run, "for programs: one document on standard output, nothing else there")
    status = parser.command(
        "status",
        "how far each session is, and what a run would do",
        "nodeday status",
        "nodeday.engine.status",
    )
    _json(status)
    _study(status)
    stage = parser.command(
        "stage", "one stage of one session, as a run calls it", "nodeday stage loss S01", COMMANDS
    )
    stage.add_argument("stage", choices=STAGES, help="which")
    stage.add_argument("sessions", nargs="*", metavar="SESSION", help="of the study")
    stage.add_argument(
        "--cores", type=_count, default=1, metavar="N", help=f"to work on, in {', '.join(SIDE_BY_SIDE)} (1)"
    )
    _study(stage)


def _looking(parser: Contents) -> None:
    parser.heading("Looking")
    audit = parser.command(
        "audit",
        "what a session lost and why; with --all the proof of all tables",
        "nodeday audit S01\nnodeday audit --all",
        "nodeday.cli.commands.audit",
    )
    audit.add_argument("session", nargs="?", metavar="SESSION", help="of the study")
    audit.add_argument(
        "--all", action="store_true", help="derive every table anew from the captures; compare"
    )
    _json(audit)
    _study(audit)
    view = parser.command(
        "view",
        "a session from the whole day to a heartbeat",
        "nodeday view S01 --at 2026-07-16T08:04",
        "nodeday.products.viewer.command",
    )
    view.add_argument("session", metavar="SESSION", help="of the study")
    begin = view.add_mutually_exclusive_group()
    begin.add_argument(
        "--cell",
        nargs="+",
        metavar=("TABLE", "NAME=VALUE"),
        help="begin at a row of a table, named as `trace` names it",
    )
    begin.add_argument("--at", metavar="INSTANT", help="begin there: local time, or with an offset from UTC")
    view.add_argument("--port", type=int, default=0, help="of the page, on this machine only (any)")
    view.add_argument("--no-browser", action="store_true", help="print the address and open nothing")
    _study(view)
    trace = parser.command(
        "trace",
        "any cell back to the bytes it came from",
        "nodeday trace epochs session=S01 node=heart epoch=12 feature=heart_rate_bpm",
        DATASET,
    )
    trace.add_argument("table", metavar="TABLE", help="which holds the cell")
    trace.add_argument("key", nargs="+", metavar="NAME=VALUE", help="what tells the row from all others")
    trace.add_argument("--all", action="store_true", help="every branch, not just the first few")
    _json(trace, "for programs; every branch")
    _study(trace)


def _dataset(parser: Contents) -> None:
    parser.heading("The study")
    export = parser.command(
        "export",
        "data package, CSV, EDF+ and beat annotations",
        "nodeday export csv edf --session S01",
        DATASET,
    )
    export.add_argument(
        "formats",
        nargs="+",
        choices=("package", "csv", "edf", "wfdb"),
        metavar="FORMAT",
        help="package, csv, edf or wfdb",
    )
    export.add_argument("--session", action="append", default=[], metavar="SESSION", help="only this one")
    export.add_argument("--into", type=Path, metavar="DIR", help="where to (exports/ in the study)")
    verify = parser.command(
        "verify", "hash everything anew, compare with the manifest", "nodeday verify", DATASET
    )
    release = parser.command(
        "release", "a copy for sharing: dates shifted, ages coarse", "nodeday release ../copy", DATASET
    )
    release.add_argument("folder", type=Path, metavar="DIR", help="the copy's folder, new")
    release.add_argument(
        "--offsets",
        type=Path,
        metavar="FILE",
        help="where the shifts are kept (release-offsets.tsv in the study)",
    )
    release.add_argument("--signals", action="store_true", help="samples and aligned as well")
    for command in (export, verify, release):
        _study(command)


def _help(parser: Contents) -> None:
    parser.heading("Help")
    explain = parser.command(
        "explain",
        "what a code, feature, column or table means",
        "nodeday explain hub_outage",
        "nodeday.cli.commands.explain",
    )
    explain.add_argument("word", nargs="?", metavar="WORD", help="all codes where there is none")
    dictionary = parser.command(
        "dictionary", "every table, column, unit and code", "nodeday dictionary gaps", COMMANDS
    )
    dictionary.add_argument("table", nargs="?", metavar="TABLE", help="all of them where there is none")
    completion = parser.command(
        "completion",
        "a script that completes commands in your shell",
        "nodeday completion bash > ~/.local/share/bash-completion/completions/nodeday",
        "nodeday.cli.completion",
    )
    completion.add_argument("shell", choices=("bash", "zsh", "tcsh"), help="which")


if __name__ == "__main__":
    sys.exit(main())
