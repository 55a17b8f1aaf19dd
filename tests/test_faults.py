"""Faults from outside: killed runs and their locks, full and read-only disks, captures that change.

What must hold after each: a sentence, nothing lost, and the same command goes on from where it was.
"""

from __future__ import annotations

import fcntl
import io
import os
import random
import re
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from conftest import FINISHED

from nodeday.cli.main import main
from nodeday.core import atomic, errors
from nodeday.core.errors import ContractError, SettingsError
from nodeday.engine import locks
from nodeday.engine.snakemake_private import LOCKS
from nodeday.stages.frames.containers import PIECE, Unpacker
from nodeday.storage import frames, inventory, tables

SESSION = FINISHED[0]
UNSEALED = (*inventory.UNSEALED, "report")


def contents(folder: Path) -> dict[str, bytes]:
    """Every file of results under its final name; a page says what it was made of, which all tests share."""
    results = folder / "results"
    return {
        path.relative_to(results).as_posix(): path.read_bytes()
        for path in sorted(results.rglob("*"))
        if path.is_file()
        and not any(part.startswith(".") for part in path.relative_to(results).parts)
        and path.relative_to(results).parts[0] not in UNSEALED
    }


def nodeday(folder: Path, *arguments: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "nodeday", *arguments, "--study", str(folder)]
    return subprocess.run(command, capture_output=True, text=True, check=False)


@pytest.fixture
def copy(finished_study: Path, tmp_path: Path) -> Path:
    """The finished study, the workflow's own records included, to be written to."""
    return Path(shutil.copytree(finished_study, tmp_path / "study"))


# --- killed, and its locks -----------------------------------------------------------------


def test_a_killed_run_goes_on_to_the_same_bytes(copy: Path) -> None:
    """The short form of benchmarks/kill.py: killed with all its stages, twice, then run to the end."""
    truth, rng = contents(copy), random.Random(3)
    for table in ("beats", "epochs"):  # gone by hand: both are made anew
        tables.path(copy / "results", table, SESSION).unlink()
    command = [sys.executable, "-m", "nodeday", "run", "--study", str(copy)]
    for _ in range(2):
        process = subprocess.Popen(
            command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, start_new_session=True
        )
        time.sleep(rng.uniform(1.0, 4.0))
        os.killpg(process.pid, signal.SIGKILL)
        process.wait()
        now = contents(copy)
        assert {name: body for name, body in truth.items() if name in now} == now
    done = nodeday(copy, "run")
    assert done.returncode == errors.USAGE, done.stderr  # the third session has no capture
    assert contents(copy) == truth


def test_locks_of_a_dead_run_are_taken_away(copy: Path) -> None:
    folder = copy / LOCKS
    folder.mkdir(exist_ok=True)
    (folder / "0.output.lock").write_text("results/epochs/session=S01-clean/epochs.parquet\n")
    (copy / "results" / locks.RUN).write_text("process 1 on another-machine\n")
    with locks.run_alone(copy):
        assert not folder.exists()


def _holder(file: Path, how: int) -> Iterator[None]:
    with file.open("a") as held:
        fcntl.flock(held, how)
        yield


@pytest.mark.parametrize(
    ("file", "how", "sentence"),
    [
        (locks.RUN, fcntl.LOCK_EX, "another run is at work on this study (process 7 on bench)"),
        (locks.STAGES, fcntl.LOCK_SH, "a workflow, or a stage that an earlier run began, is still at work"),
    ],
)
def test_locks_of_a_living_one_stay(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, file: str, how: int, sentence: str
) -> None:
    monkeypatch.setattr(locks, "WAIT_S", 0.2)
    lock = tmp_path / LOCKS / "0.input.lock"
    lock.parent.mkdir(parents=True)
    lock.write_text("captures/S1.bin\n")
    (tmp_path / "results").mkdir()
    (tmp_path / "results" / file).write_text("process 7 on bench\n")
    for _ in _holder(tmp_path / "results" / file, how):
        with pytest.raises(SettingsError, match=re.escape(sentence)), locks.run_alone(tmp_path):
            pass
        assert lock.exists()
    with locks.run_alone(tmp_path):  # it has ended
        assert not lock.exists()


def test_a_living_process_is_left_alone_by_the_command(copy: Path) -> None:
    """A real run beside one that another process holds: refused at once, nothing touched."""
    program = (
        "import sys, time; from pathlib import Path; from nodeday.engine import locks\n"
        "with locks.run_alone(Path(sys.argv[1])):\n    print('here', flush=True); time.sleep(60)"
    )
    with subprocess.Popen([sys.executable, "-c", program, str(copy)], stdout=subprocess.PIPE) as owner:
        try:
            assert owner.stdout is not None
            assert owner.stdout.readline() == b"here\n"
            done = nodeday(copy, "run")
        finally:
            owner.kill()
    assert done.returncode == errors.USAGE
    assert f"another run is at work on this study (process {owner.pid} on " in done.stderr
    with locks.run_alone(copy):  # killed: the lock went with it
        pass


