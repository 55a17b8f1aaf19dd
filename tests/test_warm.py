"""Jobs forwarded to a process with its libraries imported: the same work, outputs and exit codes."""

from __future__ import annotations

import os
import platform
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from nodeday.cli.commands import run
from nodeday.core.errors import CONTRACT, FAULT, USAGE
from nodeday.engine import prefork


def forwarded(arguments: list[str]) -> int:
    """Exit code of a command that the server process runs, once it listens."""
    for _ in range(600):
        if (code := prefork.forward(arguments)) is not None:
            return code
        time.sleep(0.1)
    raise AssertionError("no server listened within a minute")


def direct(arguments: list[str]) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "nodeday", *arguments]
    return subprocess.run(command, capture_output=True, text=True, check=False)


def test_the_server_knows_nothing_of_the_command_line() -> None:
    """It is given what to run and what to import."""
    assert "nodeday.cli" not in Path(str(prefork.__file__)).read_text()


def test_the_server_runs_other_jobs_of_a_run_too(
    study_folder: Callable[..., Path], capfd: pytest.CaptureFixture[str]
) -> None:
    """It may not have imported yet what they need."""
    arguments = ["export", "package", "--study", str(study_folder())]
    expected = direct(arguments)
    with prefork.stages(run.JOBS):
        assert forwarded(arguments) == expected.returncode == CONTRACT
    assert capfd.readouterr() == (expected.stdout, expected.stderr)


def test_a_forwarded_stage_prints_and_returns_what_a_direct_one_does(
    study_folder: Callable[..., Path], capfd: pytest.CaptureFixture[str]
) -> None:
    folder = study_folder(**{"events.tsv": "session\tphase\tstart\tend\n"})
    (folder / "captures" / "S1.bin").write_bytes(b"no frame " * 1000)
    with prefork.stages(run.JOBS):
        for session, code in (("NONE", USAGE), ("S1", CONTRACT)):
            arguments = ["stage", "frames", session, "--study", str(folder)]
            expected = direct(arguments)
            assert forwarded(arguments) == code == expected.returncode
            assert capfd.readouterr() == (expected.stdout, expected.stderr)
            assert len(expected.stderr.splitlines()) == 1
    assert prefork.ADDRESS not in os.environ


def test_without_a_server_a_stage_runs_itself(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv(prefork.ADDRESS, raising=False)
    assert prefork.forward(["stage", "frames", "S1"]) is None
    monkeypatch.setenv(prefork.ADDRESS, "/nowhere/stages")
    assert prefork.forward(["stage", "frames", "S1"]) is None


def test_a_killed_stage_is_a_fault_with_a_message(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    address = str(tmp_path / "stages")
    monkeypatch.setenv(prefork.ADDRESS, address)
    with socket.socket(socket.AF_UNIX) as listener:
        listener.bind(address)
        listener.listen(1)

        def gone() -> None:
            with listener.accept()[0] as connection:
                connection.recv(1 << 16)

        thread = threading.Thread(target=gone)
        thread.start()
        assert prefork.forward(["stage", "frames", "S1"]) == FAULT
        thread.join()
    assert "the stage was killed" in capsys.readouterr().err


def test_a_fault_in_a_stage_is_not_called_a_kill(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    program = """import sys
from nodeday.engine import prefork
def main(arguments):
    raise RuntimeError("of ours") if arguments[0] == "stage" else SystemExit(2)
prefork.serve(sys.argv[1], main, [])
"""
    address = str(tmp_path / "stages")
    monkeypatch.setenv(prefork.ADDRESS, address)
    command = [sys.executable, "-c", program, address]
    with subprocess.Popen(command, stdin=subprocess.PIPE) as server:
        assert forwarded(["stage", "frames", "S1"]) == FAULT
        assert forwarded(["unknown"]) == USAGE
        assert server.stdin
        server.stdin.close()
    said = capfd.readouterr().err
    assert "RuntimeError: of ours" in said
    assert "killed" not in said


def test_memory_that_is_free_stays_with_the_process() -> None:
    """Arrays of 4 MB, made and dropped: their pages come from the system once, or each time (mallopt(3))."""
    if platform.libc_ver()[0] != "glibc":
        pytest.skip("another C library than glibc hands memory back by rules of its own")
    program = """
import resource, sys
import numpy as np
from nodeday.core import malloc
if sys.argv[1] == "keep":
    malloc.keep()
def faults():
    return resource.getrusage(resource.RUSAGE_SELF).ru_minflt
np.ones(1 << 19), np.ones(1 << 19)
before = faults()
for _ in range(50):
    one = np.ones(1 << 19)
    two = one + 1
    del one, two
print(faults() - before)
"""
    kept, freed = (
        int(subprocess.check_output([sys.executable, "-c", program, how])) for how in ("keep", "free")
    )
    assert kept < 5 * 2048 < freed  # a page is 4 KiB


def test_the_process_ends_with_the_run() -> None:
    before = set(children())
    with prefork.stages(run.JOBS):
        started = set(children()) - before
        assert len(started) == 1
    assert not started & set(children())


def children() -> list[int]:
    tasks = Path(f"/proc/{os.getpid()}/task").glob("*/children")
    if not (files := list(tasks)):
        pytest.skip("the system does not list a process's children")
    return [int(number) for file in files for number in file.read_text().split()]
