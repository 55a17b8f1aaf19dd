"""Content decides what is outdated: records of jobs held to files, settings, code and libraries."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from conftest import FINISHED

from nodeday.cli.main import main
from nodeday.config.study import Study
from nodeday.core import errors
from nodeday.core.errors import ContractError
from nodeday.engine import status
from nodeday.engine.stages import CHAIN
from nodeday.products.export import manifest
from nodeday.stages.frames import stage as frames_stage
from nodeday.storage import frames, inventory, provenance, samples, tables

ONE, TWO = FINISHED
ABSENT = "S03-mess"
YEAR_2033_S = 2_000_000_000


@pytest.fixture
def folder(finished_study: Path, tmp_path: Path) -> Path:
    """A copy with new inodes and times in any order, as ``cp -r`` makes it."""
    return Path(shutil.copytree(finished_study, tmp_path / "study", copy_function=shutil.copyfile))


def flip(path: Path, bit: int = 0) -> None:
    """Change one bit in the middle of a file."""
    raw = bytearray(path.read_bytes())
    raw[len(raw) // 2] ^= 1 << bit
    path.write_bytes(raw)


def states(folder: Path) -> dict[str, Any]:
    """Stages that are not done, by session, and why; the study's by an empty name."""
    document = status.document(Study(folder))
    found = {row["session"]: row["reasons"] for row in document["sessions"]}
    assert set(found.pop(ABSENT)) == set()
    found[""] = document["of_study"]["reasons"]
    return {name: reasons for name, reasons in found.items() if reasons}


