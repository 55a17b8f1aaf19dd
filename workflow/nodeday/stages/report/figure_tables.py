"""Files next to a page: the rows of each figure as CSV, and a description of their columns.

``datapackage.json`` describes them after the Data Package standard (datapackage.org, version 1): programs
that read the standard get the types, and people get units and meanings from the declarations of the tables.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from nodeday.core import atomic, csv_io
from nodeday.core.arrays import Ints
from nodeday.schemas import FEATURE, TABLES
from nodeday.stages.report.svg import Figure
from nodeday.storage.shares import COVERAGE, FRAME_LOSS

TABLE_OF = {
    "loss": "radio",
    "minutes": "loss",
    "signal": "signal",
    "bursts": "radio",
    "fields": "fields",
    "drift": "clock",
    "edge": "clock",
    "shared": "agreement",
    "worst": "samples",
    "motion": "epochs",
    "gaps": "gaps",
    "rhythm": "rhythm",
    "exclusions": "exclusions",
    "ledger": "ledger",
    "flow": "flow",
    "phases": "phase_features",
    "weeks": "radio",
    "hours": "sessions",
    "coverage": "loss",
}
"""The table whose columns the rows of a figure hold; for a trend it is `epochs`."""
WITHOUT_TABLE = {
    "utc": ("", "instant, ISO 8601 in UTC"),
    "start_utc": ("", "first instant, ISO 8601 in UTC"),
    "end_utc": ("", "one past the last instant, ISO 8601 in UTC"),
    "seconds": ("s", "length"),
    "gap_start_utc": ("", "begin of the gap, ISO 8601 in UTC"),
    "gap_end_utc": ("", "its end"),
    "gap": ("", "number of the panel"),
    "done": ("", "what was done with the gap"),
    "run_frames": ("frame", "length of a run of lost frames"),
    "lost": ("frame", "frames lost on the air"),
    "share_by_chance": ("1", "what chance alone would make of as much loss"),
    "share_counts": ("1", "received from nodes that count"),
    "share_taken": ("1", "received from nodes that a rule takes"),
    "counts": ("", "whether it counts by the study's rules"),
    "device": ("", "node and its address"),
    "others": ("1", "median radio_loss of the other nodes that day"),
    "session": ("", "session"),
    "rule": ("", "which rule"),
    "nodes": ("", "what the advice is about"),
    "do": ("", "what to do"),
    "because": ("", "the figure that led to it"),
    "figure": ("", "the figure of the page that shows it"),
    "epochs": ("epoch", "epochs that the value rests on"),
    "cause": ("", "why it was lost"),
    "value": ("mixed", "of the sample, in the unit that the layout states; empty where missing"),
    "share": ("1", "lost / (received + lost)"),
    "coverage": ("1", COVERAGE),
    "frame_loss": ("1", FRAME_LOSS),
    "least_ms": ("ms", "least half width of the 95 % band"),
    "median_ms": ("ms", "median half width"),
    "most_ms": ("ms", "greatest half width"),
}
"""Unit and meaning of columns that no table has."""
Extra = tuple[str, str, pd.DataFrame]
"""Name, title and rows of a file that belongs to no figure."""


@dataclass(frozen=True)
class Resource:
    """One file: its name, title, description and rows."""

    name: str
    title: str
    about: str
    rows: pd.DataFrame


def write(folder: Path, title: str, figures: list[Figure], extra: list[Extra]) -> None:
    """Write the rows of each figure and of ``extra``, and the package that describes them.

    CSV files of an earlier run that are none of these are removed.
    """
    files = [Resource(figure.name, figure.title, figure.caption, figure.rows) for figure in figures]
    files += [Resource(name, words, "", rows) for name, words, rows in extra]
    folder.mkdir(parents=True, exist_ok=True)
    for old in folder.glob("*.csv"):
        if old.stem not in {file.name for file in files}:
            old.unlink()
    for file in files:
        csv_io.write(folder / f"{file.name}.csv", [file.rows])
    package = {
        "name": folder.name.lower(),
        "title": title,
        "profile": "tabular-data-package",
        "resources": [_described(file) for file in files],
    }
    atomic.write_text(folder / "datapackage.json", json.dumps(package, ensure_ascii=False, indent=1) + "\n")


def _described(file: Resource) -> dict[str, Any]:
    fields = [field(file.name, str(column), file.rows[column].dtype) for column in file.rows.columns]
    about = {"description": file.about} if file.about else {}
    return {
        "name": file.name,
        "path": f"{file.name}.csv",
        "profile": "tabular-data-resource",
        "title": file.title,
        **about,
        "encoding": "utf-8",
        "schema": {"fields": fields, "missingValues": [""]},
    }


def field(figure: str, column: str, dtype: Any) -> dict[str, str]:
    """Return the description of a column; unit and meaning where a declaration gives them."""
    kind = "string"
    if pd.api.types.is_bool_dtype(dtype):
        kind = "boolean"
    elif pd.api.types.is_numeric_dtype(dtype):
        kind = "integer" if pd.api.types.is_integer_dtype(dtype) else "number"
    unit, meaning = _unit_and_meaning(figure, column)
    return (
        {"name": column, "type": kind}
        | ({"unit": unit} if unit else {})
        | ({"description": meaning} if meaning else {})
    )


def _unit_and_meaning(figure: str, column: str) -> tuple[str, str]:
    if figure in FEATURE and column in ("value", "low", "high", "bias"):
        unit = FEATURE[figure].unit
        return unit, f"{FEATURE[figure].meaning}: {TABLES['epochs'][column].meaning}"
    table = TABLES["epochs" if figure in FEATURE else TABLE_OF.get(figure, "sessions")]
    if column in table.names:
        return table[column].unit, table[column].meaning
    if column in WITHOUT_TABLE:
        return WITHOUT_TABLE[column]
    return ("1", f"share of time or of frames: {column[6:]}") if column.startswith("share_") else ("", "")


def instants(at_ns: Ints) -> list[str]:
    """Return instants in UTC (n,) as ISO 8601 to the millisecond, as the CSV files state time."""
    return [f"{text}Z" for text in np.datetime_as_string(at_ns.astype("datetime64[ns]"), unit="ms")]
