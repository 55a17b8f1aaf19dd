"""Manifest of a study: hashes of its inputs, settings, code and results, and the check against them.

The manifest holds no time, no machine and no absolute path, so that the same inputs give the same bytes.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import pyarrow.parquet as parquet

from nodeday import __version__
from nodeday.config.study import Study
from nodeday.core import atomic
from nodeday.core.errors import ContractError
from nodeday.engine import digests, rule_files
from nodeday.engine.stages import CHAIN
from nodeday.products.export.package import as_json
from nodeday.schemas.compile import VERSION
from nodeday.storage import inventory, provenance
from nodeday.storage.hashes import Hashed, of_files, sha256
from nodeday.storage.provenance import OTHER_CONTENT, REMAKE, WRITTEN

NAME = "manifest.json"
CODE = (*CHAIN, "study", "report", "dataset")


def libraries(study: Study, sessions: list[str]) -> dict[str, str]:
    """Return the versions of the libraries that computed the results, after the records of the stages."""
    used: dict[str, set[str]] = {}
    for session in ("", *sessions):
        for record in provenance.records(study.results, session):
            for name, version in record.libraries.items():
                used.setdefault(name, set()).add(version)
    return {name: ", ".join(sorted(versions)) for name, versions in sorted(used.items())}


def refuse_other_content(study: Study, sessions: list[str], hashed: Hashed = of_files) -> None:
    """Raise ContractError where a file is absent, or is not what its stage read or wrote by its record."""
    for session in ("", *sessions):
        for record in provenance.records(study.results, session):
            _refuse_other(study.root, record.wrote, OTHER_CONTENT, hashed)
            captures = {name: each for name, each in record.read.items() if not name.startswith("results/")}
            if record.stage == "frames":
                _refuse_other(study.root, captures, "changed since its frames were read", hashed)


def _refuse_other(root: Path, said: Mapping[str, str], found: str, hashed: Hashed) -> None:
    if gone := [name for name in said if not (root / name).is_file()]:
        raise ContractError("is absent", str(root / gone[0]), WRITTEN, REMAKE)
    for (name, digest), now in zip(said.items(), hashed([root / name for name in said]), strict=True):
        if digest != now:
            raise ContractError(found, str(root / name), remedy=REMAKE)


def build(study: Study, sessions: list[str], hashed: Hashed = of_files) -> dict[str, Any]:
    """Return the manifest of a finished study: inputs, settings, code and every file of its results."""
    captures = {name for session in sessions for name in rule_files.captures(study, session)}
    settings = [
        path.relative_to(study.root).as_posix()
        for path in (study.root / "config").rglob("*")
        if path.is_file() and not path.name.startswith(".")
    ]
    results = [
        path
        for path in inventory.result_files(study.results)
        if path != NAME and inventory.session_of(path) in (None, *sessions)
    ]
    return {
        "manifest": 1,
        "study": study.file.study,
        "nodeday": __version__,
        "data_model": VERSION,
        "code": {stage: digests.code(stage) for stage in CODE},
        "libraries": libraries(study, sessions),
        "sessions": sessions,
        "inputs": _entries(study.root, sorted(captures), hashed),
        "settings": _entries(study.root, sorted(settings), hashed),
        "results": _entries(study.root, [f"results/{path}" for path in results], hashed),
    }


def _entries(root: Path, paths: list[str], hashed: Hashed) -> list[dict[str, Any]]:
    entries = []
    for path, digest in zip(paths, hashed([root / path for path in paths]), strict=True):
        full = root / path
        entry: dict[str, Any] = {"path": path, "bytes": full.stat().st_size, "sha256": digest}
        if path.endswith(".parquet"):
            entry["rows"] = parquet.read_metadata(full).num_rows
        entries.append(entry)
    return entries


def write(study: Study, sessions: list[str], hashed: Hashed = of_files) -> None:
    """Write the manifest into the results, after every other file."""
    atomic.write_text(study.results / NAME, as_json(build(study, sessions, hashed)))


@dataclass(frozen=True)
class Verification:
    """Differences from a manifest, as (path, what), after ``checked`` files were hashed anew."""

    checked: int
    bytes: int
    differences: list[tuple[str, str]]
    notes: list[str]


def verify(root: Path) -> Verification:
    """Hash every file in the manifest of the study at ``root``, and find results that are not in it.

    Raises ContractError where there is no manifest.
    """
    path = root / "results" / NAME
    if not path.is_file():
        raise ContractError("no manifest", str(path), "a finished study", "Run `nodeday run` first.")
    manifest = json.loads(path.read_text(encoding="utf-8"))
    entries = [*manifest["inputs"], *manifest["settings"], *manifest["results"]]
    with ThreadPoolExecutor() as pool:
        differences = pool.map(partial(_difference, root), entries)
        found = [(entry["path"], what) for entry, what in zip(entries, differences, strict=True) if what]
    named = {entry["path"] for entry in entries}
    present = {f"results/{name}" for name in inventory.result_files(root / "results") if name != NAME}
    found += [(name, "is not in the manifest") for name in sorted(present - named)]
    size = sum(entry["bytes"] for entry in entries)
    return Verification(len(entries), size, found, list(_notes(manifest)))


def _difference(root: Path, entry: dict[str, Any]) -> str:
    path = root / entry["path"]
    if not path.is_file():
        return "is absent"
    if path.stat().st_size != entry["bytes"]:
        return f"has {path.stat().st_size} bytes, not {entry['bytes']}"
    return "has other content" if sha256(path) != entry["sha256"] else ""


def _notes(manifest: dict[str, Any]) -> Iterable[str]:
    """Differences in versions and code since the manifest was written; no fault of the files."""
    if manifest["nodeday"] != __version__:
        yield f"made with nodeday {manifest['nodeday']}, this is {__version__}"
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
