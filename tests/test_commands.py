"""Commands as a person calls them: what they print, and their exit codes."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from nodeday.cli.init.folder import copy_settings
from nodeday.cli.main import main
from nodeday.core import errors
from nodeday.core.paths import DEMO_CONFIG
from nodeday.layouts import encode_frames, load_layout


@pytest.fixture
def study(tmp_path: Path) -> Path:
    """The demo's settings without its scenario, so that captures are expected to exist."""
    folder = tmp_path / "study"
    copy_settings(folder, DEMO_CONFIG, scenario=False)
    layout = load_layout(DEMO_CONFIG / "layouts" / "beltframe.yaml")
    frames = encode_frames(layout, layout.stream("ecg"), {"node": 16, "sequence": [1, 2, 3]})
    for session in ("S01-clean", "S02-lossy", "S03-mess"):
        (folder / "captures" / f"{session}.bin").write_bytes(frames.tobytes())
    return folder


def edit(path: Path, old: str, new: str) -> None:
    text = path.read_text()
    assert old in text
    path.write_text(text.replace(old, new))


def run_command(capsys: pytest.CaptureFixture[str], *arguments: str) -> tuple[int, str]:
    code = main(list(arguments))
    out, err = capsys.readouterr()
    assert "Traceback" not in out + err
    return code, out + err


def test_help_lists_every_command(capsys: pytest.CaptureFixture[str]) -> None:
    code, text = run_command(capsys)
    assert code == errors.GOOD
    for command in ("demo", "init", "check", "run", "simulate", "replay", "dictionary"):
        assert command in text
    assert "no diagnosis" in text