def run(folder: Path) -> str:
    command = [sys.executable, "-m", "nodeday", "run", "--cores", "2", "--study", str(folder)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == errors.USAGE, done.stderr + done.stdout  # one session has no capture
    return done.stdout + done.stderr


def contents(folder: Path) -> dict[str, bytes]:
    results = folder / "results"
    return {path: (results / path).read_bytes() for path in inventory.result_files(results)}


def change_record(folder: Path, stage: str, session: str, **parts: Any) -> None:
    path = provenance.path(folder / "results", stage, session)
    path.write_text(json.dumps(json.loads(path.read_text()) | parts))


def test_every_altered_table_is_refused_and_made_anew(finished_study: Path, folder: Path) -> None:
    """A bit of each table of one session and of the study; of the other a stream gone, a table exchanged."""
    results = folder / "results"
    altered = [
        path
        for path in inventory.result_files(results)
        if path.endswith(".parquet") and inventory.session_of(path) != TWO
    ]
    assert len(altered) > 30
    for number, path in enumerate(altered):
        flip(results / path, number % 8)
        with pytest.raises(ContractError) as raised:
            inventory.table_file(results, path)
        assert str(raised.value) == (
            f"{results / path}: has other content than its stage wrote. `nodeday run` makes it anew."
        )
    (results / "samples" / f"session={TWO}" / "wrist.acc.parquet").unlink()
    flip(tables.path(results, "gaps", TWO))
    found = states(folder)
    assert list(found[ONE]) == ["frames", "clock", "loss", "repair", "features", "report"]
    assert all("has other content than its stage wrote" in found[ONE][stage] for stage in CHAIN)
    assert found[TWO]["loss"].startswith(f"results/gaps/session={TWO}/gaps.parquet has other content")
    assert found[TWO]["repair"] == f"results/samples/session={TWO}/wrist.acc.parquet is absent"
    run(folder)
    assert contents(folder) == contents(finished_study)
    assert states(folder) == {}


def test_commands_refuse_an_altered_table(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tables.path(folder / "results", "gaps", ONE)
    shutil.copyfile(tables.path(folder / "results", "gaps", TWO), path)
    cell = ["epochs", f"session={ONE}", "node=heart", "epoch=1", "feature=heart_rate_bpm"]
    before = (folder / "results" / "manifest.json").read_bytes()
    commands = (
        ["audit", ONE],
        ["export", "csv"],
        ["export", "package"],
        ["release", str(folder.parent / "copy")],
        ["trace", *cell],
    )
    for command in commands:
        assert main([*command, "--study", str(folder)]) == errors.CONTRACT, command
        assert f"{path}: has other content than its stage wrote" in capsys.readouterr().err
    assert (folder / "results" / "manifest.json").read_bytes() == before
    assert main(["verify", "--study", str(folder)]) == errors.CONTRACT
    assert f"results/gaps/session={ONE}/gaps.parquet has " in capsys.readouterr().out


def test_a_stream_that_is_gone_or_strange_is_refused(folder: Path) -> None:
    study, results = Study(folder), folder / "results"
    kind = study.layout_of(ONE, "wrist").stream("acc")
    own = samples.path(samples.folder(results, ONE), "wrist", kind)
    own.unlink()
    for read in (samples.read, samples.edges, samples.groups):
        with pytest.raises(ContractError, match=r"wrist\.acc\.parquet: is absent; expected a table that an"):
            read(results, ONE, "wrist", kind)
    strange = frames.path(results, ONE, ("wrist", "ecg"))
    shutil.copyfile(frames.path(results, ONE, ("heart", "ecg")), strange)
    for read_frames in (lambda: frames.streams(results, ONE), lambda: tables.column(strange, "row")):
        with pytest.raises(ContractError, match=r"wrist\.ecg\.parquet: was written by no stage\."):
            read_frames()


def test_a_copied_study_with_any_dates_has_nothing_to_do(finished_study: Path, folder: Path) -> None:
    for path in (*folder.glob("captures/*"), *folder.glob("config/**/*"), *folder.glob("results/frames/*/*")):
        os.utime(path, (YEAR_2033_S, YEAR_2033_S))
    assert states(folder) == {}
    before = contents(folder)
    assert " done in " not in run(folder)
    # Made anew from a capture of the future: its outputs are older than their inputs.
    tables.path(folder / "results", "epochs", ONE).unlink()
    os.utime(samples.folder(folder / "results", ONE), (YEAR_2033_S, YEAR_2033_S))
    said = run(folder)
    assert f"{ONE}: features done in" in said
    assert f"{ONE}: repair done in" not in said
    assert contents(folder) == before == contents(finished_study)


def test_another_capture_of_the_same_date_is_seen(folder: Path) -> None:
    capture = folder / "captures" / f"{ONE}.bin"
    stamp = capture.stat()
    raw = capture.read_bytes()
    capture.write_bytes(raw[:-1])
    os.utime(capture, ns=(1, stamp.st_mtime_ns))
    assert states(folder)[ONE]["frames"] == f"captures/{ONE}.bin changed"
    capture.write_bytes(raw)
    assert states(folder) == {}
    layout = next((folder / "config" / "layouts").glob("beltframe.yaml"))
    layout.write_text(layout.read_text() + "\n# another line\n")
    os.utime(layout, ns=(1, 1))
    found = states(folder)
    assert found[ONE]["frames"] == found[TWO]["frames"] == "config/layouts/beltframe.yaml changed"


def test_a_capture_exchanged_while_it_is_read_leaves_no_record(
    folder: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """By one of its size and date, as soon as its frames are decoded."""
    capture = folder / "captures" / f"{ONE}.bin"
    plain = frames_stage.run

    def exchanging(study: Study, session: str) -> None:
        plain(study, session)
        other = capture.with_name("other")
        shutil.copy2(capture, other)
        stamp = capture.stat()
        flip(other)
        os.utime(other, ns=(stamp.st_atime_ns, stamp.st_mtime_ns))
        other.replace(capture)

    monkeypatch.setattr(frames_stage, "run", exchanging)
    assert main(["stage", "frames", ONE, "--study", str(folder)]) == errors.CONTRACT
    assert f"captures/{ONE}.bin: changed while stage frames read it" in capsys.readouterr().err
    assert provenance.read(folder / "results", "frames", ONE) is None


def test_a_reason_names_what_changed(folder: Path) -> None:
    results = folder / "results"
    libraries = dict(provenance.read(results, "loss", ONE).libraries)
    change_record(folder, "loss", ONE, libraries=libraries | {"numpy": "1.0"})
    change_record(folder, "clock", TWO, code="0" * 16)
    change_record(folder, "repair", ONE, read={})
    found = states(folder)
    assert found[ONE]["loss"] == f"numpy is {libraries['numpy']}, and was 1.0"
    assert found[ONE]["repair"].endswith("changed")
    assert found[ONE]["features"] == "follows from repair"
    assert found[TWO]["clock"] == "the code of stage clock changed"
    assert found[TWO]["loss"] == "follows from clock"
    assert found[""]["dataset"].startswith("follows from")
    study = Study(folder)
    assert manifest.libraries(study, [ONE, TWO])["numpy"] == f"1.0, {libraries['numpy']}"
    text = status.text(status.document(study))
    assert f"  loss: numpy is {libraries['numpy']}, and was 1.0" in text.splitlines()


def test_a_reason_names_the_settings_that_changed(folder: Path) -> None:
    settings = folder / "config" / "study.yaml"
    settings.write_text(settings.read_text().replace("min_coverage: 0.8      #", "min_coverage: 0.7      #"))
    found = states(folder)
    assert found[ONE]["features"] == "what the settings say changed: epochs"
    assert "repair" not in found[ONE]


def test_a_stage_at_work_has_no_record_and_reading_writes_nothing(folder: Path) -> None:
    before = {path: path.stat().st_mtime_ns for path in folder.rglob("*")}
    states(folder)
    assert main(["audit", ONE, "--study", str(folder)]) in (errors.GOOD, errors.CONTRACT)
    assert {path: path.stat().st_mtime_ns for path in folder.rglob("*")} == before
    provenance.path(folder / "results", "clock", ONE).unlink()
    assert states(folder)[ONE]["clock"] == "no record says how it was made"
