"""Summary tables, back to the rows they sum; each of those can be traced further by itself."""

from __future__ import annotations

import pandas as pd

from nodeday.config.study import Study
from nodeday.core.errors import SettingsError
from nodeday.products.lineage.features import epoch
from nodeday.products.lineage.lookup import Row, conditions, more, single_row
from nodeday.products.lineage.losses import frames_step, gaps_step
from nodeday.products.lineage.signal import SessionTables
from nodeday.products.lineage.step import TraceStep, plain
from nodeday.schemas import TABLES
from nodeday.storage import tables
from nodeday.storage.row_groups import Filters

WIDE = "epochs_wide"
TABLES_OF_STUDY = (
    "phases",
    "phase_features",
    "sessions",
    "participants",
    "exclusions",
    "flow",
    "ledger",
    WIDE,
)


def trace(study: Study, name: str, key: dict[str, str]) -> TraceStep:
    """Trace the one row that ``key`` names of one of the study's own tables.

    Raises SettingsError where the key names no row, or several, and for table ``ledger``.
    """
    if name == WIDE:
        return _wide(study, key)
    if name == "ledger":
        found = "the ledger counts what passed each checkpoint, and its parts are counts"
        raise SettingsError(found, expected="another table", remedy="`nodeday audit` explains its counts.")
    table = TABLES[name]
    rows = tables.read(tables.path(study.results, name), name, None, conditions(table, key) or None)
    row = single_row(table, rows, key)
    walk = {
        "phases": _phase,
        "phase_features": _phase_feature,
        "sessions": _session,
        "participants": _participant,
        "exclusions": _exclusion,
        "flow": _flow,
    }[name]
    return walk(study, row)


def _of_study(study: Study, name: str) -> pd.DataFrame:
    return tables.read(tables.path(study.results, name), name)


def _phase(study: Study, row: Row) -> TraceStep:
    notes = [
        {
            "session": event.session,
            "phase": event.phase,
            "start": str(event.start),
            "end": None if event.end is None else str(event.end),
        }
        for event in study.events
        if event.session == row["session"] and event.phase == row["phase"]
    ]
    how = f"noted in config/events.tsv, local time of {study.zone_of(row['session'])}"
    return TraceStep("phase", plain(row), how, tuple(TraceStep("note", note) for note in notes))


def _phase_feature(study: Study, row: Row) -> TraceStep:
    phases = _of_study(study, "phases")
    same = (phases["session"] == row["session"]) & (phases["start_ns"] == row["start_ns"])
    phase = phases[same & (phases["phase"] == row["phase"])].iloc[0]
    nodes = _of_study(study, "sessions")
    recorded = nodes[nodes["session"] == row["session"]].iloc[0]
    wanted: Filters = [(name, "==", str(row[name])) for name in ("node", "channel", "feature")]
    epochs = tables.read(tables.path(study.results, "epochs", str(row["session"])), "epochs", None, wanted)
    inside = (epochs["start_ns"].clip(lower=recorded["start_ns"]) >= phase["start_ns"]) & (
        epochs["end_ns"].clip(upper=recorded["end_ns"]) <= phase["end_ns"]
    )
    key = ("node", "channel", "epoch", "feature")
    parts = [
        TraceStep("epoch", plain(feature) | more("epochs", str(row["session"]), feature, key))
        for _, feature in epochs[inside].iterrows()
    ]
    return TraceStep(
        "phase feature", plain(row), "mean of the epochs that lie in the phase wholly", tuple(parts)
    )


def _session(study: Study, row: Row) -> TraceStep:
    signal = SessionTables(study, str(row["session"]))
    rows = signal.inside[signal.inside["node"] == row["node"]]
    parts = []
    for stream, of_stream in rows.groupby("stream", observed=True):
        counts = frames_step(of_stream, TABLES["radio"].names).values
        ends = of_stream["offset"] + of_stream["length"]
        span = {"from_byte": int(of_stream["offset"].min()), "to_byte": int(ends.max())}
        parts.append(TraceStep("frames", {"stream": str(stream), **counts, **span}))
    lost = gaps_step(signal, signal.gaps[signal.gaps["node"] == row["node"]])
    how = "frames_received and frames_lost are sums over the streams; `nodeday audit` counts anew"
    return TraceStep("session", plain(row), how, (*parts, lost))


def _nodes(rows: pd.DataFrame) -> list[TraceStep]:
    """A step for each row of table ``sessions``."""
    return [
        TraceStep("session", plain(node) | more("sessions", str(node["session"]), node, ("node",)))
        for _, node in rows.iterrows()
    ]


def _participant(study: Study, row: Row) -> TraceStep:
    nodes = _of_study(study, "sessions")
    parts = _nodes(nodes[nodes["participant"] == row["participant"]])
    how = "as written in config/participants.tsv; sessions by its rules"
    return TraceStep("participant", plain(row), how, tuple(parts))


def _exclusion(study: Study, row: Row) -> TraceStep:
    nodes = _of_study(study, "sessions")
    nodes = nodes[nodes["session"] == row["session"]]
    parts = _nodes(nodes if row["node"] == "*" else nodes[nodes["node"] == row["node"]])
    if row["feature"] != "*":
        wanted: Filters = [(name, "==", str(row[name])) for name in ("node", "channel", "feature")]
        path = tables.path(study.results, "epochs", str(row["session"]))
        epochs = tables.read(path, "epochs", None, wanted)
        without_value = epochs[epochs["value"].isna()]
        parts = [TraceStep("epoch", plain(feature)) for _, feature in without_value.iterrows()]
    meanings = TABLES["exclusions"]["rule"].codes or {}
    return TraceStep("exclusion", plain(row), meanings[str(row["rule"])], tuple(parts))


def _flow(study: Study, row: Row) -> TraceStep:
    exclusions = _of_study(study, "exclusions")
    of_step = exclusions[exclusions["step"] == row["step"]]
    parts = [TraceStep("exclusion", plain(exclusion)) for _, exclusion in of_step.iterrows()]
    return TraceStep("flow", plain(row), "counts of what these exclusions take", tuple(parts))


def _wide(study: Study, key: dict[str, str]) -> TraceStep:
    """A cell of the wide table, which ``session``, ``epoch`` and ``column`` name."""
    if {"session", "epoch", "column"} - set(key) or not key["epoch"].isdigit():
        raise SettingsError(
            f"key {' '.join(key)}", f"table {WIDE}", "session=, epoch= (a number) and column="
        )
    signal = SessionTables(study, study.session(key["session"]).session)
    rows = signal.table("epochs", [("epoch", "==", int(key["epoch"]))])
    ends = tuple(f"_{column.name}" for column in TABLES["epochs"].columns if column.dtype == "float64")
    for _, row in rows.iterrows():
        names = {f"{row['node']}_{row['feature']}", f"{row['node']}_{row['channel']}_{row['feature']}"}
        if key["column"] in names | {name + end for name in names for end in ends}:
            return epoch(signal, row)
    raise SettingsError(
        f"no column {key['column']} in epoch {key['epoch']}",
        f"table {WIDE}",
        "a feature of a node, such as heart_heart_rate_bpm",
    )
