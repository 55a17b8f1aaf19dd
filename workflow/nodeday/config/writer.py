"""The only writer of a study's settings: each file must pass its own model before it is written.

Settings are texts by their path in ``config/``; a text may be made here or hold comments of its own::

    write_settings(root / "config", {
        "study.yaml": yaml_io.dump({"study": "trial", "zone": "UTC"}),
        "nodes.tsv": sheet("nodes", [{"session": "*", "node": "hub", "address": 0, "placement": "hub"}]),
        "layouts/beltframe.yaml": (DEMO_CONFIG / "layouts" / "beltframe.yaml").read_text(),
    })
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import datetime
from pathlib import Path
from typing import NamedTuple

from pydantic import BaseModel

from nodeday.config.bench_plan import BenchPlan
from nodeday.config.models import Event, Node, Participant, Planned, Session, StudyFile
from nodeday.config.study import LAYOUTS, RECORDED
from nodeday.core import atomic, tsv_io, yaml_io
from nodeday.core.errors import SettingsError
from nodeday.core.yaml_io import Strict
from nodeday.layouts.model import Layout
from nodeday.layouts.recording import RecordingFormat


class SheetKind(NamedTuple):
    """Rows of a sheet, and the column in which no two are the same.

    Columns in ``seldom`` are left out where no row fills them.
    """

    model: type[Strict]
    unique: str | None = None
    seldom: tuple[str, ...] = ()


SHEETS = {
    "participants": SheetKind(Participant, "participant"),
    "sessions": SheetKind(Session, "session"),
    "nodes": SheetKind(Node, seldom=("layout",)),
    "events": SheetKind(Event),
}
MODELS: dict[str, type[BaseModel]] = {
    "study.yaml": StudyFile,
    "scenario.yaml": Planned,
    "bench.yaml": BenchPlan,
}


def sheet(name: str, rows: Iterable[Mapping[str, object]]) -> str:
    """Return the sheet ``name`` as text, its rows given as cells by column.

    Columns that no row names stay in the header for people to fill in. None is an empty cell, an
    instant is written in ISO 8601.
    """
    kind, rows = SHEETS[name], list(rows)
    filled = {column for row in rows for column, value in row.items() if value not in (None, "")}
    header = [column for column in kind.model.model_fields if column in filled or column not in kind.seldom]
    header += sorted(filled - {*header})  # the model refuses them with the column's name
    return tsv_io.dump(header, ([_cell(row.get(column)) for column in header] for row in rows))


def write_settings(config: Path, files: Mapping[str, str], *, replace: bool = False) -> None:
    """Write ``files``, texts by their path in the folder ``config``.

    Raises SettingsError, before the first file is written, where one could not be read again, or
    exists and ``replace`` is false.
    """
    for name, text in files.items():
        _check(name, text, str(config / name))
    if not replace:
        _refuse_existing(config / name for name in files)
    for name, text in files.items():
        atomic.write_text(config / name, text)


def write_yaml(target: Path, text: str, model: type[BaseModel], *, replace: bool = False) -> None:
    """Write settings of another kind, which must be a ``model``; raise what :func:`write_settings` raises."""
    yaml_io.parse(text, model, str(target))
    if not replace:
        _refuse_existing([target])
    atomic.write_text(target, text)


def _check(name: str, text: str, where: str) -> None:
    if name.endswith(".tsv"):
        kind = SHEETS[name.removesuffix(".tsv")]
        tsv_io.parse(text, kind.model, where, kind.unique)
    else:
        yaml_io.parse(text, _model(name), where)


def _model(name: str) -> type[BaseModel]:
    if name.startswith(f"{RECORDED}/"):
        return RecordingFormat
    return Layout if name.startswith(f"{LAYOUTS}/") else MODELS[name]


def _refuse_existing(targets: Iterable[Path]) -> None:
    for target in targets:
        if target.exists():
            raise SettingsError(
                "exists already", str(target), "a free name", "Settings are never overwritten: move it away."
            )


def _cell(value: object) -> str:
    return "" if value is None else value.isoformat() if isinstance(value, datetime) else str(value)
