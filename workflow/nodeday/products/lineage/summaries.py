"""Summary tables, back to the rows they sum; each of those can be traced further by itself."""

from __future__ import annotations

import numpy as np
import pandas as pd

from nodeday.config.study import Study
from nodeday.core.arrays import Bools
from nodeday.core.errors import SettingsError
from nodeday.products.lineage.features import epoch
from nodeday.products.lineage.lookup import Row, conditions, single_row
from nodeday.products.lineage.signal import SECOND, SessionTables, of_stream
from nodeday.products.lineage.step import TraceStep, plain
from nodeday.schemas import TABLES
from nodeday.schemas.codes import DISTINCT, ON_AIR, SECOND_COPIES
from nodeday.storage import tables
from nodeday.storage.frame_fields import column_of
from nodeday.storage.frames import columns_of, is_in
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
MINUTE = 60 * SECOND
LOSSES = ("loss", "radio", "bursts", "signal", "fields")


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
        TraceStep("epoch", plain(feature) | _more("epochs", str(row["session"]), feature, key))
        for _, feature in epochs[inside].iterrows()
    ]
    return TraceStep(
        "phase feature", plain(row), "mean of the epochs that lie in the phase wholly", tuple(parts)
    )


def _more(name: str, session: str, row: Row, key: tuple[str, ...]) -> dict[str, str]:
    """The command that goes further from a row."""
    words = " ".join(f"{column}={row[column]}" for column in key)
    return {"more": f"nodeday trace {name} session={session} {words}"}


def _session(study: Study, row: Row) -> TraceStep:
    signal = SessionTables(study, str(row["session"]))
    rows = signal.inside[signal.inside["node"] == row["node"]]
    parts = []
    for stream, frames in rows.groupby("stream", observed=True):
        values = {
            "stream": str(stream),
            "distinct": int(frames["status"].isin(DISTINCT).sum()),
            "all": len(frames),
            "from_byte": int(frames["offset"].min()),
            "to_byte": int((frames["offset"] + frames["length"]).max()),
        }
        parts.append(TraceStep("frames", values))
    lost = signal.gaps[signal.gaps["node"] == row["node"]]
    how = "counts of distinct frames and of gaps; see `nodeday audit`"
    return TraceStep("session", plain(row), how, (*parts, *_gaps(signal, lost)))


def _gaps(signal: SessionTables, lost: pd.DataFrame) -> list[TraceStep]:
    key = TABLES["gaps"].key
    return [
        TraceStep("gap", plain(gap) | _more("gaps", signal.session, gap, key)) for _, gap in lost.iterrows()
    ]


def _nodes(rows: pd.DataFrame) -> list[TraceStep]:
    """A step for each row of table ``sessions``."""
    return [
        TraceStep("session", plain(node) | _more("sessions", str(node["session"]), node, ("node",)))
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


def _behind(signal: SessionTables, row: Row, gaps: pd.DataFrame) -> Bools:
    """Return which gaps (g,) are right behind a frame with the value that a row of ``fields`` is about."""
    key = str(row["node"]), str(row["stream"])
    columns = columns_of(signal.study.results, signal.session)[key]
    holds = columns[column_of(str(row["field"]))] == row["value"]
    holds &= is_in(columns["status"], DISTINCT)
    if signal.cut is not None:
        holds &= signal.cut.of(key).hold(columns["boot"], columns["seq"])
    kept = set(zip(columns["boot"][holds].tolist(), columns["seq"][holds].tolist(), strict=True))
    before = zip(gaps["boot"].tolist(), (gaps["seq_from"] - 1).tolist(), strict=True)
    return np.array([each in kept for each in before], np.bool_)


def _of_minute(
    signal: SessionTables, row: Row, rows: pd.DataFrame, lost: pd.DataFrame
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return the frames of a stream that a row of ``loss`` counts, second copies too, and gaps in its minute.

    A gap is in the hub run of the frame before it, or of the one after it at the begin of a boot.
    """
    start, end = row["minute_hub_ns"], row["minute_hub_ns"] + MINUTE
    runs = signal.hub_runs(str(row["node"]), str(row["stream"]))
    rows = rows[rows["status"].isin([*DISTINCT, *SECOND_COPIES])]
    rows = rows[(rows["hub_ns"] >= start) & (rows["hub_ns"] < end)]
    rows = rows[rows["row"].map(runs) == row["hub_run"]]
    lost = lost[(lost["before_hub_ns"].fillna(start) < end) & (lost["after_hub_ns"].fillna(end) >= start)]
    near = [
        signal.neighbours(gap["node"], gap["stream"], gap["boot"], gap["seq_from"])["row"].iloc[0]
        for _, gap in lost.iterrows()
    ]
    return rows, lost[(runs[near] == row["hub_run"]).to_numpy()]


def losses(signal: SessionTables, name: str, row: Row) -> TraceStep:
    """Trace a row of ``loss`` to its frames and gaps, one of the other LOSSES to the gaps that it counts."""
    rows, lost = (of_stream(each, row["node"], row["stream"]) for each in (signal.inside, signal.gaps))
    if name == "loss":
        rows, lost = _of_minute(signal, row, rows, lost)
        frames = tuple(signal.frame(frame) for _, frame in rows.iterrows())
    else:
        # A loss on a transmit list has no frames on both sides, which tell how strong the signal was.
        lost = lost[lost["cause"].isin(["radio"] if name == "signal" else ON_AIR)]
        if name == "bursts":
            lost = lost[lost["frames"] == row["length"]]
        if name == "fields":
            lost = lost[_behind(signal, row, lost)]
            how = "frames received with the value, and gaps on the air right behind one of them"
            received = TraceStep("frames", {"received": row["received"]})
            return TraceStep(name, plain(row), how, (received, *_gaps(signal, lost)))
        frames = (TraceStep("frames", {"received": int(rows["status"].isin(DISTINCT).sum())}),)
    how = "frames received and gaps between them"
    return TraceStep(name, plain(row), how, (*frames, *_gaps(signal, lost)))
