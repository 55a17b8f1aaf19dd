"""Check of files against the manifest beside them: a study, its results alone, or a copy for sharing."""

from __future__ import annotations

import json
from collections.abc import Iterable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import partial
from pathlib import Path, PurePosixPath
from typing import Any

from nodeday import __version__
from nodeday.core.errors import ContractError
from nodeday.engine import digests
from nodeday.products.export.manifest import NAME
from nodeday.storage import inventory
from nodeday.storage.hashes import sha256

RESULTS = "results/"


@dataclass(frozen=True)
class Verification:
    """Differences from a manifest, as (path, what), after ``checked`` files were hashed anew."""

    checked: int
    bytes: int
    differences: list[tuple[str, str]]
    notes: list[str]


@dataclass(frozen=True)
class NamedFile:
    """A file that a manifest names."""

    path: str
    bytes: int
    sha256: str


def verify(root: Path) -> Verification:
    """Hash every file in the manifest at ``root``, and find results that are not in it.

    ``root`` is a study, its folder of results alone, or a copy for sharing. Raises ContractError where
    there is no manifest, where it cannot be read, and where it names a file outside of ``root``.
    """
    study = (root / RESULTS / NAME).is_file()
    path = root / RESULTS / NAME if study else root / NAME
    if not path.is_file():
        raise ContractError(
            "no manifest", str(root / RESULTS / NAME), "a finished study", "Run `nodeday run` first."
        )
    document, entries = _read(path)
    notes = list(_notes(document))
    copy = "files" in document
    if not study and not copy:
        elsewhere = [each for each in entries if not each.path.startswith(RESULTS)]
        notes.append(f"{len(elsewhere)} inputs and settings are not beside these results, and not checked")
        entries = [
            NamedFile(each.path.removeprefix(RESULTS), each.bytes, each.sha256)
            for each in entries
            if each.path.startswith(RESULTS)
        ]
    with ThreadPoolExecutor() as pool:
        differences = pool.map(partial(_difference, root), entries)
        found = [(each.path, what) for each, what in zip(entries, differences, strict=True) if what]
    named = {each.path for each in entries}
    found += [(name, "is not in the manifest") for name in sorted(_present(root, study, copy) - named)]
    return Verification(len(entries), sum(each.bytes for each in entries), found, notes)


def _present(root: Path, study: bool, copy: bool) -> set[str]:
    """Return the paths of results, or of all files of a copy, but for the manifest."""
    if copy:
        names = {path.relative_to(root).as_posix() for path in root.rglob("*") if path.is_file()}
        return names - {NAME}
    below = root / RESULTS if study else root
    names = {name for name in inventory.result_files(below) if name != NAME}
    return {f"{RESULTS}{name}" for name in names} if study else names


def _read(path: Path) -> tuple[dict[str, Any], list[NamedFile]]:
    """Return a manifest and the files that it names."""
    try:
        document = json.loads(path.read_text(encoding="utf-8"))
        parts = ["files"] if "files" in document else ["inputs", "settings", "results"]
        listed = [each for part in parts for each in document[part]]
        entries = [NamedFile(str(each["path"]), int(each["bytes"]), str(each["sha256"])) for each in listed]
        whole = all(isinstance(document[name], dict) for name in ("code", "libraries"))
    except (ValueError, KeyError, TypeError):
        whole = False
    if not whole:
        raise ContractError(
            "is no manifest of nodeday",
            str(path),
            "the file as it was written",
            "`nodeday run` makes it anew.",
        )
    inputs = {
        str(each["path"]) for each in document.get("inputs", [])
    }  # these may lie where they were recorded
    for each in entries:
        place = PurePosixPath(each.path)
        if each.path not in inputs and (place.is_absolute() or ".." in place.parts):
            raise ContractError(
                f"names {each.path!r}, which lies outside of the study", str(path), "files of the study alone"
            )
    return document, entries


def _difference(root: Path, entry: NamedFile) -> str:
    path = root / entry.path
    if not path.is_file():
        return "is absent"
    if path.stat().st_size != entry.bytes:
        return f"has {path.stat().st_size} bytes, not {entry.bytes}"
    return "has other content" if sha256(path) != entry.sha256 else ""


def _notes(manifest: dict[str, Any]) -> Iterable[str]:
    """Differences in versions and code since the manifest was written; no fault of the files."""
    if manifest.get("nodeday") != __version__:
        yield f"made with nodeday {manifest.get('nodeday')}, this is {__version__}"
    changed = [stage for stage, digest in manifest["code"].items() if digests.code(stage) != digest]
    if changed:
        yield f"the code of {', '.join(changed)} has changed since; `nodeday run` would run it again"
    now = digests.libraries()
    other = [
        f"{name} {old} (now {now.get(name)})"
        for name, old in manifest["libraries"].items()
        if now.get(name) != old
    ]
    if other:
        yield f"made with other libraries: {', '.join(other)}"
