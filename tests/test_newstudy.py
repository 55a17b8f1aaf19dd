"""`nodeday init`: flags, questions at a real terminal, and what is refused."""

from __future__ import annotations

import os
import pty
import subprocess
import sys
from pathlib import Path

import pytest

from nodeday.cli.init.answers import Answers
from nodeday.cli.init.ask import ask
from nodeday.cli.main import main
from nodeday.config import checks
from nodeday.config.study import Study
from nodeday.core import errors
from nodeday.core.errors import SettingsError

FLAGS = [
    "--zone",
    "Europe/Madrid",
    "--layout",
    "beltframe",
    "--node",
    "hub",
    "0",
    "hub",
    "--node",
    "heart",
    "16",
    "chest",
    "--session",
    "S01",
    "P01",
    "captures/S01.bin",
]


def run_command(capsys: pytest.CaptureFixture[str], *arguments: str) -> tuple[int, str]:
    code = main(list(arguments))
    out, err = capsys.readouterr()
    assert "Traceback" not in out + err
    return code, out + err


def test_flags_alone_make_a_study_that_lacks_only_its_capture(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("builtins.input", lambda _: pytest.fail("asked"))
    monkeypatch.setattr("sys.stdin.isatty", lambda: True)
    folder = tmp_path / "new"
    code, text = run_command(capsys, "init", str(folder), *FLAGS, "--title", 'On "hot" days: 35 °C')
    assert code == errors.GOOD
    assert "1 session, 1 node, layout beltframe, time zone Europe/Madrid" in text
    assert "Not there yet: captures/S01.bin." in text
    study = Study(folder)
    assert (study.file.study, study.file.title, study.file.zone) == (
        "new",
        'On "hot" days: 35 °C',
        "Europe/Madrid",
    )
    assert [str(each) for each in checks.problems(study, "S01")] == [
        f"session S01: no capture at {folder}/captures/S01.bin; expected the file that sessions.tsv names."
    ]
    (folder / "captures" / "S01.bin").write_bytes(b"\xd3\x91")
    assert run_command(capsys, "check", "--study", str(folder)) == (
        errors.USAGE,
        f"S01: not ready\n  session S01, {folder}/captures/S01.bin: only 0 of 2 bytes are frames of "
        "layout beltframe. Check the layout in config/sessions.tsv and the addresses in config/nodes.tsv.\n"
        "1 problem; 0 of 1 sessions can run.\n",
    )
    assert not [path.name for path in folder.iterdir() if path.name.startswith(".")]


def test_each_layout_gets_fills_that_fit_it(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for number, layout in enumerate((["--skeleton", "ours"], ["--layout", "beltframe"])):
        folder = tmp_path / f"s{number}"
        given = [
            "--zone",
            "UTC",
            *layout,
            "--node",
            "heart",
            "1",
            "chest",
            "--session",
            "S01",
            "P01",
            "captures/S01.bin",
        ]
        assert run_command(capsys, "init", str(folder), *given, "--simulate", "heart=ecg")[0] == errors.GOOD
        assert run_command(capsys, "check", "--study", str(folder)) == (errors.GOOD, "S01: ready\n")
    skeleton = (tmp_path / "s0" / "config" / "layouts" / "ours.yaml").read_text()
    assert "layout: ours" in skeleton
    assert "SKELETON" not in skeleton
    assert Study(tmp_path / "s0").layout_of("S01").layout == "ours"


def test_a_copied_layout_is_the_file_itself(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run_command(capsys, "init", str(tmp_path / "a"), *FLAGS)[0] == errors.GOOD
    layout = tmp_path / "ours.yaml"
    layout.write_bytes(
        (tmp_path / "a" / "config" / "layouts" / "beltframe.yaml").read_bytes() + b"# changed\n"
    )
    flags = [str(layout) if each == "beltframe" else each for each in FLAGS]
    assert run_command(capsys, "init", str(tmp_path / "b"), *flags)[0] == errors.GOOD
    assert (tmp_path / "b" / "config" / "layouts" / "ours.yaml").read_bytes() == layout.read_bytes()


def test_without_a_terminal_it_names_the_missing_flags(tmp_path: Path) -> None:
    command = [sys.executable, "-m", "nodeday", "init", str(tmp_path / "new"), "--zone", "UTC"]
    done = subprocess.run(command, capture_output=True, text=True, check=False, stdin=subprocess.DEVNULL)
    assert done.returncode == errors.USAGE
    assert done.stderr == (
        "nodeday: init: a new study needs --layout FILE (or --skeleton NAME) and --node NODE ADDRESS "
        "PLACEMENT and --session SESSION PARTICIPANT CAPTURE. At a terminal it asks for what is not given.\n"
    )
    assert done.stdout == ""
    assert not (tmp_path / "new").exists()


WRONG = {
    "a zone": (["--zone", "Europe/Madird"], "(did you mean Europe/Madrid?)"),
    "an address": (["--node", "wrist", "x18", "wrist"], "node wrist: address"),
    "an address twice": (["--node", "wrist", "16", "wrist"], "has address 16, as heart has"),
    "a node twice": (["--node", "heart", "17", "wrist"], "node heart: is there twice"),
    "an address past the layout's": (["--node", "wrist", "256", "wrist"], "expected less than 256"),
    "a session twice": (["--session", "S01", "P01", "x.bin"], "session S01: is there twice"),
    "a session's code": (["--session", "../S02", "P01", "x.bin"], "session is '../S02', not a letter"),
    "a person": (["--session", "S02", "Erika", "x.bin"], "looks like a name"),
    "a tab": (["--session", "S02", "P02", "a\tb.bin"], "with a control character"),
    "a layout": (["--layout", "none.yaml"], "none.yaml: no such layout"),
    "a stream": (["--simulate", "heart=emg"], "no stream emg in layout beltframe; expected one of ecg"),
    "a node that sends": (["--simulate", "wrist=acc"], "no node wrist; expected one of heart"),
    "half a stream": (["--simulate", "heart"], "expected NODE=STREAM"),
    "an e-mail address": (["--title", "by ana@example.org"], "holds an e-mail address"),
}


@pytest.mark.parametrize("case", WRONG)
def test_a_wrong_flag_writes_nothing(case: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    flags, sentence = WRONG[case]
    code, text = run_command(capsys, "init", str(tmp_path / "new"), *FLAGS, *flags)
    assert code == errors.USAGE
    assert sentence in text
    assert not (tmp_path / "new" / "config").exists()
    assert not list(tmp_path.rglob(".new-*"))


@pytest.mark.parametrize("name", ["config", "Snakefile", "results"])
def test_nothing_is_written_over(name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    kept = tmp_path / name
    if name == "Snakefile":
        kept.write_text("kept")
    else:
        kept.mkdir()
    code, text = run_command(capsys, "init", str(tmp_path), *FLAGS)
    assert code == errors.USAGE
    assert f"holds a study already ({name})" in text
    assert [path.name for path in tmp_path.iterdir()] == [name]


def test_a_folder_that_holds_the_captures_already(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    capture = tmp_path / "captures" / "S01.bin"
    capture.parent.mkdir()
    capture.write_bytes(b"\xd3\x91")
    code, text = run_command(capsys, "init", str(tmp_path), *FLAGS)
    assert code == errors.GOOD
    assert "Not there yet" not in text
    assert capture.read_bytes() == b"\xd3\x91"


def test_a_wrong_answer_is_refused_and_asked_again() -> None:
    given = iter(
        [
            "Mars",
            "UTC",
            "none.yaml",
            "beltframe",
            "",
            "heart 16",
            "heart x chest",
            "heart 16 chest",
            "",
            "S01 Erika c.bin",
            "S01 P01 captures/S01.bin",
            "",
            "perhaps",
            "yes",
            "emg",
            "",
        ]
    )
    shown: list[str] = []
    answers = Answers("trial")
    ask(answers, shown.append, lambda question: next(given))
    assert (answers.zone, answers.layout_name) == ("UTC", "beltframe")
    assert [row.node for row in answers.nodes] == ["heart"]
    assert [row.session for row in answers.sessions] == ["S01"]
    assert answers.streams == {"heart": ["ecg"]}
    assert sum(line.startswith("  ") for line in shown) == 8
    assert next(given, None) is None


def test_a_hub_alone_leaves_nodes_to_be_asked_for() -> None:
    given = iter(["heart 16 chest", "", "S01 P01 captures/S01.bin", "", "no"])
    answers = Answers("trial", zone="UTC")
    answers.set_layout("beltframe")
    answers.add_node("hub", "0", "hub")
    ask(answers, lambda _: None, lambda question: next(given))
    assert [row.node for row in answers.nodes] == ["hub", "heart"]


def test_answers_that_end_early() -> None:
    def gone(_: str) -> str:
        raise EOFError

    with pytest.raises(SettingsError, match=r"the answers ended early. Nothing was written."):
        ask(Answers("trial"), lambda _: None, gone)


def test_a_terminal_is_asked(tmp_path: Path) -> None:
    """A real one, through a pseudo-terminal: what is typed makes a study that check is content with."""
    master, slave = pty.openpty()
    process = subprocess.Popen(
        [sys.executable, "-m", "nodeday", "init", "new", "--zone", "Europe/Madrid", "--layout", "beltframe"],
        cwd=tmp_path,
        stdin=slave,
        stdout=slave,
        stderr=slave,
        env={**os.environ, "TERM": "dumb"},
    )
    os.close(slave)
    os.write(master, b"hub 0 hub\nheart 16 chest\n\nS01 P01 captures/S01.bin\n\nyes\necg\n")
    output = b""
    while True:
        try:
            piece = os.read(master, 4096)
        except OSError:  # how Linux says that the other end is closed
            break
        if not piece:
            break
        output += piece
    os.close(master)
    assert process.wait() == errors.GOOD, output.decode()
    text = output.decode()
    assert "Time zone" not in text  # it was given
    assert "What does heart send: ecg, acc, temp [ecg]:" in text
    assert "Captures are simulated" in text
    assert checks.problems(Study(tmp_path / "new"), "S01") == []
