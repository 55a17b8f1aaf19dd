"""Manifest: hashes of the inputs, settings, code and results of a study, or of the files of its copy.

The manifest holds no time, no machine and no absolute path, so that the same inputs give the same bytes.
"""

from __future__ import annotations

from collections.abc import Mapping
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
from nodeday.storage.hashes import Hashed, of_files
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
        **_made_of(study, sessions),
        "inputs": _entries(study.root, sorted(captures), hashed),
        "settings": _entries(study.root, sorted(settings), hashed),
        "results": _entries(study.root, [f"results/{path}" for path in results], hashed),
    }


def _made_of(study: Study, sessions: list[str]) -> dict[str, Any]:
    """Return what made the files of a manifest."""
    return {
        "manifest": 1,
        "study": study.file.study,
        "nodeday": __version__,
        "data_model": VERSION,
        "code": {stage: digests.code(stage) for stage in CODE},
        "libraries": libraries(study, sessions),
        "sessions": sessions,
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


def write_of_copy(folder: Path, study: Study, sessions: list[str]) -> None:
    """Write the manifest of a copy for sharing into ``folder``, after every other file of it."""
    files = sorted(path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file())
    document = _made_of(study, sessions) | {"files": _entries(folder, files, of_files)}
    atomic.write_text(folder / NAME, as_json(document))
