"""Which files a study's results are, and what each table file says about itself."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from nodeday.core.errors import ContractError
from nodeday.schemas import TABLES, Column, Table
from nodeday.storage.row_groups import opened

UNSEALED = ("logs", "failed", "benchmarks")
"""Folders of results that say how a run went, not what came of it."""
WIDE_KEY = ("session", "epoch")


@dataclass(frozen=True)
class TableFile:
    """A Parquet file of the study: where it lies (from ``root``), of which session, and its contract."""

    root: Path
    path: str
    table: Table
    session: str | None
    rows: int

    @property
    def full(self) -> Path:
        return self.root / self.path


def result_files(results: Path) -> list[str]:
    """Paths, from ``results``, of everything that the stages wrote, in order.

    Half-written files and records of the run itself are left out.
    """
    found = []
    for path in results.rglob("*"):
        inside = path.relative_to(results)
        hidden = any(part.startswith(".") for part in inside.parts)
        if path.is_file() and inside.parts[0] not in UNSEALED and not hidden:
            found.append(inside.as_posix())
    return sorted(found)


def session_of(path: str) -> str | None:
    """The session whose partition a path lies in."""
    return next((part[8:] for part in path.split("/") if part.startswith("session=")), None)


def tables_of(results: Path, sessions: list[str]) -> Iterator[TableFile]:
    """Every table file of the study and of ``sessions``, in order of its path; ledgers apart."""
    for path in result_files(results):
        session = session_of(path)
        if path.startswith("ledger/") and session:
            continue  # the study's own table of that name holds them all
        if path.endswith(".parquet") and session in (None, *sessions):
            yield table_file(results, path)


def table_file(root: Path, path: str) -> TableFile:
    """What a Parquet file says about itself; raise ContractError where it says nothing."""
    with opened(root / path) as file:
        stored, rows = file.schema_arrow.metadata or {}, file.metadata.num_rows
    if b"nodeday" not in stored:
        raise ContractError("does not say which table it holds", str(root / path), "a table of nodeday")
    about = json.loads(stored[b"nodeday"])
    name = about["table"]
    columns = tuple(_column(each, facts) for each, facts in about["columns"].items())
    declared = TABLES.get(name) or TABLES.get(name.split("_")[0])  # a grid of another rate is a grid
    fits = declared is not None and set(declared.key) <= set(about["columns"])
    if declared is not None and fits:
        table = Table(
            name,
            about["row"],
            columns,
            declared.key,
            either_or=declared.either_or,
            notes=declared.notes,
        )
    else:
        table = Table(name, about["row"], columns, WIDE_KEY)
    return TableFile(root, path, table, session_of(path), rows)


def _column(name: str, facts: dict[str, Any]) -> Column:
    return Column(
        name,
        facts["dtype"],
        facts["unit"],
        facts["meaning"],
        facts.get("least"),
        facts.get("most"),
        facts["nullable"],
        facts.get("codes"),
        stated=True,
    )
