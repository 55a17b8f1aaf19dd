"""The command line: arguments in, exit code out. Everything heavy is imported by the command."""

from __future__ import annotations

import argparse
import importlib
import sys
from pathlib import Path

from nodeday import __version__, warm
from nodeday.errors import FAULT, GOOD, STOPPED, NodedayError

ROOMS = ("simulate", "frames", "loss", "clock", "repair", "features", "study", "report", "index")
CAUTION = "Research software: no diagnosis, no alarm, no medical device."


def main(arguments: list[str] | None = None) -> int:
    """Run one command; return 0 good, 1 a fault of nodeday, 2 usage or settings, 3 data."""
    arguments = sys.argv[1:] if arguments is None else arguments
    if arguments[:1] == ["room"] and (code := warm.called(arguments)) is not None:
        return code
    parser = _parser()
    options = parser.parse_args(arguments)
    if not options.command:
        parser.print_help()
        return GOOD
    if options.command == "completion":
        import shtab

        print(shtab.complete(parser, options.shell))
        return GOOD
    try:
        module = importlib.import_module(options.module)
        return int(getattr(module, options.command)(options))
    except NodedayError as error:
        print(f"nodeday: {error}", file=sys.stderr)
        return error.exit_code
    except KeyboardInterrupt:
        print(
            "nodeday: stopped. What was finished stays; the same command goes on from there.", file=sys.stderr
        )
        return STOPPED
    except BrokenPipeError:
        sys.stderr.close()
        return FAULT


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="nodeday",
        description="A day of raw frames from body-worn nodes, turned into validated tables.",
        epilog=CAUTION,
    )
    parser.add_argument("--version", action="version", version=f"nodeday {__version__}")
    parser.set_defaults(module="nodeday.commands")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", title="commands")
    _first_steps(commands)
    _daily_work(commands)
    _planning(commands)
    _dataset(commands)
    return parser


def _study(command: argparse.ArgumentParser) -> None:
    command.add_argument("--study", type=Path, default=Path(), metavar="DIR", help="the study's folder")


def _cores(command: argparse.ArgumentParser) -> None:
    command.add_argument("--cores", type=_count, default=2, metavar="N", help="rooms at work at once (2)")


def _count(text: str) -> int:
    number = int(text)
    if number < 1:
        raise argparse.ArgumentTypeError(f"{number} is not a positive number")
    return number


def _share(text: str) -> float:
    number = float(text)
    if not 0 <= number < 1:
        raise argparse.ArgumentTypeError(f"{number} is not a share from 0 to below 1")
    return number


