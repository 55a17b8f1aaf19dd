"""Marks of the rhythm on a session's page: a line for each ECG, the longest pauses, the rows of the file."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import pandas as pd

from nodeday.config.study import Study
from nodeday.stages.report.facts import PageFacts
from nodeday.stages.report.figure_tables import instants
from nodeday.storage import tables

MOST_PAUSES = 10
COLUMNS = ["node", "channel", "event", "start_utc", "end_utc", "rr_ms", "rate_bpm"]


@dataclass(frozen=True)
class RhythmMarks:
    """A line of figures for each ECG, the longest ``pauses`` of all, and the ``rows`` of all events."""

    ecgs: list[dict[str, Any]]
    pauses: list[dict[str, Any]]
    rows: pd.DataFrame


def rhythm_marks(study: Study, facts: PageFacts) -> RhythmMarks:
    """Return the marks of a session, from its tables ``rhythm`` and ``epochs``."""
    events = tables.read(tables.path(study.results, "rhythm", facts.session), "rhythm")
    events = events.astype({"node": str, "channel": str, "event": str})
    early = facts.epochs[facts.epochs["feature"] == "ectopic_pct"]
    ecgs = [
        _line(
            events[(events["node"] == node) & (events["channel"] == channel)], str(node), str(channel), rows
        )
        for (node, channel), rows in early.groupby(["node", "channel"], observed=True, sort=False)
    ]
    pauses = events[events["event"] == "pause"].nlargest(MOST_PAUSES, "rr_ms").sort_values("start_ns")
    stamps = {f"{edge}_utc": instants(events[f"{edge}_ns"].to_numpy("int64")) for edge in ("start", "end")}
    return RhythmMarks(ecgs, _records(pauses), events.assign(**stamps)[COLUMNS])


def _line(events: pd.DataFrame, node: str, channel: str, early: pd.DataFrame) -> dict[str, Any]:
    """Return the figures of one ECG."""
    of = {event: _records(events[events["event"] == event]) for event in ("slowest", "fastest", "pause")}
    return {
        "node": node,
        "channel": channel,
        "slowest": of["slowest"][0] if of["slowest"] else None,
        "fastest": of["fastest"][0] if of["fastest"] else None,
        "pauses": len(of["pause"]),
        "longest_ms": max((pause["rr_ms"] for pause in of["pause"]), default=None),
        "early_share": float(early["value"].mean()) / 100,
        "epochs": int(early["value"].notna().sum()),
    }


def _records(events: pd.DataFrame) -> list[dict[str, Any]]:
    """Return the rows as mappings of text to plain values."""
    return [{str(name): value for name, value in row.items()} for row in events.to_dict("records")]
