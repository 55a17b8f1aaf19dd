"""Which row a person means, and its trace: beats and epochs here, samples and frames in ``signal``."""

from __future__ import annotations

from typing import Any

import pandas as pd

from nodeday.config.study import Study
from nodeday.core.errors import SettingsError, did_you_mean
from nodeday.products.lineage import summaries
from nodeday.products.lineage.signal import RECEIVED, SECOND, SessionTables
from nodeday.products.lineage.step import TraceStep, plain
from nodeday.schemas import FEATURE, TABLES, Table
from nodeday.storage import frames, samples, tables
from nodeday.storage.row_groups import Filter

Row = Any


def trace(study: Study, name: str, key: dict[str, str]) -> TraceStep:
    """Trace of the one row of table ``name`` that ``key`` names; raise SettingsError where that is no
    row, or several. ``session`` belongs to every key of a table that sessions have each for itself.
    """
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
    at_once = {"frames": signal.frame, "gaps": signal.gap, "clock": signal.knot}
    if name in at_once:
        return at_once[name](row)
    if name == "rejects":
        return TraceStep("reject", plain(row))
    if name == "beats":
        return beat(signal, row)
    if name == "epochs":
        return epoch(signal, row)
    if name in summaries.LOSSES:
        return summaries.losses(signal, name, row)
    return _other(signal, name, row)


def conditions(table: Table, key: dict[str, str]) -> list[Filter]:
    """``key`` as conditions on the table's columns, each value in its column's type."""
    found: list[Filter] = []
    for name, text in key.items():
        if name not in table.names:
            hint = did_you_mean(name, table.names)
            raise SettingsError(f"table {table.name} has no column {name}{hint}")
        dtype = table[name].dtype
        try:
            value: object = int(text) if "int" in dtype else float(text) if "float" in dtype else text
        except ValueError:
            raise SettingsError(f"{name} is {text}", f"table {table.name}", "a number") from None
        found.append((name, "==", value))
    return found


def the_row(table: Table, rows: pd.DataFrame, key: dict[str, str]) -> Row:
    """The only one of ``rows``; raise SettingsError with what would tell it from the others."""
    said = ", ".join(f"{name} {value}" for name, value in key.items())
    if not len(rows):
        raise SettingsError(f"no row with {said}", f"table {table.name}", "values that stand in the table")
    if len(rows) > 1:
        open_ = [name for name in table.key if name not in key]
        values = {name: list(map(str, rows[name].unique()[:4])) for name in open_}
        hint = "; ".join(f"{name} (such as {', '.join(some)})" for name, some in values.items())
        raise SettingsError(f"{len(rows)} rows with {said}", f"table {table.name}", f"also {hint}")
    return rows.iloc[0]


def _row(study: Study, name: str, session: str, key: dict[str, str]) -> Row:
    table = TABLES[name]
    wanted = conditions(table, key) or None
    if name == "frames":
        return the_row(table, frames.table(study.results, session, None, wanted), key)
    return the_row(table, tables.read(tables.path(study.results, name, session), name, None, wanted), key)


def _instant(study: Study, signal: SessionTables, key: dict[str, str]) -> TraceStep:
    path = tables.path(study.results, "aligned", signal.session)
    from nodeday.storage.inventory import table_file

    table = table_file(study.results, path.relative_to(study.results).as_posix()).table
    names = [name for name in table.names if f"{name}_origin" in table.names]
    column = key.get("column")
    if column and column not in names:
        raise SettingsError(f"no channel {column}", "table aligned", f"one of {', '.join(names)}")
    wanted = {name: value for name, value in key.items() if name != "column"}
    rows = tables.read(path, table, None, conditions(table, wanted) or None)
    return signal.instant(the_row(table, rows, wanted), [column] if column else names)


def _sample(signal: SessionTables, key: dict[str, str]) -> TraceStep:
    """A sample instant of a stream: its channels, or the one that ``column`` names."""
    wanted, column = {name: value for name, value in key.items() if name != "column"}, key.get("column")
    study, session, table = signal.study, signal.session, TABLES["samples"]
    streams = [(node.node, kind) for node, kind in study.streams_of(session)]
    every = sorted({channel.name for _, kind in streams for channel in kind.channels})
    if column and column not in every:
        raise SettingsError(f"no channel {column}", "table samples", f"one of {', '.join(every)}")
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
    row = the_row(table, found, wanted)
    node, at = str(row["node"]), int(row["utc_ns"])
    steps = []
    for channel in signal.kind(node, str(row["stream"])).channels:
        if column in (None, channel.name):
            own = signal.near(node, channel.name, at, at)
            steps.append(signal.sample(own[own["boot"] == row["boot"]].iloc[0]))
    return steps[0] if len(steps) == 1 else TraceStep("instant", plain(row), "", tuple(steps))


