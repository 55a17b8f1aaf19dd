"""The same Snakefile under a real SLURM: what a local run gives, byte for byte, whatever happens on the way.

Its name keeps it out of `make test`; `make test-cluster` runs it, where SLURM is installed.
"""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from conftest import simulated
from slurm import slurm, why_not

from nodeday.core.paths import PROJECT, SNAKEFILE
from nodeday.storage import hashes, inventory

SESSIONS = ("S01-clean", "S02-lossy", "S03-mess")
SCENARIO = "seed: 11\nsessions:\n" + "".join(
    f"""
  {name}:
    start: 2026-07-{day}T06:00:00Z
    phases: [{{phase: rest, minutes: 1, bpm: 64}}, {{phase: harvest, minutes: 1, bpm: 96, gait: 0.5}}]
    channel: {{loss: 0.03, burst: 3}}
"""
    for name, day in zip(SESSIONS, (14, 15, 16), strict=True)
)
PATIENCE_S = 600


@pytest.fixture(scope="module")
def cluster() -> Iterator[None]:
    if reason := why_not():
        pytest.skip(reason)
    pytest.importorskip("snakemake_executor_plugin_slurm", reason="the extra `slurm` is not installed")
    with slurm():
        yield


@pytest.fixture(scope="module")
def local(tmp_path_factory: pytest.TempPathFactory, cluster: None) -> Path:
    """A study of three sessions, as one machine makes it."""
    folder = simulated(tmp_path_factory.mktemp("cluster") / "local", SCENARIO)
    (folder / "config" / "scenario.yaml").unlink()  # from here on the captures are recorded ones
    done = snakemake(folder, "--cores", "2").communicate()[0]
    assert (folder / "results" / "report" / "index.html").exists(), done
    return folder


@pytest.fixture
def study(local: Path, tmp_path: Path) -> Path:
    """The same study before anything was made of it."""
    shutil.copytree(local, tmp_path / "study", ignore=shutil.ignore_patterns("results", ".snakemake"))
    return tmp_path / "study"


def snakemake(folder: Path, *options: str) -> subprocess.Popen[str]:
    command = [sys.executable, "-m", "snakemake", "--snakefile", str(SNAKEFILE), *options]
    return subprocess.Popen(
        command,
        cwd=folder,
        text=True,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        stdin=subprocess.DEVNULL,
    )


def on_cluster(folder: Path) -> subprocess.Popen[str]:
    """The profile as it is; with shorter waits, and for a SLURM that keeps no accounts."""
    return snakemake(
        folder,
        "--workflow-profile",
        str(PROJECT / "workflow" / "profiles" / "slurm"),
        "--latency-wait",
        "5",
        "--slurm-no-account",
        "--slurm-status-command",
        "squeue",
        "--slurm-init-seconds-before-status-checks",
        "5",
    )


def finish(run: subprocess.Popen[str]) -> str:
    printed = run.communicate(timeout=PATIENCE_S)[0]
    assert run.returncode == 0, printed
    return printed


def submissions(folder: Path) -> list[dict[str, str]]:
    """What was submitted from ``folder`` so far, ended or not, in order."""
    fields = {"id": "%A", "state": "%T", "memory": "%m", "about": "%k", "folder": "%Z"}
    command = ["squeue", "--states=all", "--noheader", "--sort=i", f"--format={'|'.join(fields.values())}"]
    lines = subprocess.run(command, capture_output=True, text=True, check=True).stdout.splitlines()
    rows = [dict(zip(fields, line.split("|"), strict=True)) for line in lines]
    return [row for row in rows if Path(row["folder"]) == folder]


def results(folder: Path) -> dict[str, bytes]:
    """Every file that the chain made, but logs, benchmarks and what holds the inodes of files."""
    root = folder / "results"
    left_out = {*inventory.UNSEALED, hashes.NAME, hashes.FOLDER}
    paths = [
        path
        for path in root.rglob("*")
        if path.is_file() and not left_out & set(path.relative_to(root).parts)
    ]
    return {str(path.relative_to(root)): path.read_bytes() for path in paths}


def same(study: Path, local: Path) -> None:
    made, expected = results(study), results(local)
    assert made.keys() == expected.keys()
    assert [name for name in made if made[name] != expected[name]] == []


def until(what: Callable[[], object], run: subprocess.Popen[str]) -> None:
    """Wait for ``what`` while ``run`` is at work."""
    give_up = time.monotonic() + PATIENCE_S
    while not what():
        assert run.poll() is None, run.communicate()[0]
        assert time.monotonic() < give_up
        time.sleep(0.05)


def stages_at_work(folder: Path) -> list[int]:
    """Processes of stages of one session of the study in ``folder``."""
    found = []
    for each in Path("/proc").iterdir():
        try:
            words = (each / "cmdline").read_bytes().split(b"\0")
            here = (each / "cwd").resolve() == folder
        except OSError:  # not a process, or no more
            continue
        if here and b"stage" in words and b"python" in words[0]:
            found.append(int(each.name))
    return found


def test_a_session_is_one_submission_and_results_are_those_of_a_local_run(study: Path, local: Path) -> None:
    printed = finish(on_cluster(study))
    same(study, local)
    done = submissions(study)
    assert {row["state"] for row in done} == {"COMPLETED"}, printed
    of_sessions = [row["about"] for row in done if "session" in row["about"]]
    assert len(of_sessions) == len(SESSIONS), done
    assert len(done) == len(SESSIONS) + len(["study", "index", "dataset"]) + len(SESSIONS), done


def test_a_killed_job_is_tried_again_with_more_memory(study: Path, local: Path) -> None:
    run = on_cluster(study)
    until(lambda: stages_at_work(study), run)
    os.kill(stages_at_work(study)[0], signal.SIGKILL)
    finish(run)
    same(study, local)
    done = [row for row in submissions(study) if "session" in row["about"]]
    failed = [megabytes(row) for row in done if row["state"] == "FAILED"]
    assert len(failed) == 1
    assert [megabytes(row) for row in done] == failed * len(SESSIONS) + [2 * failed[0]]


def test_a_cancelled_run_goes_on_where_it_was(study: Path, local: Path) -> None:
    run = on_cluster(study)
    until(lambda: any(row["state"] == "COMPLETED" for row in submissions(study)), run)
    until(lambda: stages_at_work(study), run)
    run.send_signal(signal.SIGINT)
    run.communicate(timeout=PATIENCE_S)
    assert run.returncode != 0
    assert not (study / "results" / "report" / "index.html").exists()
    finished = {path: path.stat().st_mtime_ns for path in study.glob("results/epochs/*/epochs.parquet")}
    assert 0 < len(finished) < len(SESSIONS)
    finish(on_cluster(study))
    same(study, local)
    assert {path: path.stat().st_mtime_ns for path in finished} == finished


def megabytes(row: dict[str, str]) -> int:
    number, unit = row["memory"][:-1], row["memory"][-1]
    return round(float(number) * {"M": 1, "G": 1024}[unit])