def test_a_note_of_an_earlier_run_does_not_stay(copy: Path) -> None:
    """A session that is complete again needs no stage, so no stage would take its old note away."""
    note = copy / "results" / "failed" / f"{SESSION}.txt"
    note.parent.mkdir(exist_ok=True)
    note.write_text("session S01-clean: no capture at captures/S01-clean.bin.\n")
    done = nodeday(copy, "run")
    assert f"session {SESSION} stopped" not in done.stderr
    assert not note.exists()


def test_whoever_fails_in_the_middle_leaves_the_old_file(tmp_path: Path) -> None:
    target = tmp_path / "a" / "page.html"
    atomic.write_text(target, "old")

    def fail() -> None:
        with atomic.replacing(target) as partial:
            partial.write_text("half of the ne")
            raise OSError(28, "No space left on device")

    with pytest.raises(OSError, match="No space left") as raised:
        fail()
    assert raised.value.filename == str(target)
    assert target.read_text() == "old"
    assert [path.name for path in target.parent.iterdir()] == ["page.html"]


# --- disks ---------------------------------------------------------------------------------


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Callable[[str], Path]]:
    """Mounts a disk in memory where results go, and changes its options."""
    results = tmp_path / "study" / "results"

    def mount(options: str) -> Path:
        again = ["remount"] if os.path.ismount(results) else []
        results.mkdir(parents=True, exist_ok=True)
        command = ["mount", "-t", "tmpfs", "-o", ",".join([*again, options]), "tmpfs", str(results)]
        done = subprocess.run(command, capture_output=True, text=True, check=False)
        if done.returncode:
            pytest.skip(f"no disk can be mounted here: {done.stderr.strip()}")
        return results.parent

    try:
        yield mount
    finally:
        if os.path.ismount(results):
            subprocess.run(["umount", "-l", str(results)], check=True)


def _with_settings(finished_study: Path, folder: Path) -> Path:
    for part in ("config", "captures"):
        shutil.copytree(finished_study / part, folder / part)
    return folder


@pytest.mark.skipif(shutil.which("mount") is None, reason="no mount on this machine")
def test_a_full_disk_gives_a_sentence_and_nothing_is_lost(
    finished_study: Path, small_disk: Callable[[str], Path], capsys: pytest.CaptureFixture[str]
) -> None:
    folder = _with_settings(finished_study, small_disk("size=120k"))
    stage = ["stage", "frames", SESSION, "--study", str(folder)]
    assert main(stage) == errors.USAGE
    told = capsys.readouterr().err
    place = rf"nodeday: {folder}/results/(frames|rejects)/session={SESSION}/[a-z.]+.parquet: "
    assert re.match(place + "the system says: no space left on device; expected", told)
    assert "Make room on the disk" in told
    assert "Traceback" not in told
    assert not [path for path in (folder / "results" / "frames").rglob("*.parquet")]
    small_disk("size=50m")
    assert main(stage) == errors.GOOD
    made = frames.path(folder / "results", SESSION, ("heart", "ecg"))
    assert (
        made.read_bytes() == frames.path(finished_study / "results", SESSION, ("heart", "ecg")).read_bytes()
    )
    assert not (folder / "results" / "failed" / f"{SESSION}.txt").exists()


@pytest.mark.skipif(shutil.which("mount") is None, reason="no mount on this machine")
def test_results_that_cannot_be_written(
    finished_study: Path, small_disk: Callable[[str], Path], capsys: pytest.CaptureFixture[str]
) -> None:
    folder = _with_settings(finished_study, small_disk("size=50m"))
    small_disk("ro,size=50m")
    for command in (["stage", "frames", SESSION], ["run"]):
        assert main([*command, "--study", str(folder)]) == errors.USAGE
        printed = capsys.readouterr().err.strip().splitlines()[-1]
        assert (
            "the system says: read-only file system; expected a file that can be read or written" in printed
        )
    assert main(["check", "--study", str(folder)]) == errors.USAGE  # the third session has no capture
    assert f"{SESSION}: ready" in capsys.readouterr().out


# --- captures that will not hold still -----------------------------------------------------


class _Share(io.RawIOBase):
    """A file on a share: a read gives at most a few bytes, and past ``most`` in all nothing."""

    def __init__(self, path: Path, most: int, seed: int) -> None:
        self.name, self._file, self._most = str(path), io.FileIO(path), most
        self._rng = random.Random(seed)

    def readable(self) -> bool:
        return True

    def close(self) -> None:
        self._file.close()
        super().close()

    def seekable(self) -> bool:
        return True

    def seek(self, offset: int, whence: int = 0) -> int:
        return self._file.seek(offset, whence)

    def readinto(self, buffer: memoryview) -> int:  # type: ignore[override]
        size = min(len(buffer), self._rng.randint(1, 5000), max(self._most - self._file.tell(), 0))
        data = self._file.read(size)
        buffer[: len(data)] = data
        return len(data)


