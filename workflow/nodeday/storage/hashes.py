"""Hashes of a study's files, kept until a file changes.

Hashing reads every byte, some 25 GB for thirty days. So beside each hash stands a mark of its file: inode,
size and times. A file whose mark is the same is not read again. `nodeday verify` uses no kept hash.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from nodeday.core import atomic

FOLDER = ".hashes"
"""Folder in the results with the kept hashes: of each session, of the study, and of what people gave it."""
INPUTS, STUDY = "inputs", "study"
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


def mark(path: Path) -> str:
    """Return what changes with every change of a file; raise FileNotFoundError where there is none.

    The time of the last change of status cannot be put back, as the time of modification can.
    """
    stat = path.stat()
    return f"{stat.st_ino} {stat.st_size} {stat.st_mtime_ns} {stat.st_ctime_ns}"


def name_of(path: Path, root: Path) -> str:
    """Return the path of a file from the folder of a study; its full path where it lies elsewhere."""
    return (path.relative_to(root) if path.is_relative_to(root) else path).as_posix()


class KeptHashes:
    """Hashes of files of the study at ``root`` that read a file only if it changed since :meth:`keep`."""

    def __init__(self, root: Path) -> None:
        self._root = root
        self._known: dict[str, dict[str, list[str]]] = {}
        self._changed: set[str] = set()

    def __call__(self, paths: Sequence[Path]) -> list[str]:
        """Return the SHA-256 of each file; raise FileNotFoundError where one is absent."""
        names = [name_of(path, self._root) for path in paths]
        scopes = [self._scope(_scope_of(name)) for name in names]
        marks = [mark(path) for path in paths]
        anew = [
            at
            for at, (name, known) in enumerate(zip(names, scopes, strict=True))
            if known.get(name, [""])[0] != marks[at]
        ]
        for at, digest in zip(anew, of_files([paths[at] for at in anew]), strict=True):
            scopes[at][names[at]] = [marks[at], digest]
            self._changed.add(_scope_of(names[at]))
        return [known[name][1] for name, known in zip(names, scopes, strict=True)]

    def _scope(self, scope: str) -> dict[str, list[str]]:
        if scope not in self._known:
            self._known[scope] = _load(self._file(scope))
        return self._known[scope]

    def _file(self, scope: str) -> Path:
        return self._root / "results" / FOLDER / f"{scope}.json"

    def keep(self, inputs: bool = True) -> None:
        """Write what was read anew, for the next time; of files outside the results only with ``inputs``."""
        for scope in sorted(self._changed - (set() if inputs else {INPUTS})):
            atomic.write_text(self._file(scope), json.dumps(self._known[scope], sort_keys=True))
        self._changed.clear()


def _scope_of(name: str) -> str:
    """Return which record keeps the hash of a file: that of its session, of the study, or of the inputs."""
    parts = name.split("/")
    if parts[0] != "results":
        return INPUTS
    return next((part for part in parts if part.startswith("session=")), STUDY)


def _load(file: Path) -> dict[str, list[str]]:
    """Return kept hashes by path; none where there are none, or none that this module wrote."""
    try:
        kept = json.loads(file.read_text(encoding="utf-8"))
        return {str(name): [str(known), str(digest)] for name, (known, digest) in kept.items()}
    except (OSError, ValueError, AttributeError, TypeError):
        return {}
