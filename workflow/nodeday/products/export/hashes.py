"""Hashes of files, kept until the file changes.

Hashing reads every byte, some 25 GB for thirty days: the manifest would take several times as long as all
other work after a change of one session. So a file whose inode, size and times are unchanged is not read
again, and what the stages of a session wrote is hashed as soon as they are done, while it is in memory.
`nodeday verify` uses no kept hash: it reads every byte.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from nodeday.config.study import Study
from nodeday.core import atomic
from nodeday.engine import rule_files

NAME, FOLDER = ".hashes.json", ".hashes"
Hashed = Callable[[Sequence[Path]], list[str]]
"""SHA-256 of files, in hexadecimal digits."""


def sha256(path: Path) -> str:
    """Return the SHA-256 of one file."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def of_files(paths: Sequence[Path]) -> list[str]:
    """Return the SHA-256 of each file, read anew."""
    with ThreadPoolExecutor() as pool:  # hashing lets other threads work
        return list(pool.map(sha256, paths))


def run(study: Study, session: str) -> None:
    """Hash what the stages of a session have read and written, for the manifest that comes later."""
    kept = Kept(study.results / FOLDER / f"{session}.json")
    kept([study.root / path for path in rule_files.captures(study, session)])
    kept(sorted(path for path in study.results.glob(f"*/session={session}/*") if path.name[0] != "."))
    kept.keep()


class Kept:
    """Hashes of files that read a file only if it changed since ``record`` or one of ``others`` was kept."""

    def __init__(self, record: Path, *others: Path) -> None:
        self._record, self._before, self._now = record, dict[str, str](), dict[str, str]()
        for path in (record, *others):
            try:
                kept = json.loads(path.read_text(encoding="utf-8"))
                self._before |= {str(mark): str(digest) for mark, digest in kept.items()}
            except (OSError, ValueError, AttributeError):  # none yet, or none that this wrote
                continue

    def __call__(self, paths: Sequence[Path]) -> list[str]:
        marks = [_mark(path) for path in paths]
        known = self._before | self._now
        anew = [(mark, path) for mark, path in zip(marks, paths, strict=True) if mark not in known]
        known |= zip((mark for mark, _ in anew), of_files([path for _, path in anew]), strict=True)
        self._now |= {mark: known[mark] for mark in marks}
        return [known[mark] for mark in marks]

    def keep(self) -> None:
        """Write the hashes that were asked for, for the next time."""
        atomic.write_text(self._record, json.dumps(self._now))


def _mark(path: Path) -> str:
    stat = path.stat()
    return f"{path.name} {stat.st_dev} {stat.st_ino} {stat.st_size} {stat.st_mtime_ns} {stat.st_ctime_ns}"
