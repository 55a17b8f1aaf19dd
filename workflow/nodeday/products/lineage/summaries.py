"""Tables that sum up much: back to the rows they sum, each of which has a trace of its own."""

from __future__ import annotations

from typing import Any

import pandas as pd

from nodeday.config.study import Study
from nodeday.core.errors import SettingsError
from nodeday.products.lineage.signal import SECOND, SessionTables
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
LOSSES = ("loss", "radio", "bursts", "signal")
Row = Any


def trace(study: Study, name: str, key: dict[str, str]) -> TraceStep:
    """Trace of a row of one of the study's own tables."""
    from nodeday.products.lineage.cell import conditions, the_row

    if name == WIDE:
        return _wide(study, key)
    if name == "ledger":
        found = "the ledger counts what passed each checkpoint, and its parts are counts"
        raise SettingsError(found, expected="another table", remedy="`nodeday audit` explains its counts.")
    table = TABLES[name]
    rows = tables.read(tables.path(study.results, name), name, None, conditions(table, key) or None)
    row = the_row(table, rows, key)
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
    notes = [each for each in study.events if each.session == row["session"] and each.phase == row["phase"]]
    says = [
        {
            "session": each.session,
            "phase": each.phase,
            "start": str(each.start),
            "end": None if each.end is None else str(each.end),
        }
        for each in notes
    ]
    how = f"noted in config/events.tsv, local time of {study.zone_of(row['session'])}"
    return TraceStep("phase", plain(row), how, tuple(TraceStep("note", each) for each in says))


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
        TraceStep("epoch", plain(each) | _more("epochs", str(row["session"]), each, key))
        for _, each in epochs[inside].iterrows()
    ]
    return TraceStep(
        "phase feature", plain(row), "mean of the epochs that lie in the phase wholly", tuple(parts)
    )


def _more(name: str, session: str, row: Row, key: tuple[str, ...]) -> dict[str, str]:
    """The command that goes further from a row."""
    words = " ".join(f"{each}={row[each]}" for each in key)
    return {"more": f"nodeday trace {name} session={session} {words}"}


def _session(study: Study, row: Row) -> TraceStep:
    signal = SessionTables(study, str(row["session"]))
    rows = signal.frames[signal.frames["node"] == row["node"]]
    parts = []
    for stream, own in rows.groupby("stream", observed=True):
        end = int((own["offset"] + own["length"]).max())
        parts.append(
            TraceStep(
                "frames",
                {
                    "stream": str(stream),
                    "distinct": len(signal.distinct(row["node"], str(stream))),
                    "all": len(own),
                    "from_byte": int(own["offset"].min()),
                    "to_byte": end,
                },
            )
        )
    lost = signal.gaps[signal.gaps["node"] == row["node"]]
    parts += [
        TraceStep("gap", plain(each) | _more("gaps", signal.session, each, TABLES["gaps"].key))
        for _, each in lost.iterrows()
    ]
    how = "counts of distinct frames and of gaps; see `nodeday audit`"
    return TraceStep("session", plain(row), how, tuple(parts))


def _participant(study: Study, row: Row) -> TraceStep:
    nodes = _of_study(study, "sessions")
    own = nodes[nodes["participant"] == row["participant"]]
    parts = [
        TraceStep("session", plain(each) | _more("sessions", str(each["session"]), each, ("node",)))
        for _, each in own.iterrows()
    ]
    return TraceStep(
        "participant",
        plain(row),
        "as written in config/participants.tsv; sessions by its rules",
        tuple(parts),
    )


def _exclusion(study: Study, row: Row) -> TraceStep:
    nodes = _of_study(study, "sessions")
    own = nodes[nodes["session"] == row["session"]]
    own = own if row["node"] == "*" else own[own["node"] == row["node"]]
    parts = [
        TraceStep("session", plain(each) | _more("sessions", str(each["session"]), each, ("node",)))
        for _, each in own.iterrows()
    ]
    if row["feature"] != "*":
        wanted: Filters = [(name, "==", str(row[name])) for name in ("node", "channel", "feature")]
        path = tables.path(study.results, "epochs", str(row["session"]))
        epochs = tables.read(path, "epochs", None, wanted)
        parts = [TraceStep("epoch", plain(each)) for _, each in epochs[epochs["value"].isna()].iterrows()]
    meanings = TABLES["exclusions"]["rule"].codes or {}
    return TraceStep("exclusion", plain(row), meanings[str(row["rule"])], tuple(parts))


def _flow(study: Study, row: Row) -> TraceStep:
    out = _of_study(study, "exclusions")
    parts = [TraceStep("exclusion", plain(each)) for _, each in out[out["step"] == row["step"]].iterrows()]
    return TraceStep("flow", plain(row), "counts of what these exclusions take", tuple(parts))


def _wide(study: Study, key: dict[str, str]) -> TraceStep:
    """``session``, ``epoch`` and ``column`` name a cell."""
    from nodeday.products.lineage.cell import epoch

    if {"session", "epoch", "column"} - set(key) or not key["epoch"].isdigit():
        raise SettingsError(
            f"key {' '.join(key)}", f"table {WIDE}", "session=, epoch= (a number) and column="
        )
    signal = SessionTables(study, study.session(key["session"]).session)
    rows = signal.table("epochs", [("epoch", "==", int(key["epoch"]))])
    ends = tuple(f"_{each.name}" for each in TABLES["epochs"].columns if each.dtype == "float64")
    for _, row in rows.iterrows():
        names = {f"{row['node']}_{row['feature']}", f"{row['node']}_{row['channel']}_{row['feature']}"}
        if key["column"] in names | {name + end for name in names for end in ends}:
            return epoch(signal, row)
    raise SettingsError(
        f"no column {key['column']} in epoch {key['epoch']}",
        f"table {WIDE}",
        "a feature of a node, such as heart_heart_rate_bpm",
    )


def losses(signal: SessionTables, name: str, row: Row) -> TraceStep:
    """A row of ``loss``: its frames and gaps; of ``radio``, ``bursts`` or ``signal``: the gaps they count."""
    rows = signal.frames[(signal.frames["node"] == row["node"]) & (signal.frames["stream"] == row["stream"])]
    lost = signal.gaps[(signal.gaps["node"] == row["node"]) & (signal.gaps["stream"] == row["stream"])]
    if name == "loss":
        start, end = row["minute_hub_ns"], row["minute_hub_ns"] + 60 * SECOND
        rows = rows[(rows["hub_ns"] >= start) & (rows["hub_ns"] < end)]
        lost = lost[(lost["before_hub_ns"] < end) & (lost["after_hub_ns"].fillna(end) >= start)]
        frames = tuple(signal.frame(each) for _, each in rows.iterrows())
    else:
        lost = lost[lost["cause"] == "radio"]
        lost = lost[lost["frames"] == row["length"]] if name == "bursts" else lost
        frames = (TraceStep("frames", {"received": len(signal.distinct(row["node"], row["stream"]))}),)
    gaps = (
        TraceStep("gap", plain(each) | _more("gaps", signal.session, each, TABLES["gaps"].key))
        for _, each in lost.iterrows()
    )
    return TraceStep(name, plain(row), "frames received and gaps between them", (*frames, *gaps))
