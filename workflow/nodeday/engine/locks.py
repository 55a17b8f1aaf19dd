"""Who is at work on a study: locks of the operating system, which end with the process that holds them.

The workflow engine locks a folder by files of its own. These outlive an engine that was killed, and do
not say whose they are. So whoever works on a study holds on to two files in its results as well::

    .run.lock     one `nodeday run`, alone
    .stages.lock   every stage and every reading of the Snakefile, beside each other

A run that finds the engine's locks takes them away where nobody holds on to the second file: then
their owner is dead, and so are its stages. Where somebody does, it says so and leaves all as it is.
A file system that knows no locks of this kind leaves the engine's own to hold runs apart.
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

RUN, STAGES = ".run.lock", ".stages.lock"
WAIT_S = 10.0
"""How long a run waits for readers of the Snakefile, such as `nodeday status`. Choice of this project."""
_UNKNOWN = {errno.ENOLCK, errno.ENOTSUP, errno.ENOSYS, errno.EINVAL}
_shared: dict[Path, int] = {}


@contextmanager
def run_alone(root: Path) -> Iterator[None]:
    """Keep every other run off the study at ``root``, and do away with what a dead one left.

    Raises SettingsError where a living one is at work.
    """
    results = root / "results"
    file = _opened(results / RUN)
    try:
        if not _taken(file, fcntl.LOCK_EX):
            owner = os.pread(file, 100, 0).decode("ascii", "replace").strip()
            raise SettingsError(
                f"another run is at work on this study{owner and f' ({owner})'}",
                str(root),
                remedy="Wait until it has ended, or stop it.",
            )
        os.ftruncate(file, 0)
        os.pwrite(file, f"process {os.getpid()} on {os.uname().nodename}\n".encode(), 0)
        _clear(root)
        yield
    finally:
        _let_go(results)
        os.close(file)


def share(root: Path) -> None:
    """Hold on to the study at ``root`` until this process ends. One that may not write there works on
    nothing, and holds on to nothing.
    """
    results = root / "results"
    try:
        file = _shared.get(results) or _opened(results / STAGES)
    except (OSError, SettingsError):
        return
    _shared[results] = file
    _taken(file, fcntl.LOCK_SH, wait=True)


@contextmanager
def stage(root: Path) -> Iterator[None]:
    """Hold on to the study while a stage is at work."""
    share(root)
    try:
        yield
    finally:
        _let_go(root / "results")


def _clear(root: Path) -> None:
    """Take away the engine's locks where nobody is at work; raise SettingsError where somebody is."""
    locks = root / ".snakemake" / "locks"
    if not locks.is_dir() or not any(locks.iterdir()):
        return
    file = _opened(root / "results" / STAGES)
    try:
        end = time.monotonic() + WAIT_S
        while not _taken(file, fcntl.LOCK_EX):
            if time.monotonic() > end:
                raise SettingsError(
                    "a workflow, or a stage that an earlier run began, is still at work on this study",
                    str(root),
                    remedy="Wait until it has ended, or stop it.",
                )
            time.sleep(0.1)
        shutil.rmtree(locks)
    finally:
        os.close(file)


def _opened(path: Path) -> int:
    path.parent.mkdir(parents=True, exist_ok=True)
    return os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o666)


def _taken(file: int, how: int, *, wait: bool = False) -> bool:
    try:
        fcntl.flock(file, how if wait else how | fcntl.LOCK_NB)
    except OSError as error:
        return error.errno in _UNKNOWN
    return True


def _let_go(results: Path) -> None:
    file = _shared.pop(results, None)
    if file is not None:
        os.close(file)
