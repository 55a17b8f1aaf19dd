"""Trace of a cell: the row that a key names, and what it was made of, down to the bytes of the capture."""

from __future__ import annotations

import pandas as pd

from nodeday.config.study import Study
from nodeday.core.errors import SettingsError, did_you_mean
from nodeday.products.lineage import capture, features, losses, summaries
from nodeday.products.lineage.lookup import Row, conditions, single_row
from nodeday.products.lineage.signal import SessionTables
from nodeday.products.lineage.step import TraceStep, plain
from nodeday.schemas import TABLES
from nodeday.storage import frames, samples, tables
from nodeday.storage.inventory import table_file


def trace(study: Study, name: str, key: dict[str, str]) -> TraceStep:
    """Trace the one row of table ``name`` that ``key`` names, with the bytes of every frame in it.

    ``session`` is part of the key of every table that each session has for itself. Raises SettingsError
    where the key names no row, or several; ContractError where a capture ends before a byte range in it.
    """
    found = _rows_behind(study, name, key)
    session = key.get("session")
    return capture.with_bytes(study, session, found) if session else found


def _rows_behind(study: Study, name: str, key: dict[str, str]) -> TraceStep:
    known = [*TABLES, summaries.WIDE]
    if name not in known:
        hint = did_you_mean(name, known)
        raise SettingsError(f"no table {name}{hint}", expected=f"one of {', '.join(known)}")
    if name in summaries.TABLES_OF_STUDY:
        return summaries.trace(study, name, key)
    key = dict(key)
    session = study.session(key.pop("session", "")).session
    signal = SessionTables(study, session)
    if name == "aligned":
        return _instant(study, signal, key)
    if name == "samples":
        return _sample(signal, key)
    row = _row(study, name, session, key)
    direct = {"frames": signal.frame, "gaps": signal.gap, "clock": signal.knot}
    if name in direct:
        return direct[name](row)
    if name == "rejects":
        return TraceStep("reject", plain(row))
    if name == "beats":
        return features.beat(signal, row)
    if name == "epochs":
        return features.epoch(signal, row)
    if name in losses.TABLES_OF_LOSSES:
        return losses.trace(signal, name, row)
    return features.other(signal, name, row)


def _row(study: Study, name: str, session: str, key: dict[str, str]) -> Row:
    table = TABLES[name]
    wanted = conditions(table, key) or None
    if name == "frames":
        return single_row(table, frames.table(study.results, session, None, wanted), key)
    return single_row(table, tables.read(tables.path(study.results, name, session), name, None, wanted), key)


def _instant(study: Study, signal: SessionTables, key: dict[str, str]) -> TraceStep:
    """An instant of the grid: its channels, or the one that ``column`` names."""
    path = tables.path(study.results, "aligned", signal.session)
    table = table_file(study.results, path.relative_to(study.results).as_posix()).table
    names = [name for name in table.names if f"{name}_origin" in table.names]
    column = key.get("column")
    if column and column not in names:
        raise SettingsError(f"no channel {column}", "table aligned", f"one of {', '.join(names)}")
    wanted = {name: value for name, value in key.items() if name != "column"}
    rows = tables.read(path, table, None, conditions(table, wanted) or None)
    return signal.instant(single_row(table, rows, wanted), [column] if column else names)


def _sample(signal: SessionTables, key: dict[str, str]) -> TraceStep:
    """A sample instant of a stream: its channels, or the one that ``column`` names."""
    wanted, column = {name: value for name, value in key.items() if name != "column"}, key.get("column")
    study, session, table = signal.study, signal.session, TABLES["samples"]
    streams = [(node.node, kind) for node, kind in study.streams_of(session)]
    names = sorted({channel.name for _, kind in streams for channel in kind.channels})
    if column and column not in names:
        raise SettingsError(f"no channel {column}", "table samples", f"one of {', '.join(names)}")
    filters = conditions(table, wanted) or None
    found = pd.concat(
        [
            samples.read(study.results, session, node, kind, table.names, filters)
            for node, kind in streams
            if wanted.get("node", node) == node
            and wanted.get("stream", kind.stream) == kind.stream
            and column in (None, *(channel.name for channel in kind.channels))
        ]
        or [tables.empty(table)]
    )
    row = single_row(table, found, wanted)
    node, at = str(row["node"]), int(row["utc_ns"])
    steps = []
    for channel in signal.kind(node, str(row["stream"])).channels:
        if column in (None, channel.name):
            of_channel = signal.samples_between(node, channel.name, at, at)
            steps.append(signal.sample(of_channel[of_channel["boot"] == row["boot"]].iloc[0]))
    return steps[0] if len(steps) == 1 else TraceStep("instant", plain(row), "", tuple(steps))
