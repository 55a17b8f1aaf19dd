"""Help, examples, near misses, and completion in a bash that really runs."""

from __future__ import annotations

import argparse
import ast
import os
import pty
import select
import shlex
import subprocess
import sys
import time
from pathlib import Path

import pytest
from conftest import ROOT

from nodeday.cli.headings import HEADINGS, UNLISTED
from nodeday.cli.main import build_parser, main
from nodeday.cli.parser import Command, Parser
from nodeday.core import errors

LISTED = [command for commands in HEADINGS.values() for command in commands]
COMMANDS = ROOT / "workflow" / "nodeday" / "cli" / "commands"


def name_of(command: Command) -> str:
    return command.__name__.rpartition(".")[2]


def test_help_is_a_table_of_contents(capsys: pytest.CaptureFixture[str]) -> None:
    assert main([]) == errors.GOOD
    lines = capsys.readouterr().out.splitlines()
    assert [line for line in lines if line in HEADINGS] == list(HEADINGS)
    listed = [line.split()[0] for line in lines if line.startswith("  ")]
    assert listed == [name_of(command) for command in LISTED]
    assert len(listed) == len(set(listed))
    assert max(map(len, lines)) <= 80
    assert listed.index("init") < listed.index("check") < listed.index("run") < listed.index("audit")
    assert lines[-1] == "Research software: no diagnosis, no alarm, no medical device."


def test_every_module_under_commands_is_one() -> None:
    modules = {path.stem for path in COMMANDS.glob("*.py")} - {"__init__"}
    assert (
        sorted(modules)
        == sorted(map(name_of, [*LISTED, *UNLISTED]))
        == sorted(build_parser().commands.choices)
    )


def test_modules_of_commands_import_little_before_they_run() -> None:
    """`nodeday --help` reads all of them."""
    light = {
        "__future__",
        "argparse",
        "collections",
        "collections.abc",
        "contextlib",
        "functools",
        "gc",
        "os",
    }
    light |= {"pathlib", "sys", "types", "typing", "nodeday.core.errors"}
    heavy = []
    for path in COMMANDS.glob("*.py"):
        for node in ast.parse(path.read_text()).body:
            names = [each.name for each in node.names] if isinstance(node, ast.Import) else []
            names += [str(node.module)] if isinstance(node, ast.ImportFrom) else []
            heavy += [
                f"{path.name} imports {name}"
                for name in names
                if name not in light and not name.startswith("nodeday.cli.")
            ]
    assert heavy == []


@pytest.mark.parametrize("command", [*LISTED, *UNLISTED], ids=name_of)
def test_each_command_has_an_example_that_it_takes(
    command: Command, capsys: pytest.CaptureFixture[str]
) -> None:
    parser = build_parser()
    with pytest.raises(SystemExit) as end:
        parser.parse_args([name_of(command), "--help"])
    assert end.value.code == errors.GOOD
    text = capsys.readouterr().out
    for example in command.EXAMPLES.replace("\\\n", " ").splitlines():
        words = shlex.split(example.split(" > ")[0])
        assert words[0] == "nodeday"
        assert parser.parse_args(words[1:]).run == command.run
    for line in command.EXAMPLES.splitlines():
        assert f"  {line}" in text


def test_every_argument_says_what_it_is() -> None:
    silent = [
        f"{name} {argument.dest}"
        for name, command in build_parser().commands.choices.items()
        for argument in command.all_arguments
        if not argument.help
    ]
    assert silent == []


