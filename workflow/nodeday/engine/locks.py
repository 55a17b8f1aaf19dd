"""Locks on a study: of the operating system, which end with the process that holds them.

The workflow engine locks a folder by files of its own. These outlive an engine that was killed, and do
not say whose they are. So whoever works on a study locks two files in its results as well::

    .run.lock      one `nodeday run`, alone
    .stages.lock   every stage and every reading of the Snakefile, shared

A run that finds the engine's locks takes them away where nobody has locked the second file: then
their owner is dead, and so are its stages. Where somebody has, it says so and leaves all as it is.
On a file system without locks of this kind, the engine's own keep runs apart.
"""

from __future__ import annotations

import errno
import fcntl
import os
import shutil
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from nodeday.core.errors import SettingsError
from nodeday.engine.snakemake_private import LOCKS

RUN, STAGES = ".run.lock", ".stages.lock"
WAIT_S = 10.0
"""How long a run waits for readers of the Snakefile, such as `nodeday status`. Choice of this project."""
_NO_LOCKS = {errno.ENOLCK, errno.ENOTSUP, errno.ENOSYS, errno.EINVAL}
"""Errors of a file system without such locks."""
_shared: dict[Path, int] = {}


@contextmanager
def run_alone(root: Path) -> Iterator[None]:
    """Keep every other run off the study at ``root``, and take away the locks that a dead one left.

    Raises SettingsError where a living one is at work.
    """
    results = root / "results"
    file = _open(results / RUN)
    try:
        if not _lock(file, fcntl.LOCK_EX):
            owner = os.pread(file, 100, 0).decode("ascii", "replace").strip()
            raise SettingsError(
                f"another run is at work on this study{owner and f' ({owner})'}",
                str(root),
                remedy="Wait until it has ended, or stop it.",
            )
        os.ftruncate(file, 0)
        os.pwrite(file, f"process {os.getpid()} on {os.uname().nodename}\n".encode(), 0)
        _remove_dead_locks(root)
        yield
    finally:
        _unlock(results)
        os.close(file)


def share(root: Path) -> None:
    """Share the lock on the study at ``root`` until this process ends.

    A process that may not write there works on nothing, and takes no lock.
    """
    results = root / "results"
    try:
        file = _shared.get(results) or _open(results / STAGES)
    except (OSError, SettingsError):
        return
    _shared[results] = file
    _lock(file, fcntl.LOCK_SH, wait=True)


@contextmanager
def stage(root: Path) -> Iterator[None]:
    """Share the lock on the study while a stage is at work."""
    share(root)
    try:
        yield
    finally:
        _unlock(root / "results")


def _remove_dead_locks(root: Path) -> None:
    """Take away the engine's locks where nobody is at work; raise SettingsError where somebody is."""
    engine_locks = root / LOCKS
    if not engine_locks.is_dir() or not any(engine_locks.iterdir()):
        return
    file = _open(root / "results" / STAGES)
    try:
        end = time.monotonic() + WAIT_S
        while not _lock(file, fcntl.LOCK_EX):
            if time.monotonic() > end:
                raise SettingsError(
                    "a workflow, or a stage that an earlier run began, is still at work on this study",
                    str(root),
                    remedy="Wait until it has ended, or stop it.",
                )
            time.sleep(0.1)
        shutil.rmtree(engine_locks)
    finally:
        os.close(file)


def _open(path: Path) -> int:
    path.parent.mkdir(parents=True, exist_ok=True)
    return os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o666)


def _lock(file: int, how: int, *, wait: bool = False) -> bool:
    """Lock an open file; return False where another process holds it, True where there are no locks."""
    try:
        fcntl.flock(file, how if wait else how | fcntl.LOCK_NB)
    except OSError as error:
        return error.errno in _NO_LOCKS
    return True


def _unlock(results: Path) -> None:
    file = _shared.pop(results, None)
    if file is not None:
        os.close(file)
