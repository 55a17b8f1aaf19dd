"""The whole chain on a small study: good sessions finish beside bad ones, nothing half-written."""

from __future__ import annotations

import json
import os
import re
import shutil
import signal
import subprocess
import sys
from pathlib import Path

import jsonschema
import pandas as pd
import psutil
import pyarrow.parquet as parquet
import pytest
from conftest import ROOT, samples_in, simulated, stored
from nodeday.schemas import TABLES

from nodeday.config.study import Study
from nodeday.core import errors
from nodeday.storage import frames, samples, tables

GOOD, BAD, ABSENT = "S01-clean", "S02-lossy", "S03-mess"
SCENARIO = """
seed: 7
sessions:
  S01-clean:
    start: 2026-07-14T05:00:00Z
    phases: [{phase: rest, minutes: 3, bpm: 64}, {phase: harvest, minutes: 3, bpm: 100, gait: 0.6}]
    channel: {loss: 0.05, burst: 4, duplicates: 0.01, late: 0.01, corrupt: 0.005}
    restarts: [{node: wrist, at_min: 4.5, silent_s: 5}]
"""
SESSION_TABLES = ("frames", "hub_runs", "rejects", "gaps", "loss", "clock", "beats", "epochs")


@pytest.fixture(scope="module")
def ran(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, int, str]:
    """A study of one simulated session, one capture that holds other bytes and one absent; as run."""
    folder = simulated(tmp_path_factory.mktemp("study") / "s", SCENARIO)
    (folder / "config" / "scenario.yaml").unlink()
    (folder / "captures" / f"{BAD}.bin").write_bytes(bytes(range(256)) * 200)
    interrupted(folder)
    done = nodeday(folder, "run")
    return folder, done.returncode, done.stdout + done.stderr


def at_work(job: psutil.Process) -> bool:
    """Whether a process is there and is more than an entry that nobody has asked about yet."""
    try:
        return bool(job.is_running() and job.status() != psutil.STATUS_ZOMBIE)
    except psutil.NoSuchProcess:
        return False


