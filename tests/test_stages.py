"""The list of stages held to the stages: each at work with the tables that it names, and no others."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from conftest import FINISHED
from nodeday.schemas import TABLES

from nodeday.cli.main import main
from nodeday.core import errors
from nodeday.engine.stages import CHAIN, STAGES, Scope


def table_of(path: Path, results: Path) -> str:
    """The table that a file of results belongs to; empty for what is no table."""
    folder = path.relative_to(results).parts[0]
    return folder if folder in TABLES and path.suffix == ".parquet" else ""


def tables_in(results: Path) -> dict[str, set[Path]]:
    """Files of each table there is, by its name."""
    found: dict[str, set[Path]] = {}
    for path in results.rglob("*"):
        if path.is_file() and (name := table_of(path, results)):
            found.setdefault(name, set()).add(path)
    return found


def of_study(path: Path, results: Path) -> bool:
    return len(path.relative_to(results).parts) == 2


@pytest.mark.parametrize("name", [*CHAIN, "study", "report", "index"])
def test_a_stage_reads_the_tables_that_it_lists_and_writes_those(
    finished_study: Path, tmp_path: Path, name: str
) -> None:
    folder, stage = tmp_path / "study", STAGES[name]
    shutil.copytree(finished_study, folder, ignore=shutil.ignore_patterns(".snakemake"))
    results = folder / "results"
    made = tables_in(results)
    for table, paths in made.items():
        for path in paths:
            if table not in stage.reads or (table == "ledger" and of_study(path, results)):
                path.unlink()
    before = {path for paths in tables_in(results).values() for path in paths}
    sessions = list(FINISHED) if stage.scope is Scope.STUDY else FINISHED[:1]
    for page in (results / "report").glob("*.html"):
        page.unlink()
    assert main(["stage", name, *sessions, "--study", str(folder)]) == errors.GOOD
    written = {
        table: {path for path in paths if path not in before} for table, paths in tables_in(results).items()
    }
    assert {table for table, paths in written.items() if paths} == set(stage.writes)
    for paths in written.values():
        for path in paths:
            assert path.read_bytes() == (finished_study / path.relative_to(folder)).read_bytes(), path
    if not stage.writes:
        page = "index.html" if name == "index" else f"{FINISHED[0]}.html"
        expected = (finished_study / "results" / "report" / page).read_bytes()
        assert (results / "report" / page).read_bytes() == expected