@pytest.fixture
def capture(tmp_path: Path) -> Path:
    path = tmp_path / "S1.bin"
    path.write_bytes(random.Random(1).randbytes(3 * PIECE + 5))
    return path


def _on_a_share(monkeypatch: pytest.MonkeyPatch, most: int) -> None:
    def opened(path: Path, mode: str = "r") -> io.BufferedReader:
        assert mode == "rb"
        return io.BufferedReader(_Share(path, most, 5), 4096)

    monkeypatch.setattr(Path, "open", opened)


def test_short_reads_of_a_share_are_the_same_bytes(capture: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    truth = capture.read_bytes()
    plain = Unpacker([capture])
    assert b"".join(plain.pieces()) == truth
    _on_a_share(monkeypatch, 1 << 40)
    shared = Unpacker([capture])
    assert b"".join(shared.pieces()) == truth
    assert shared.facts == plain.facts


def test_a_share_that_lets_go_gives_a_sentence(capture: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    _on_a_share(monkeypatch, 2 * PIECE)
    with pytest.raises(ContractError) as raised:
        b"".join(Unpacker([capture]).pieces())
    assert str(raised.value) == (
        f"{capture}: gave {2 * PIECE} of its {3 * PIECE + 5} bytes; expected a capture that is finished and "
        "can be read to its end. Run again once nothing writes it any more."
    )


@pytest.mark.parametrize("how", ["grows", "changes", "shrinks"])
def test_a_capture_that_changes_while_it_is_read(capture: Path, how: str) -> None:
    source = Unpacker([capture])
    pieces = source.pieces()
    next(pieces)
    if how == "grows":
        with capture.open("ab") as file:
            file.write(b"more")
    elif how == "shrinks":
        os.truncate(capture, 2 * PIECE)
    else:
        with capture.open("r+b") as file:
            file.write(b"other")
        os.utime(capture, ns=(1, 1))
    with pytest.raises(ContractError, match=rf"read, from {3 * PIECE + 5} to \d+ bytes"):
        b"".join(pieces)


def test_nothing_of_a_changing_capture_is_kept(
    finished_study: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Through the stage: the logger still writes. No table appears, and the next run decodes all of it."""
    folder = _with_settings(finished_study, tmp_path)
    capture = folder / "captures" / f"{SESSION}.bin"
    stage = ["stage", "frames", SESSION, "--study", str(folder)]
    content, pieces = capture.read_bytes(), Unpacker.pieces
    capture.write_bytes(content[:-5000])

    def growing(self: Unpacker) -> Iterator[bytes]:
        for piece in pieces(self):
            yield piece
            capture.write_bytes(content)

    monkeypatch.setattr(Unpacker, "pieces", growing)
    assert main(stage) == errors.CONTRACT
    assert "changed while it was read" in capsys.readouterr().err
    assert not list((folder / "results").rglob("*.parquet*"))
    assert not (folder / "results" / "captures").exists()
    monkeypatch.undo()
    assert main(stage) == errors.GOOD


@pytest.mark.parametrize(("number", "words"), [(5, "input/output error"), (13, "permission denied")])
def test_a_capture_that_cannot_be_read(
    study_folder: Callable[..., Path],
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    number: int,
    words: str,
) -> None:
    folder = study_folder()
    truth = Path.open

    def opened(path: Path, mode: str = "r", *more: object, **others: object) -> object:
        if path.suffix == ".bin":
            raise OSError(number, os.strerror(number), str(path))
        return truth(path, mode, *more, **others)  # type: ignore[arg-type]

    monkeypatch.setattr(Path, "open", opened)
    assert main(["stage", "frames", "S1", "--study", str(folder)]) == errors.USAGE
    printed = capsys.readouterr().err
    assert printed.startswith(f"nodeday: {folder}/captures/S1.bin: the system says: {words}; expected")
    assert printed.count("\n") == 1
    assert not list((folder / "results").rglob("*.parquet*"))


def test_a_pipe_in_the_place_of_a_capture_is_no_capture(
    study_folder: Callable[..., Path], capsys: pytest.CaptureFixture[str]
) -> None:
    """It would be waited for without an end."""
    folder = study_folder()
    (folder / "captures" / "S1.bin").unlink()
    os.mkfifo(folder / "captures" / "S1.bin")
    assert main(["stage", "frames", "S1", "--study", str(folder)]) == errors.USAGE
    assert "no capture at" in capsys.readouterr().err