def test_check_is_content_with_the_demo(study: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run_command(capsys, "check", "--study", str(study)) == (
        errors.GOOD,
        "S01-clean: ready\nS02-lossy: ready\nS03-mess: ready\n",
    )


@pytest.mark.parametrize(
    ("file", "old", "new", "sentence"),
    [
        ("study.yaml", "min_coverage", "min_coverag", "(did you mean min_coverage?)"),
        ("study.yaml", "Europe/Madrid", "Europe/Madird", "(did you mean Europe/Madrid?)"),
        ("nodes.tsv", "ankle\t19", "ankle\t18", "both have address 18"),
        ("sessions.tsv", "S01-clean.bin", "S09.bin", "no capture at"),
        (
            "sessions.tsv",
            "bin\tbeltframe\tEurope/Madrid\t\t\nS02",
            "bin\tbeltframe\tEurope/Madrid\t2026-07-14T09:00\t2026-07-14T08:00\nS02",
            "before its start",
        ),
        ("nodes.tsv", "*", "S02-lossy", "has no nodes"),
        ("layouts/beltframe.yaml", "IBM-3740", "IBM-3741", "did you mean"),
    ],
)
def test_each_mistake_is_one_clear_sentence(
    study: Path, capsys: pytest.CaptureFixture[str], file: str, old: str, new: str, sentence: str
) -> None:
    edit(study / "config" / file, old, new)
    code, text = run_command(capsys, "check", "--study", str(study))
    assert code == errors.USAGE
    assert sentence in text


def test_every_problem_is_reported_at_once(study: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (study / "captures" / "S02-lossy.bin").write_bytes(b"")
    (study / "captures" / "S03-mess.bin").unlink()
    code, text = run_command(capsys, "check", "--study", str(study))
    assert code == errors.USAGE
    assert "S01-clean: ready" in text
    assert "S02-lossy.bin is empty" in text
    assert "no capture at" in text


def test_problems_of_every_file_are_reported_with_those_of_sessions(
    study: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A check that needs a broken file is left out, so that each problem is reported once."""
    edit(study / "config" / "study.yaml", "min_coverage", "min_coverag")
    edit(study / "config" / "participants.tsv", "P02\t27", "P02\told")
    edit(study / "config" / "nodes.tsv", "ankle\t19", "ankle\t300")
    edit(study / "config" / "events.tsv", "S03-mess\tpacking", "S04\tpacking")
    (study / "captures" / "S02-lossy.bin").unlink()
    code, text = run_command(capsys, "check", "--study", str(study))
    assert code == errors.USAGE
    lines = text.splitlines()
    heads = [line for line in lines if not line.startswith(" ")]
    assert heads == [
        "the study: not ready",
        "S01-clean: not ready",
        "S02-lossy: not ready",
        "S03-mess: not ready",
        "7 problems; 0 of 3 sessions can run.",
    ]
    for part in ("did you mean min_coverage?", "line 3: age_years", "S04, which has no row here"):
        assert any(part in line for line in lines[1:4]), part
    assert sum("address 300; expected less than 256" in line for line in lines) == 3
    assert sum("no capture at" in line for line in lines) == 1
    assert "participant P0" not in text


def test_each_problem_has_a_remedy(study: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A sentence ends with what was expected, a remedy or the nearest word."""
    edit(study / "config" / "sessions.tsv", "S01-clean\tP01", "S01-clean\tP09")
    edit(study / "config" / "sessions.tsv", "S03-mess.bin\tbeltframe", "S03-mess.bin\tnone")
    edit(study / "config" / "study.yaml", "  acc:", "  emg:")
    edit(study / "config" / "study.yaml", "    chest:", "    hip:")
    edit(study / "config" / "events.tsv", "08:10:00\t", "08:10:00\t2026-07-14T08:05:00")
    (study / "captures" / "S02-lossy.bin").write_bytes(b"")
    with (study / "config" / "study.yaml").open("a") as file:
        file.write("rules:\n  - {rule: calibrated, node: wirst}\n")
    code, text = run_command(capsys, "check", "--study", str(study))
    assert code == errors.USAGE
    problems = [line for line in text.splitlines() if line.startswith("  ")]
    assert len(problems) == 6
    assert len(problems) == len(set(problems))  # what keeps every session from running is reported once
    without_remedy = [
        line
        for line in problems
        if not any(word in line for word in ("; expected ", "did you mean", "Run `nodeday", "Correct "))
    ]
    assert without_remedy == []


def test_a_plan_that_does_not_fit_is_reported_before_a_run(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = tmp_path / "study"
    copy_settings(folder, DEMO_CONFIG, scenario=True)
    edit(folder / "config" / "scenario.yaml", "streams: [temp]", "streams: [emg]")
    code, text = run_command(capsys, "check", "--study", str(folder))
    assert code == errors.USAGE
    sentence = "config/scenario.yaml, session S01-clean: node skin sends emg; expected one of acc, ecg, temp."
    assert f"S01-clean: not ready\n  {sentence}\n" in text


def test_a_folder_that_is_no_study(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, text = run_command(capsys, "run", "--study", str(tmp_path))
    assert code == errors.USAGE
    assert "study.yaml: no such file" in text


def test_dictionary_of_one_table_and_of_none(capsys: pytest.CaptureFixture[str]) -> None:
    code, text = run_command(capsys, "dictionary", "gaps")
    assert code == errors.GOOD
    assert "| seq_from | int64 | frame |" in text
    code, text = run_command(capsys, "dictionary", "gasp")
    assert code == errors.USAGE
    assert "no table gasp" in text


def test_a_capture_of_other_bytes_is_refused_and_leaves_no_table(
    study: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (study / "captures" / "S01-clean.bin").write_bytes(b"\0" * 100)
    code, text = run_command(capsys, "stage", "frames", "S01-clean", "--study", str(study))
    assert code == errors.CONTRACT
    assert "only 0 of 100 bytes are frames of layout beltframe" in text
    assert not list((study / "results").rglob("*.parquet*"))
    assert "beltframe" in (study / "results" / "failed" / "S01-clean.txt").read_text()


def test_a_recorded_capture_is_never_the_simulators_to_write(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The engine removes what a rule is about to write, so such a session must not reach it."""
    folder = tmp_path / "study"
    copy_settings(folder, DEMO_CONFIG, scenario=True)
    capture = folder / "captures" / "S02-lossy.bin"
    capture.write_bytes(b"recorded on the day")
    for command in ("check", "simulate"):
        code, text = run_command(capsys, command, "--study", str(folder))
        assert code == errors.USAGE
        assert "has no truth file next to it, so it was recorded, not simulated" in text
    plan = subprocess.run(
        [sys.executable, "-m", "snakemake", "--dry-run", "--cores", "1"],
        cwd=folder,
        capture_output=True,
        text=True,
        check=True,
    )
    output = plan.stdout + plan.stderr
    assert "left out, session S02-lossy" in output
    assert "captures/S01-clean.bin" in output
    assert "output: captures/S02-lossy.bin" not in output
    assert capture.read_bytes() == b"recorded on the day"


def test_module_runs_as_a_program() -> None:
    done = subprocess.run(
        [sys.executable, "-m", "nodeday", "--version"], capture_output=True, text=True, check=True
    )
    assert done.stdout.startswith("nodeday ")
