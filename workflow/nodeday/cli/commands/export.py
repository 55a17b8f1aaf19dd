"""`nodeday export`: the study as a data package, CSV, EDF+ and beat annotations."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from nodeday.cli.arguments import add_study
from nodeday.core.errors import GOOD, ContractError

if TYPE_CHECKING:
    from nodeday.config.study import Study

HELP = "data package, CSV, EDF+ and beat annotations"
EXAMPLES = "nodeday export csv edf --session S01"


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the formats, the sessions, the folder and the study."""
    parser.add_argument(
        "formats",
        nargs="+",
        choices=tuple(FORMATS),
        metavar="FORMAT",
        help="package, csv, edf or wfdb",
    )
    parser.add_argument("--session", action="append", default=[], metavar="SESSION", help="only this one")
    parser.add_argument("--into", type=Path, metavar="DIR", help="where to (exports/ in the study)")
    add_study(parser)


def run(options: argparse.Namespace) -> int:
    """Write the study in the formats asked for."""
    from nodeday.config.study import Study

    study = Study(options.study)
    sessions = [study.session(name).session for name in options.session] or finished_sessions(study)
    target: Path = options.into or study.root / "exports"
    for name in options.formats:
        FORMATS[name](study, sessions, target / name)
    return GOOD


def finished_sessions(study: Study) -> list[str]:
    """Return the sessions of the study's table ``sessions``; raise ContractError where there is none."""
    from nodeday.storage import tables

    rows = tables.read(tables.path(study.results, "sessions"), "sessions", ["session"])
    sessions = [name for name in study.sessions if name in set(rows["session"])]
    if not sessions:
        raise ContractError("no session is finished", str(study.results), remedy="See `nodeday run`.")
    return sessions


def _export_package(study: Study, sessions: list[str], _: Path) -> None:
    """Describe the results where they lie: data package, methods and manifest."""
    from nodeday.products.export import manifest, methods, package
    from nodeday.storage import inventory
    from nodeday.storage.hashes import KeptHashes

    listed = list(inventory.tables_of(study.results, sessions))
    hashed = KeptHashes(study.root)
    manifest.refuse_other_content(study, sessions, hashed)
    package.write(study.results, study.file.study, study.file.title, listed, hashed)
    methods.write(study, sessions)
    manifest.write(study, sessions, hashed)
    hashed.keep()
    print(f"{len(listed)} tables in {study.results}/datapackage.json, all hashes in manifest.json next to it")


def _export_csv(study: Study, sessions: list[str], target: Path) -> None:
    from nodeday.products.export import csv_tables

    print(f"{len(csv_tables.write(study, sessions, target))} CSV files in {target}")


def _export_edf(study: Study, sessions: list[str], target: Path) -> None:
    import pandas as pd

    from nodeday.core import csv_io
    from nodeday.products.export import edf

    signals = {session: edf.write(study, session, target) for session in sessions}
    if empty := [session for session, rows in signals.items() if not rows]:
        print(f"No samples, and so no file: {', '.join(empty)}")
    if len(empty) < len(signals):
        csv_io.write(
            target / "signals.csv", [pd.DataFrame([row for rows in signals.values() for row in rows])]
        )
    files = len(signals) - len(empty)
    print(f"{files} EDF+ files in {target}; signals.csv counts the samples of each signal")


def _export_wfdb(study: Study, sessions: list[str], target: Path) -> None:
    from nodeday.products.export import wfdb_beats

    paths = [path for session in sessions for path in wfdb_beats.write(study, session, target)]
    print(f"{len(paths)} annotation files in {target}")


FORMATS = {"package": _export_package, "csv": _export_csv, "edf": _export_edf, "wfdb": _export_wfdb}
"""By the format's name; each makes its folder and prints what it wrote."""
