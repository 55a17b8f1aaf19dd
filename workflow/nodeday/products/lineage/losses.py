"""Rows of the tables of losses, back to the frames and gaps that they count.

A step ``frames`` counts frames received, and a step ``gaps`` frames lost, by the names of the columns that
they add up to.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd

from nodeday.core.arrays import Bools, Ints
from nodeday.products.lineage.lookup import Row, more
from nodeday.products.lineage.signal import SessionTables, of_stream
from nodeday.products.lineage.step import TraceStep, plain
from nodeday.schemas import TABLES
from nodeday.schemas.codes import DISTINCT, ON_AIR, SECOND_COPIES
from nodeday.stages.loss import stage
from nodeday.stages.loss.counted import CountedStream, counted
from nodeday.stages.loss.minutes import minute_key
from nodeday.stages.loss.silence import silences
from nodeday.stages.loss.statistics import signal_of_gaps
from nodeday.storage.frame_fields import column_of
from nodeday.storage.frames import columns_of, is_in


def trace(signal: SessionTables, name: str, row: Row) -> TraceStep:
    """Trace a row of a table ``name`` of :data:`TABLES_OF_LOSSES`."""
    how, parts = TABLES_OF_LOSSES[name](signal, row)
    return TraceStep(name, plain(row), how, parts)


def frames_step(rows: pd.DataFrame, columns: list[str], steps: tuple[TraceStep, ...] = ()) -> TraceStep:
    """Return a step that counts frames by status, as far as the counts are among ``columns`` of a table."""
    status = rows["status"].astype(str)
    distinct = status.isin(DISTINCT)
    counts = {
        "received": distinct,
        "recovered": distinct & (rows["capture"] > 0),
        "duplicates": status.isin(SECOND_COPIES),
        "conflicts": status == "conflict",
        "late": status == "late",
        "inconsistent": status == "inconsistent",
    }
    return TraceStep(
        "frames", {name: int(of.sum()) for name, of in counts.items() if name in columns}, "", steps
    )


def gaps_step(signal: SessionTables, gaps: pd.DataFrame, frames: Ints | None = None) -> TraceStep:
    """Return a step that counts the frames lost in gaps: ``frames`` (g,) of each, or all.

    Each gap names the command that traces it further.
    """
    key = TABLES["gaps"].key
    lost = gaps["frames"].fillna(0).to_numpy(np.int64) if frames is None else frames
    by_cause = pd.Series(lost).groupby(gaps["cause"].astype(str).to_numpy()).sum()
    counts = {f"lost_{cause}": int(total) for cause, total in by_cause.items() if total}
    steps = [
        TraceStep("gap", plain(gap) | more("gaps", signal.session, gap, key)) for _, gap in gaps.iterrows()
    ]
    if frames is not None:
        steps = [
            TraceStep("gap", {**step.values, "counted": n})
            for step, n in zip(steps, lost.tolist(), strict=True)
        ]
    values = {"gaps": len(gaps), "lost": int(lost.sum()), **counts}
    unknown = int((gaps["extent"] == "unknown").sum())
    return TraceStep("gaps", values | ({"unknown_gaps": unknown} if unknown else {}), "", tuple(steps))


def count_stream(signal: SessionTables, node: str, stream: str) -> CountedStream:
    """Count a stream of the session as stage `loss` does."""
    _, session = stage.received_of(signal.study, signal.session)
    lists = stage.sent_lists(signal.study, signal.session, session)
    of_node = session.streams_of(node)
    own = next(each for each in of_node if each.stream == stream)
    return counted(own, of_node, session, silences(session), lists.get((node, stream)))


Parts = tuple[str, tuple[TraceStep, ...]]
"""How a row was counted, and the steps of what it counts."""


def _stream(signal: SessionTables, row: Row) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return the frames of the session of the stream that a row is about, and its gaps."""
    key = str(row["node"]), str(row["stream"])
    return of_stream(signal.inside, *key), of_stream(signal.gaps, *key)


