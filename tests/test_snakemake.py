"""What the workflow relies on in Snakemake: its locks, its cores, and how jobs end."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import psutil
import pytest
from snakemake.exceptions import WorkflowError
from snakemake.scheduling.job_scheduler import JobScheduler

from nodeday.core.errors import SettingsError
from nodeday.engine import locks
from nodeday.engine.interrupts import ending_jobs
from nodeday.engine.snakemake_private import LOCKS, cores_of

SNAKEFILE = """
from nodeday.engine.snakemake_private import cores_of
print("cores:", cores_of(workflow), file=sys.stderr)
rule made:
    output: "made"
    shell: "touch begun; sleep $SECONDS_OF_WORK; touch {output}"
"""


def snakemake(folder: Path, *options: str, seconds: float = 0.0) -> subprocess.Popen[str]:
    (folder / "Snakefile").write_text(SNAKEFILE)
    command = [sys.executable, "-m", "snakemake", "--cores", "3", *options]
    return subprocess.Popen(
        command,
        cwd=folder,
        env={**os.environ, "SECONDS_OF_WORK": str(seconds)},
        text=True,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        start_new_session=True,
    )


def test_a_killed_engine_leaves_its_locks_where_a_run_takes_them_away(tmp_path: Path) -> None:
    """The folder of locks is private to the engine: here a real one makes it, dies, and is in the way."""
    engine = snakemake(tmp_path, seconds=60)
    give_up = time.monotonic() + 60
    while not (tmp_path / "begun").exists():
        assert engine.poll() is None, engine.communicate()[0]
        assert time.monotonic() < give_up
        time.sleep(0.05)
    os.killpg(engine.pid, signal.SIGKILL)
    engine.communicate()
    assert any((tmp_path / LOCKS).iterdir())

    refused = snakemake(tmp_path)
    assert "Directory cannot be locked" in refused.communicate()[0]
    assert refused.returncode != 0

    with locks.run_alone(tmp_path):
        assert not (tmp_path / LOCKS).exists()
    again = snakemake(tmp_path, "--rerun-incomplete")
    text = again.communicate()[0]
    assert again.returncode == 0, text
    assert (tmp_path / "made").exists()


@pytest.mark.parametrize(("options", "cores"), [((), "3"), (("--mode", "remote"), "None")])
def test_cores_are_those_of_the_engine_and_not_of_a_node(
    tmp_path: Path, options: tuple[str, ...], cores: str
) -> None:
    """A job on a cluster reads the Snakefile in the mode `remote`."""
    text = snakemake(tmp_path, "--dry-run", *options).communicate()[0]
    assert f"cores: {cores}" in text


def test_an_engine_that_runs_no_jobs_has_no_cores() -> None:
    class Workflow:
        remote_exec = False

        @property
        def cores(self) -> int:
            raise WorkflowError("Workflow requires a total number of cores to be defined")

    assert cores_of(Workflow()) is None


NAP = "import time; print(flush=True); time.sleep(60)"


@contextmanager
def at_work(command: list[str]) -> Iterator[subprocess.Popen[bytes]]:
    """A process that has printed its first line; ended in any case."""
    with subprocess.Popen(command, stdout=subprocess.PIPE) as process:
        try:
            assert process.stdout
            assert process.stdout.readline()
            yield process
        finally:
            process.kill()


def interrupted(jobs: list[psutil.Process]) -> None:
    """Ctrl-C with a job at work: the engine is asked to stop, job and block end."""
    command, asked = ["bash", "-c", f"{sys.executable} -c '{NAP}'; true"], threading.Event()

    def exit_gracefully(*_: object) -> None:  # named as the engine's, see snakemake_private.stopper
        asked.set()

    with ending_jobs(), at_work(command) as job:
        signal.signal(signal.SIGTERM, exit_gracefully)
        jobs += [psutil.Process(job.pid), *psutil.Process(job.pid).children(recursive=True)]
        os.kill(os.getpid(), signal.SIGINT)
        assert job.wait(30) == -signal.SIGTERM
        assert asked.wait(30)


def test_ctrl_c_ends_the_jobs_of_the_run_and_no_other_process() -> None:
    jobs: list[psutil.Process] = []
    with at_work([sys.executable, "-c", NAP]) as other:
        with pytest.raises(KeyboardInterrupt):
            interrupted(jobs)
        assert len(jobs) == 2
        assert not psutil.wait_procs(jobs, timeout=10)[1]
        assert other.poll() is None
    assert signal.getsignal(signal.SIGINT) is signal.default_int_handler
    assert signal.getsignal(signal.SIGTERM) is signal.SIG_DFL


def test_ctrl_c_while_jobs_are_planned_ends_at_once() -> None:
    with pytest.raises(KeyboardInterrupt), ending_jobs():
        os.kill(os.getpid(), signal.SIGINT)


def test_a_run_that_was_started_with_ctrl_c_ignored_goes_on() -> None:
    """As in the background of a script."""
    before = signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        with ending_jobs(), at_work([sys.executable, "-c", NAP]) as job:
            os.kill(os.getpid(), signal.SIGINT)
            assert job.poll() is None
        assert signal.getsignal(signal.SIGINT) is signal.SIG_IGN
    finally:
        signal.signal(signal.SIGINT, before)


def test_the_engine_has_a_way_to_stop() -> None:
    assert callable(JobScheduler.exit_gracefully)


def test_a_block_that_nobody_interrupts_ends_nothing() -> None:
    with ending_jobs():
        job = subprocess.Popen(["sleep", "60"])
    assert job.poll() is None
    job.kill()
    job.wait()


def test_a_folder_that_an_engine_works_in_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(locks, "WAIT_S", 0.2)
    (tmp_path / LOCKS).mkdir(parents=True)
    (tmp_path / LOCKS / "0.input.lock").write_text("captures/S1.bin\n")
    program = (
        "import sys, time; from pathlib import Path; from nodeday.engine import locks\n"
        "locks.share(Path(sys.argv[1])); print(flush=True); time.sleep(60)"
    )
    with (
        at_work([sys.executable, "-c", program, str(tmp_path)]),
        pytest.raises(SettingsError, match="still at work"),
        locks.run_alone(tmp_path),
    ):
        pass
    with locks.run_alone(tmp_path):
        assert not (tmp_path / LOCKS).exists()