def test_private_parts_of_argparse_are_still_there() -> None:
    """`_actions` lists arguments of groups too, and `_check_value` is asked about every word of a choice."""
    parser = Parser(prog="p")
    parser.add_argument("--one")
    parser.add_mutually_exclusive_group().add_argument("--two")
    assert [argument.dest for argument in parser.all_arguments] == ["help", "one", "two"]
    assert parser.all_arguments == parser._actions
    asked = []

    class Asked(argparse.ArgumentParser):
        def _check_value(self, action: argparse.Action, value: str) -> None:
            asked.append((action.dest, value))

    one = Asked()
    one.add_argument("word", choices=("a", "b"))
    one.parse_args(["c"])
    assert asked == [("word", "c")]


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        (["statsu"], "no command statsu (did you mean status?). See `nodeday --help`."),
        (["stage", "frame"], "no stage frame (did you mean frames?). See `nodeday stage --help`."),
        (
            ["completion", "fish"],
            "no shell fish (there are bash, zsh, tcsh). See `nodeday completion --help`.",
        ),
        (
            ["run", "--cores", "0"],
            "argument --cores: 0 is not a positive whole number. See `nodeday run --help`.",
        ),
        (["run", "--cores", "two"], "argument --cores: two is not a positive whole number."),
        (["init"], "the following arguments are required: DIR. See `nodeday init --help`."),
    ],
)
def test_a_slip_is_one_sentence(
    arguments: list[str], sentence: str, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit) as end:
        main(arguments)
    assert end.value.code == errors.USAGE
    out, err = capsys.readouterr()
    assert err.startswith(f"nodeday: {sentence}")
    assert (out, err.count("\n")) == ("", 1)


# --- completion -------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a completion script and a study; one of its sessions is made to do harm."""
    folder = tmp_path_factory.mktemp("bash")
    command = [sys.executable, "-m", "nodeday", "completion", "bash"]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    (folder / "completion.bash").write_text(done.stdout)
    (folder / "study" / "config").mkdir(parents=True)
    sheet = (
        "session\tparticipant\nS01-clean\tP01\nS02-lossy\tP02\nS$(touch${IFS}pwned)\tP03\nS*\tP04\nT01\tP05"
    )
    (folder / "study" / "config" / "sessions.tsv").write_text(sheet + "\n")
    return folder


def typed(folder: Path, line: str) -> str:
    """What stands on the line, or is offered below it, after ``line`` and two tabs at an interactive bash."""
    master, slave = pty.openpty()
    environment = {**os.environ, "PS1": "> ", "TERM": "dumb", "INPUTRC": "/dev/null", "HISTFILE": ""}
    process = subprocess.Popen(
        ["bash", "--norc", "--noprofile", "-i"],
        cwd=folder,
        env=environment,
        start_new_session=True,
        stdin=slave,
        stdout=slave,
        stderr=slave,
    )
    os.close(slave)
    try:
        for setting in ("enable-bracketed-paste off", "page-completions off", "show-all-if-ambiguous on"):
            os.write(master, f"bind 'set {setting}'\n".encode())
        os.write(master, b". ./completion.bash; printf 'rea''dy\\n'\n")
        read(master, "ready\r\n")
        os.write(master, f"{line}\t\t".encode())
        screen = read(master, None)
    finally:
        process.kill()
        process.wait()
        os.close(master)
    return screen


def read(master: int, until: str | None) -> str:
    """What comes until a word, or until nothing has come for half a second."""
    screen, end = "", time.monotonic() + 30
    while time.monotonic() < end:
        if not select.select([master], [], [], 30 if until or not screen else 0.5)[0]:
            break
        screen += os.read(master, 65536).decode()
        if until and until in screen:
            break
    return screen


@pytest.mark.parametrize(
    ("line", "offered"),
    [
        ("nodeday stat", "nodeday status "),
        ("/some/where/nodeday comp", "nodeday completion "),
        ("nodeday run --j", "--json "),
        ("nodeday export ed", "edf "),
        ("nodeday dictionary signal_q", "signal_quality "),
        ("nodeday explain hub_outag", "hub_outage "),
        ("nodeday completion ba", "bash "),
        ("nodeday check --study stu", "study"),
        ("nodeday audit --study study T", "T01 "),
        ("nodeday audit --study study S0", "S01-clean  S02-lossy"),
        ("nodeday sta", "nodeday status "),  # `stage` is for rules
    ],
)
def test_bash_completes(folder: Path, line: str, offered: str) -> None:
    assert offered in typed(folder, line).replace("\r", "").partition(line)[2].join([line, ""])


def test_completing_sessions_runs_nothing(folder: Path) -> None:
    screen = typed(folder, "nodeday audit --study study S")
    assert "S01-clean" in screen
    assert "touch" not in screen
    assert not list(folder.rglob("pwned"))
