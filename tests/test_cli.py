"""Help, examples, near misses, and completion in a bash that really runs."""

from __future__ import annotations

import os
import pty
import select
import shlex
import subprocess
import sys
import time
from pathlib import Path

import pytest

from nodeday.cli.main import build, main
from nodeday.core import errors

HEADINGS = ["Before the field", "The day after", "Looking", "The study", "Help"]


def test_help_is_a_table_of_contents(capsys: pytest.CaptureFixture[str]) -> None:
    assert main([]) == errors.GOOD
    lines = capsys.readouterr().out.splitlines()
    assert [line for line in lines if line in HEADINGS] == HEADINGS
    listed = [line.split()[0] for line in lines if line.startswith("  ")]
    assert sorted(listed) == sorted(build().commands.choices)
    assert len(listed) == len(set(listed))
    assert max(map(len, lines)) <= 80
    assert listed.index("init") < listed.index("check") < listed.index("run") < listed.index("audit")
    assert lines[-1] == "Research software: no diagnosis, no alarm, no medical device."


@pytest.mark.parametrize("command", sorted(build().commands.choices))
def test_each_command_has_an_example_that_it_takes(command: str, capsys: pytest.CaptureFixture[str]) -> None:
    parser = build()
    with pytest.raises(SystemExit) as end:
        parser.parse_args([command, "--help"])
    assert end.value.code == errors.GOOD
    text = capsys.readouterr().out
    lines = parser.examples[command]
    for example in "\n".join(lines).replace("\\\n", " ").splitlines():
        words = shlex.split(example.split(" > ")[0])
        assert words[0] == "nodeday"
        assert parser.parse_args(words[1:]).command == command
    for line in lines:
        assert f"  {line}" in text


def test_every_argument_says_what_it_is() -> None:
    silent = [
        f"{name} {action.dest}"
        for name, command in build().commands.choices.items()
        for action in command._actions
        if not action.help
    ]
    assert silent == []


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        (["statsu"], "no command statsu (did you mean status?). See `nodeday --help`."),
        (["stage", "frame"], "no stage frame (did you mean frames?). See `nodeday stage --help`."),
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
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
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


def typed(place: Path, line: str) -> str:
    """What stands on the line, or is offered below it, after ``line`` and two tabs at an interactive bash."""
    master, slave = pty.openpty()
    environment = {**os.environ, "PS1": "> ", "TERM": "dumb", "INPUTRC": "/dev/null", "HISTFILE": ""}
    process = subprocess.Popen(
        ["bash", "--norc", "--noprofile", "-i"],
        cwd=place,
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
        told = read(master, None)
    finally:
        process.kill()
        process.wait()
        os.close(master)
    return told


def read(master: int, until: str | None) -> str:
    """What comes until a word, or until nothing has come for half a second."""
    told, end = "", time.monotonic() + 30
    while time.monotonic() < end:
        if not select.select([master], [], [], 30 if until or not told else 0.5)[0]:
            break
        told += os.read(master, 65536).decode()
        if until and until in told:
            break
    return told


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
    ],
)
def test_bash_completes(place: Path, line: str, offered: str) -> None:
    assert offered in typed(place, line).replace("\r", "").partition(line)[2].join([line, ""])


def test_completing_sessions_runs_nothing(place: Path) -> None:
    told = typed(place, "nodeday audit --study study S")
    assert "S01-clean" in told
    assert "touch" not in told
    assert not list(place.rglob("pwned"))
