"""Hashes of files, known for as long as nothing touched the file.

Hashing reads every byte, some 25 GB of thirty days: the manifest would take several times as long as all else
that one changed session takes. So a file whose inode, size and times are those of the last time is not read
again, and what a session's stages wrote is hashed once they are done, while it is still in memory.
`nodeday verify` believes none of this: it reads every byte.
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
    """That of one file."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def of_files(paths: Sequence[Path]) -> list[str]:
    """Those of files, each from its bytes."""
    with ThreadPoolExecutor() as pool:  # hashing lets other threads work
        return list(pool.map(sha256, paths))


def run(study: Study, session: str) -> None:
    """Hash what the stages of a session have read and written, for the manifest to come."""
    kept = Kept(study.results / FOLDER / f"{session}.json")
    kept([study.root / path for path in rule_files.captures(study, session)])
    kept(sorted(path for path in study.results.glob(f"*/session={session}/*") if path.name[0] != "."))
    kept.keep()


class Kept:
    """The same, but for files that are as they were when ``place``, or one of ``others``, was written."""

    def __init__(self, place: Path, *others: Path) -> None:
        self._place, self._before, self._now = place, dict[str, str](), dict[str, str]()
        for each in (place, *others):
            try:
                held = json.loads(each.read_text(encoding="utf-8"))
                self._before |= {str(mark): str(digest) for mark, digest in held.items()}
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
        """Write down what was asked for, for the next time."""
        atomic.write_text(self._place, json.dumps(self._now))


def _mark(path: Path) -> str:
    stat = path.stat()
    return f"{path.name} {stat.st_dev} {stat.st_ino} {stat.st_size} {stat.st_mtime_ns} {stat.st_ctime_ns}"