def _minute(signal: SessionTables, row: Row) -> Parts:
    """Frames received in a minute, one by one, and the gaps of which frames were due in it."""
    rows, gaps = _stream(signal, row)
    found = count_stream(signal, str(row["node"]), str(row["stream"]))
    own, lost = found.part.inside, found.lost
    minute = minute_key(*(np.array([row[name]], np.int64) for name in ("hub_run", "minute_hub_ns")))
    received = own.columns["row"][own.order][minute_key(own.run, own.hub_ns) == minute]
    again = own.columns["row"][own.copies][minute_key(own.copy_run, own.copy_hub_ns) == minute]
    rows = rows[rows["row"].isin(np.concatenate([received, again]))]
    due: Bools = lost.minute == minute
    within = [
        np.count_nonzero(due & (lost.boot == boot) & (lost.seq >= first) & (lost.seq < stop))
        for boot, first, stop in zip(gaps["boot"], gaps["seq_from"], gaps["seq_to"].fillna(0), strict=True)
    ]
    frames = np.array(within, np.int64)
    steps = tuple(signal.frame(frame) for _, frame in rows.iterrows())
    how = "frames received in the minute, and lost ones due in it, evenly between those around their gap"
    some = frames > 0
    return how, (
        frames_step(rows, TABLES["loss"].names, steps),
        gaps_step(signal, gaps[some], frames[some]),
    )


def _total(signal: SessionTables, row: Row) -> Parts:
    """All frames and gaps of a stream."""
    rows, gaps = _stream(signal, row)
    return "all frames and gaps of the stream", (
        frames_step(rows, TABLES["radio"].names),
        gaps_step(signal, gaps),
    )


def _sent(signal: SessionTables, row: Row) -> Parts:
    """All frames of a stream that has a transmit list, and the gaps whose length is known."""
    rows, gaps = _stream(signal, row)
    how = f"frames received, {row['not_listed']} of them not on the transmit list, and frames that were lost"
    return how, (frames_step(rows, ["received"]), gaps_step(signal, gaps[gaps["extent"] == "known"]))


def _length(signal: SessionTables, row: Row) -> Parts:
    """Gaps on the air of a length."""
    _, gaps = _stream(signal, row)
    of_length = gaps["cause"].isin(ON_AIR) & (gaps["frames"] == row["length"]).fillna(False)
    return "runs of frames lost on the air of that length", (gaps_step(signal, gaps[of_length]),)


def _bin(signal: SessionTables, row: Row) -> Parts:
    """Frames received with a signal, and gaps on the air between frames that give it as their mean."""
    rows, gaps = _stream(signal, row)
    part = count_stream(signal, str(row["node"]), str(row["stream"])).part
    measure = str(row["measure"])
    own = part.inside.measured(measure)
    received = part.inside.column("row")[(own >= row["low"]) & (own < row["high"])]
    near = signal_of_gaps(part, measure)
    near = near[(near["signal"] >= row["low"]) & (near["signal"] < row["high"])]
    at = pd.MultiIndex.from_frame(gaps[["boot", "seq_from"]])
    some = at.isin(pd.MultiIndex.from_frame(near[["boot", "seq_from"]]))
    how = f"by {measure} of each frame; a lost one has the mean of the received ones next to its gap"
    return how, (
        frames_step(rows[rows["row"].isin(received)], ["received"]),
        gaps_step(signal, gaps[some & (gaps["cause"] == "radio").to_numpy()]),
    )


def _value(signal: SessionTables, row: Row) -> Parts:
    """Frames received with a value in a field, and gaps on the air right behind one of them."""
    rows, gaps = _stream(signal, row)
    columns = columns_of(signal.study.results, signal.session)[str(row["node"]), str(row["stream"])]
    holds = columns[column_of(str(row["field"]))] == row["value"]
    holds &= is_in(columns["status"], DISTINCT)
    rows = rows[rows["row"].isin(columns["row"][holds])]
    before = pd.MultiIndex.from_arrays([gaps["boot"], gaps["seq_from"] - 1])
    behind = (
        before.isin(pd.MultiIndex.from_frame(rows[["boot", "seq"]])) & gaps["cause"].isin(ON_AIR).to_numpy()
    )
    how = "frames received with the value, and gaps on the air right behind one of them"
    return how, (frames_step(rows, ["received"]), gaps_step(signal, gaps[behind]))


TABLES_OF_LOSSES: dict[str, Callable[[SessionTables, Row], Parts]] = {
    "loss": _minute,
    "radio": _total,
    "bursts": _length,
    "signal": _bin,
    "fields": _value,
    "sent": _sent,
}