def interrupted(folder: Path) -> None:
    """A run that is stopped (it alone, not its jobs) while a stage is at work; it ends them, says so
    and leaves nothing behind that the next run would trip over."""
    command = [sys.executable, "-m", "nodeday", "run", "--study", str(folder)]
    process = subprocess.Popen(command, stderr=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
    assert process.stderr is not None
    for line in process.stderr:
        if f"{GOOD}: frames done" in line:
            break
    jobs = psutil.Process(process.pid).children(recursive=True)
    process.send_signal(signal.SIGINT)
    out, err = process.communicate(timeout=60)
    assert process.returncode == errors.STOPPED, err
    assert out == ""
    assert err.splitlines()[-1].startswith("nodeday: stopped. What was finished stays")
    assert not [job for job in jobs if at_work(job)]
    assert frames.streams(folder / "results", GOOD)
    assert not tables.path(folder / "results", "epochs", GOOD).exists()
    assert not (folder / "results" / "report" / "index.html").exists()


def nodeday(folder: Path, *arguments: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "nodeday", *arguments, "--study", str(folder)]
    return subprocess.run(command, capture_output=True, text=True, check=False)


def test_good_sessions_finish_beside_bad_ones(ran: tuple[Path, int, str]) -> None:
    folder, code, text = ran
    assert code == errors.CONTRACT, text
    assert "Traceback" not in text
    assert f"left out: session {ABSENT}: no capture at" in text
    assert f"session {BAD} stopped: session {BAD}" in text
    assert "are frames of layout beltframe" in text
    assert (folder / "results" / "report" / f"{GOOD}.html").stat().st_size > 10_000
    index = (folder / "results" / "report" / "index.html").read_text()
    for session in (GOOD, BAD, ABSENT):
        assert session in index


def test_every_table_is_valid_and_nothing_is_half_written(ran: tuple[Path, int, str]) -> None:
    folder, _, _ = ran
    results = folder / "results"
    for name in SESSION_TABLES:
        frame = stored(results, name, GOOD)
        tables.validate(TABLES[name], frame)
        assert len(frame) or name == "rejects", name
    for name in ("phases", "sessions", "exclusions", "ledger"):
        tables.validate(TABLES[name], tables.read(tables.path(results, name), name))
    assert not [path for path in results.rglob("*") if "partial" in path.name]
    for name in SESSION_TABLES:
        assert not tables.path(results, name, BAD).parent.exists()


def test_aligned_has_a_column_for_each_channel(ran: tuple[Path, int, str]) -> None:
    stored = parquet.read_schema(tables.path(ran[0] / "results", "aligned", GOOD))
    for channel in ("heart_ecg", "trunk_x", "wrist_y", "ankle_z", "skin_skin"):
        assert channel in stored.names
        assert f"{channel}_origin" in stored.names
    about = json.loads(stored.metadata[b"nodeday"])
    assert about["table"] == "aligned"


def test_every_ledger_balances(ran: tuple[Path, int, str]) -> None:
    ledger = tables.read(tables.path(ran[0] / "results", "ledger"), "ledger")
    assert {"bytes", "frames", "samples", "beats", "epochs"} <= set(ledger.quantity)
    wrong = ledger[ledger.entered != ledger.accounted]
    assert wrong.empty, wrong.to_string()


def test_lost_samples_are_never_shown_as_measured(ran: tuple[Path, int, str]) -> None:
    study, seen = Study(ran[0]), set()
    for node, kind in study.streams_of(GOOD):
        rows = samples_in(study, GOOD, node.node, kind.stream)
        tables.validate(samples.table_of(kind), rows)
        received = rows.origin.isin(["measured", "recovered"])
        for channel in kind.channels:
            assert (rows[f"{channel.name}_raw"].notna() == received).all()
            assert rows[channel.name][rows.origin == "missing"].isna().all()
        seen |= set(rows.origin.unique())
    assert seen >= {"measured", "missing"}


def test_study_is_a_hive_dataset_that_pandas_reads_alone(ran: tuple[Path, int, str]) -> None:
    epochs = pd.read_parquet(ran[0] / "results" / "epochs")
    assert set(epochs.session) == {GOOD}
    rate = epochs[(epochs.feature == "heart_rate_bpm") & epochs.value.notna()]
    assert rate.value.between(50, 120).all()
    assert (epochs.value.isna() == epochs.reason.notna()).all()


def schema_of(document: str) -> dict[str, object]:
    """The schema that docs/programs.md states."""
    blocks = re.findall(r"(?s)```json\n(.*?)```", (ROOT / "docs" / "programs.md").read_text())
    found = [json.loads(block) for block in blocks]
    return next(each for each in found if each["properties"]["document"] == {"const": document})


def test_a_second_run_does_nothing_and_says_the_same_for_programs(ran: tuple[Path, int, str]) -> None:
    folder, code, _ = ran
    written = tables.path(folder / "results", "epochs", GOOD)
    before = written.stat().st_mtime_ns
    again = nodeday(folder, "run", "--json")
    assert again.returncode == code
    assert written.stat().st_mtime_ns == before
    document = json.loads(again.stdout)  # so nothing else is there
    jsonschema.validate(document, schema_of("nodeday run"))
    assert document["exit_code"] == code
    state = {each["session"]: each["state"] for each in document["sessions"]}
    assert state == {GOOD: "finished", BAD: "stopped", ABSENT: "left_out"}
    good, bad, absent = document["sessions"]
    assert [node["node"] for node in good["nodes"]] == ["heart", "trunk", "wrist", "ankle", "skin"]
    assert Path(good["page"]).is_file()
    assert "are frames of layout beltframe" in bad["why"][0]
    assert Path(bad["log"]) == folder / "results" / "logs" / BAD / "frames.log"
    assert "are frames of layout beltframe" in Path(bad["log"]).read_text()
    assert "no capture at" in absent["why"][0]


def test_the_summary_says_what_to_do(ran: tuple[Path, int, str]) -> None:
    folder, _, text = ran
    lines = text.splitlines()
    assert "1 of 3 sessions finished, 1 stopped, 1 left out." in lines
    assert f"Next: `nodeday check --study {folder}` lists what to put right; then run again." in lines
    progress = [line for line in lines if re.fullmatch(rf"{GOOD}: \w+ done in .* \(\d+ of \d+.*\)", line)]
    # Frames were done before the run that was stopped, and the clock may have been.
    stages = [line.split()[1] for line in progress]
    assert stages[-3:] == ["repair", "features", "report"]
    assert set(stages[:-3]) in ({"loss", "clock"}, {"loss"}, {"clock"})


def test_a_page_that_cannot_be_drawn_stops_its_session(ran: tuple[Path, int, str], tmp_path: Path) -> None:
    """Its tables are there, but something stands where the page is to be written."""
    folder = tmp_path / "s"
    shutil.copytree(ran[0], folder)
    (folder / "results" / "report" / f"{GOOD}.html").unlink()
    (folder / "results" / "report" / f".{GOOD}.html.partial").mkdir()
    done = nodeday(folder, "run", "--json")
    good = json.loads(done.stdout)["sessions"][0]
    assert (good["state"], good["page"], good["nodes"]) == ("stopped", None, [])
    assert len(good["why"]) == 1
    assert good["log"] == str(folder / "results" / "logs" / GOOD / "report.log")


def test_plain_snakemake_finds_nothing_left_to_do(ran: tuple[Path, int, str]) -> None:
    """From the study's folder, with the workflow engine's own command and the good session alone."""
    folder = ran[0]
    command = [sys.executable, "-m", "snakemake", "--dry-run", "--cores", "2", "--config", f"only={GOOD}"]
    environment = {**os.environ, "PATH": f"{Path(sys.executable).parent}:{os.environ['PATH']}"}
    done = subprocess.run(command, cwd=folder, capture_output=True, text=True, check=False, env=environment)
    assert done.returncode == 0, done.stdout + done.stderr
    assert "Nothing to be done" in done.stdout + done.stderr


def test_status_says_how_far_each_session_is(ran: tuple[Path, int, str]) -> None:
    folder, _, _ = ran
    asked = nodeday(folder, "status", "--json")
    assert asked.returncode == errors.GOOD, asked.stderr
    document = json.loads(asked.stdout)
    jsonschema.validate(document, schema_of("nodeday status"))
    found = {each["session"]: each for each in document["sessions"]}
    assert set(found) == {GOOD, BAD, ABSENT}
    assert set(found[GOOD]["stages"].values()) == {"done"}
    assert found[GOOD]["why"] == []
    assert set(found[BAD]["stages"].values()) == set(found[ABSENT]["stages"].values()) == {"to do"}
    assert "are frames of layout beltframe" in found[BAD]["why"][0]
    assert "no capture at" in found[ABSENT]["why"][0]
    text = nodeday(folder, "status").stdout
    assert text.splitlines()[-1] == "2 of 3 sessions cannot go on: see above."


def test_a_stage_that_the_engine_has_no_record_of_is_done(ran: tuple[Path, int, str], tmp_path: Path) -> None:
    """So it is where a stage comes to its end as its run is stopped."""
    folder = tmp_path / "s"
    shutil.copytree(ran[0], folder)
    records = [
        path
        for path in (folder / ".snakemake" / "metadata").iterdir()
        if json.loads(path.read_text())["rule"] == "clock"
    ]
    assert records
    for path in records:
        path.unlink()
    document = json.loads(nodeday(folder, "status", "--json").stdout)
    assert set(document["sessions"][0]["stages"].values()) == {"done"}


def test_a_capture_that_changed_since_is_refused(ran: tuple[Path, int, str]) -> None:
    folder = ran[0]
    capture = folder / "captures" / f"{GOOD}.bin"
    original = capture.read_bytes()
    try:
        capture.write_bytes(original + b"\0")
        done = nodeday(folder, "stage", "frames", GOOD)
    finally:
        capture.write_bytes(original)
    assert done.returncode == errors.CONTRACT
    assert "differs from the one first decoded" in done.stderr