def beat(signal: SessionTables, row: Row) -> TraceStep:
    """An R peak: the samples next to it, and the beat before, from which its interval runs."""
    node, at = str(row["node"]), int(row["utc_ns"])
    kind, channel = next(
        (kind, each)
        for kind in signal.study.layout_of(signal.session, node).kinds
        for each in kind.channels
        if each.unit == "mV"
    )
    period = round(SECOND / (kind.rate_hz or 1.0))
    rows = signal.near(node, channel.name, at - 2 * period, at + 2 * period)
    rows = rows[rows["boot"] == row["boot"]]
    nearest = rows.loc[(rows["utc_ns"] - at).abs().sort_values(kind="stable").index[:3]].sort_values("utc_ns")
    before: tuple[TraceStep, ...] = ()
    if pd.notna(row["rr_ms"]):
        earlier = signal.table("beats", [("node", "==", node), ("utc_ns", "<", at)])
        before = (TraceStep("beat before", plain(earlier.iloc[-1])),)
    how = (
        "the top of the filtered signal between these samples; rr_ms runs from the beat before"
        if before
        else "the top of the filtered signal between these samples"
    )
    return TraceStep(
        "beat", plain(row), how, (*(signal.sample(each) for _, each in nearest.iterrows()), *before)
    )


def epoch(signal: SessionTables, row: Row) -> TraceStep:
    """A feature of an epoch: its beats, where the stream has any, and the samples by frame and gap."""
    node, name = str(row["node"]), str(row["channel"])
    kind, channel = signal.find(node, name)
    start, end = int(row["start_ns"]), int(row["end_ns"])
    beats = signal.table("beats", [("node", "==", node), ("utc_ns", ">=", start), ("utc_ns", "<", end)])
    has_beats = len(beats) and [each.unit for each in kind.channels] == ["mV"]
    parts = [beat(signal, each) for _, each in beats.iterrows()] if has_beats else []
    feature = FEATURE[str(row["feature"])]
    return TraceStep(
        "epoch",
        plain(row) | {"unit": feature.unit},
        f"{feature.formula}; needs {feature.needs}",
        (*parts, *_by_frame(signal, node, kind.stream, channel, start, end)),
    )


def _by_frame(
    signal: SessionTables, node: str, stream: str, channel: str, start: int, end: int
) -> list[TraceStep]:
    """Samples of [start, end) as they came: a step for each frame, and one for each gap."""
    rows = signal.near(node, channel, start, end - 1)
    parts: list[TraceStep] = []
    gaps: set[tuple[int, int]] = set()
    for _, own in rows.groupby(["boot", "seq"], sort=False):
        first = own.iloc[0]
        boot, seq = int(first["boot"]), int(first["seq"])
        says = {
            "node": node,
            "stream": stream,
            "boot": boot,
            "seq": seq,
            "instants": len(own),
            "origin": str(first["origin"]),
        }
        if first["origin"] in RECEIVED:
            parts.append(TraceStep("samples", says, "", (signal.frame_of(node, stream, boot, seq),)))
            continue
        gap = signal.gap_over(node, stream, boot, seq)
        again = (gap.says["boot"], gap.says["seq_from"]) in gaps
        gaps.add((gap.says["boot"], gap.says["seq_from"]))
        parts.append(TraceStep("samples", says, "lost with its frame", () if again else (gap,)))
    return parts


def _other(signal: SessionTables, name: str, row: Row) -> TraceStep:
    """A row of any other table of a session: the samples of its span, or the frames of its node."""
    says = plain(row)
    if {"node", "channel", "start_ns", "end_ns"} <= set(row.index):
        kind, channel = signal.find(str(row["node"]), str(row["channel"]))
        parts = _by_frame(signal, str(row["node"]), kind.stream, channel, row["start_ns"], row["end_ns"])
        return TraceStep(name, says, "from the samples of its span", tuple(parts))
    if "node" not in row.index:
        return TraceStep(name, says)
    own = signal.frames[signal.frames["node"] == row["node"]]
    return TraceStep(name, says, "from the frames of its node", (TraceStep("frames", {"all": len(own)}),))


def parsed(words: list[str]) -> dict[str, str]:
    """``NAME=VALUE`` words as a key; raise SettingsError for a word that is none."""
    for word in words:
        if "=" not in word:
            raise SettingsError(f"key {word}", expected="NAME=VALUE, such as session=S01 node=heart")
    return dict(word.split("=", 1) for word in words)
