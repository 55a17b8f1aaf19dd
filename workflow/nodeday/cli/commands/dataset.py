"""Commands that hand a finished study over: export, verify, trace and release."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from nodeday.core.errors import CONTRACT, GOOD, ContractError

if TYPE_CHECKING:
    from nodeday.config.study import Study


def export(options: argparse.Namespace) -> int:
    """Write the study in the formats asked for."""
    from nodeday.config.study import Study

    writers = {"package": _package, "csv": _csv, "edf": _edf, "wfdb": _wfdb}
    study = Study(options.study)
    sessions = [study.session(name).session for name in options.session] or _finished(study)
    target: Path = options.into or study.root / "exports"
    for form in options.formats:
        writers[form](study, sessions, target / form)
    return GOOD


def _finished(study: Study) -> list[str]:
    """Sessions of the study's table ``sessions``; raise ContractError where none is there."""
    from nodeday.storage import tables

    done = tables.read(tables.path(study.results, "sessions"), "sessions", ["session"])
    found = [name for name in study.sessions if name in set(done["session"])]
    if not found:
        raise ContractError("no session is finished", str(study.results), remedy="See `nodeday run`.")
    return found


def _package(study: Study, sessions: list[str], _: Path) -> None:
    """The package describes the results where they lie."""
    from nodeday.products.export import hashes, manifest, methods, package
    from nodeday.storage import inventory

    listed = list(inventory.tables_of(study.results, sessions))
    of_sessions = (study.results / hashes.FOLDER / f"{session}.json" for session in sessions)
    hashed = hashes.Kept(study.results / hashes.NAME, *of_sessions)
    package.write(study.results, study.file.study, study.file.title, listed, hashed)
    methods.write(study, sessions)
    manifest.write(study, sessions, hashed)
    hashed.keep()
    print(f"{len(listed)} tables in {study.results}/datapackage.json, all hashes in manifest.json beside it")


def _csv(study: Study, sessions: list[str], target: Path) -> None:
    from nodeday.products.export import csv_tables

    print(f"{len(csv_tables.write(study, sessions, target))} CSV files in {target}")


def _edf(study: Study, sessions: list[str], target: Path) -> None:
    import pandas as pd

    from nodeday.core import csv_io
    from nodeday.products.export import edf

    rows = pd.DataFrame([row for session in sessions for row in edf.write(study, session, target)])
    csv_io.write(target / "signals.csv", [rows])
    print(f"{len(sessions)} EDF+ files in {target}; what became of each signal in signals.csv")


def _wfdb(study: Study, sessions: list[str], target: Path) -> None:
    from nodeday.products.export import wfdb_beats

    done = [path for session in sessions for path in wfdb_beats.write(study, session, target)]
    print(f"{len(done)} annotation files in {target}")


def verify(options: argparse.Namespace) -> int:
    """Hash the study's inputs, settings and results anew; 3 where any differs from the manifest."""
    from nodeday.products.export.manifest import verify as against_manifest

    found = against_manifest(options.study)
    for note in found.notes:
        print(f"note: {note}")
    for path, what in found.differences:
        print(f"{path} {what}")
    wrong = f"{len(found.differences)} differ" if found.differences else "all as in the manifest"
    print(f"{found.checked} files, {found.bytes} bytes: {wrong}")
    return CONTRACT if found.differences else GOOD


def trace(options: argparse.Namespace) -> int:
    """Walk a cell back to the bytes it came from; print it as a tree, or as JSON."""
    from nodeday.config.study import Study
    from nodeday.products.lineage import cell, step
    from nodeday.products.lineage.lookup import parse_key

    found = cell.trace(Study(options.study), options.table, parse_key(options.key))
    print(step.as_json(found) if options.json else step.as_text(found, options.all))
    return GOOD


def release(options: argparse.Namespace) -> int:
    """A copy for sharing, dates shifted and ages coarse; the offsets stay with the study."""
    from nodeday.config.study import Study
    from nodeday.products.export.release import release as make

    study = Study(options.study)
    offsets = options.offsets or study.root / "release-offsets.tsv"
    told = make(study, _finished(study), options.folder, offsets, options.signals)
    print(f"A copy for sharing lies in {options.folder}; what undoes the shift of its dates in {offsets}.")
    print("Keep that file to yourself. Captures, settings and pages were not copied: they hold dates.")
    for each in told:
        print(f"note: {each}")
    return GOOD
