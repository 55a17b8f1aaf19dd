"""Span of a table's row on the time axis; the row is named as for `nodeday trace`."""

from __future__ import annotations

from typing import Any

import pandas as pd

from nodeday.core.errors import SettingsError
from nodeday.products.lineage.lookup import conditions, parse_key, single_row
from nodeday.products.viewer.session import SessionView
from nodeday.schemas import TABLES, Table
from nodeday.storage import frames, samples, tables

MINUTE = 60_000_000_000
EDGES = (("start_ns", "end_ns", 0), ("utc_ns", "utc_ns", 0), ("minute_utc_ns", "minute_utc_ns", MINUTE))
"""Columns of the first and of the last instant, and what to add to the last."""
BY_FRAMES = {"frames": ("seq", "seq"), "gaps": ("seq_from", "seq_to")}
"""Tables whose rows span the samples of their frames: columns of the first frame and one past the last."""


def span_of(day: SessionView, text: str) -> dict[str, Any]:
    """Return the span of the row that ``text`` names, such as ``epochs node=heart epoch=12 feature=mean``.

    The answer has ``from`` and ``to`` in ms after the session's start, a label, and the node (empty where
    the table has none). Raises SettingsError where ``text`` names no row of the session or several, and
    where that row has no instant.
    """
    name, *rest = text.split() or [""]
    if name not in TABLES:
        raise SettingsError(f"no table {name}", expected=f"one of {', '.join(TABLES)}, then NAME=VALUE ...")
    table, key = TABLES[name], parse_key(rest)
    if key.pop("session", day.session) != day.session:
        raise SettingsError(f"the view shows {day.session}", expected="a cell of that session")
    row = single_row(table, _rows(day, table, key), key)
    first, last = _by_frames(day, name, row) if name in BY_FRAMES else _edges(name, table.names, row)
    label = " ".join([name, *(f"{k}={v}" for k, v in key.items())])
    return {
        "from": (first - day.start_ns) / 1e6,
        "to": (last - day.start_ns) / 1e6,
        "label": label,
        "node": str(row["node"]) if "node" in table.names else "",
    }


def _rows(day: SessionView, table: Table, key: dict[str, str]) -> pd.DataFrame:
    """Rows of the session that meet ``key``; for `samples` from every stream."""
    wanted, results = conditions(table, key), day.study.results
    if table.name == "samples":
        streams = day.study.streams_of(day.session)
        return pd.concat(
            [
                samples.read(results, day.session, node.node, kind, table.names, wanted or None)
                for node, kind in streams
            ]
        )
    if table.name == "frames":
        return frames.table(results, day.session, None, wanted or None)
    of_session = tables.path(results, table.name, day.session)
    if of_session.is_file() or "session" not in table.names:
        return tables.read(of_session, table, None, wanted or None)
    of_study = tables.path(results, table.name)
    return tables.read(of_study, table, None, [*wanted, ("session", "==", day.session)])


def _edges(name: str, names: list[str], row: Any) -> tuple[int, int]:
    for first, last, more in EDGES:
        if first in names and last in names:
            if pd.isna(row[first]):
                raise SettingsError("that row has no instant in UTC", f"table {name}")
            return int(row[first]), int(row[last]) + more
    known = [known for known, table in TABLES.items() if known in BY_FRAMES or _has_instant(table.names)]
    raise SettingsError(f"a row of {name} has no instant", expected=f"a row of {', '.join(known)}")


def _has_instant(names: list[str]) -> bool:
    return any(first in names and last in names for first, last, _ in EDGES)


def _by_frames(day: SessionView, name: str, row: Any) -> tuple[int, int]:
    first, last = (row[column] for column in BY_FRAMES[name])
    end = int(first) + 1 if name == "frames" else first if pd.isna(last) else int(last)
    kind = day.study.layout_of(day.session, str(row["node"])).stream(str(row["stream"]))
    inside = [("boot", "==", int(row["boot"])), ("seq", ">=", int(first)), ("seq", "<", int(end))]
    rows = samples.read(day.study.results, day.session, str(row["node"]), kind, ["utc_ns"], inside)
    if rows.empty:
        raise SettingsError("no sample stands for that row", f"table {name}", "one whose length is known")
    return int(rows["utc_ns"].min()), int(rows["utc_ns"].max())