def _first_steps(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    demo = commands.add_parser("demo", help="make an invented study and run it")
    demo.add_argument("folder", nargs="?", type=Path, default=Path("demo-study"), metavar="DIR")
    demo.add_argument("--recorded", action="store_true", help="real recordings instead of simulated ones")
    _cores(demo)
    init = commands.add_parser("init", help="write the settings of a new study")
    init.add_argument("folder", type=Path, metavar="DIR")


def _daily_work(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    check = commands.add_parser("check", help="list every problem of the settings, with its remedy")
    run = commands.add_parser("run", help="captures to tables and pages")
    for command in (check, run):
        _study(command)
    _cores(run)
    status = commands.add_parser("status", help="how far each session is, and what a run would do")
    status.add_argument("--json", action="store_true", help="for programs")
    status.set_defaults(module="nodeday.status")
    _study(status)
    audit = commands.add_parser("audit", help="what a session lost and why; the study's limits held to it")
    audit.add_argument("session", metavar="SESSION")
    audit.add_argument("--json", action="store_true", help="for programs")
    _study(audit)
    view = commands.add_parser("view", help="look at a session, from the whole day to a heartbeat")
    view.add_argument("session", metavar="SESSION")
    begin = view.add_mutually_exclusive_group()
    begin.add_argument("--cell", nargs="+", metavar=("TABLE", "NAME=VALUE"),
                       help="begin at a row of a table, named as `trace` names it")  # fmt: skip
    begin.add_argument("--at", metavar="INSTANT", help="begin there: local time, or with an offset from UTC")
    view.add_argument("--port", type=int, default=0, help="of the page, on this machine only (any)")
    view.add_argument("--no-browser", action="store_true", help="print the address and open nothing")
    view.set_defaults(module="nodeday.dayview.command")
    _study(view)
    room = commands.add_parser("room", help="one room of one session, as the rules call it")
    room.add_argument("room", choices=ROOMS)
    room.add_argument("sessions", nargs="*", metavar="SESSION")
    _study(room)
    layout = commands.add_parser("layout", help="explain a layout; say how much of a capture it decodes")
    layout.add_argument("what", choices=("check",))
    layout.add_argument("file", type=Path, metavar="FILE", help="a layout file")
    layout.add_argument("captures", nargs="*", type=Path, metavar="CAPTURE", help="files in order")
    dictionary = commands.add_parser("dictionary", help="every table, column, unit and code")
    dictionary.add_argument("table", nargs="?", metavar="TABLE")
    explain = commands.add_parser("explain", help="what a code, feature, column or table means")
    explain.add_argument("word", nargs="?", metavar="WORD", help="all codes where there is none")
    explain.set_defaults(module="nodeday.explain")
    completion = commands.add_parser("completion", help="a script that completes commands in your shell")
    completion.add_argument("shell", choices=("bash", "zsh", "tcsh"))


def _planning(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    simulate = commands.add_parser("simulate", help="captures of planned sessions, with their truth")
    _study(simulate)
    replay = commands.add_parser("replay", help="recorded signals through an encoder and a lossy channel")
    replay.add_argument("files", nargs="+", type=Path, metavar="FILE", help="WFDB header or CSV")
    replay.add_argument("--into", type=Path, required=True, metavar="DIR", help="a new study's folder")
    replay.add_argument("--loss", type=_share, default=0.05, help="share of frames lost (0.05)")
    replay.add_argument("--burst", type=float, default=5.0, help="mean burst of lost frames (5)")
    replay.add_argument("--seed", type=int, default=1)
    bench = commands.add_parser("bench", help="accept and calibrate nodes from a bench capture")
    bench.add_argument("plan", nargs="?", type=Path, metavar="PLAN", help="a bench plan")
    bench.add_argument("--demo", type=Path, metavar="DIR", help="a new demo study with a simulated bench")
    plan = commands.add_parser("plan", help="airtime, channel, battery, storage and loss before a session")
    plan.add_argument("plan", type=Path, metavar="PLAN", help="a radio and battery plan")
    plan.add_argument("--json", action="store_true", help="for programs")
    plan.add_argument("--no-loss", action="store_true", help="leave out the simulation of what loss costs")
    for command in (bench, plan):
        command.set_defaults(module="nodeday.preparing")
        _study(command)
    _cores(bench)


def _dataset(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    export = commands.add_parser("export", help="data package, CSV, EDF+ and beat annotations")
    export.add_argument("formats", nargs="+", choices=("package", "csv", "edf", "wfdb"), metavar="FORMAT",
                        help="package, csv, edf or wfdb")  # fmt: skip
    export.add_argument("--session", action="append", default=[], metavar="SESSION", help="only this one")
    export.add_argument("--into", type=Path, metavar="DIR", help="where to (exports/ in the study)")
    verify = commands.add_parser("verify", help="hash everything anew and compare with the manifest")
    trace = commands.add_parser("trace", help="any cell back to the bytes it came from")
    trace.add_argument("table", metavar="TABLE")
    trace.add_argument("key", nargs="+", metavar="NAME=VALUE", help="what tells the row from all others")
    trace.add_argument("--all", action="store_true", help="every branch, not just the first few")
    trace.add_argument("--json", action="store_true", help="for programs; every branch")
    release = commands.add_parser("release", help="a copy for sharing: dates shifted, ages coarse")
    release.add_argument("folder", type=Path, metavar="DIR", help="the copy's folder, new")
    release.add_argument("--offsets", type=Path, metavar="FILE",
                         help="where the shifts are kept (release-offsets.tsv in the study)")  # fmt: skip
    release.add_argument("--signals", action="store_true", help="samples and aligned as well")
    for command in (export, verify, trace, release):
        _study(command)
        command.set_defaults(module="nodeday.commands_dataset")


if __name__ == "__main__":
    sys.exit(main())
