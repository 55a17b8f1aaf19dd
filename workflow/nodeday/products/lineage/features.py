"""Beats, epochs and other rows with a span, back to their samples by frame and gap."""

from __future__ import annotations

import pandas as pd

from nodeday.products.lineage.lookup import Row
from nodeday.products.lineage.signal import RECEIVED, SECOND, SessionTables
from nodeday.products.lineage.step import TraceStep, plain
from nodeday.schemas import FEATURE
from nodeday.schemas.codes import DISTINCT
from nodeday.schemas.features import JOINT
from nodeday.storage.row_groups import Filters

EVERY_NODE = "*"
"""In table ``steps``: the time of a network, which all of its nodes keep."""
NEXT_BEAT_NS = 30 * SECOND
"""No interval that counts is longer."""


def beat(signal: SessionTables, row: Row) -> TraceStep:
    """Trace an R peak: the samples next to it, and the beat before, from which its interval runs."""
    node, at = str(row["node"]), int(row["utc_ns"])
    kind, channel = next(
        (kind, channel)
        for kind in signal.study.layout_of(signal.session, node).streams
        for channel in kind.channels
        if channel.unit == "mV"
    )
    period = signal.longest_period(node, kind.stream)
    rows = signal.samples_between(node, channel.name, at - 2 * period, at + 2 * period)
    rows = rows[rows["boot"] == row["boot"]]
    nearest = rows.loc[(rows["utc_ns"] - at).abs().sort_values(kind="stable").index[:3]].sort_values("utc_ns")
    before: tuple[TraceStep, ...] = ()
    if pd.notna(row["rr_ms"]):
        earlier = signal.table("beats", [("node", "==", node), ("utc_ns", "<", at)])
        before = (TraceStep("beat before", plain(earlier.iloc[-1])),)
    how = "the top of the filtered signal between these samples"
    how += "; rr_ms runs from the beat before" if before else ""
    samples = (signal.sample(sample) for _, sample in nearest.iterrows())
    return TraceStep("beat", plain(row), how, (*samples, *before))


def epoch(signal: SessionTables, row: Row) -> TraceStep:
    """Trace a feature of an epoch: its beats and the next, where its stream is an ECG, and its samples."""
    if row["feature"] in JOINT:
        return _joint(signal, row)
    node, name = str(row["node"]), str(row["channel"])
    kind, channel = signal.stream_or_channel(node, name)
    start, end = int(row["start_ns"]), int(row["end_ns"])
    parts = (
        [beat(signal, peak) for _, peak in _beats(signal, node, start, end).iterrows()] if kind.is_ecg else []
    )
    feature = FEATURE[str(row["feature"])]
    return TraceStep(
        "epoch",
        plain(row) | {"unit": feature.unit},
        f"{feature.formula}; needs {feature.needs}",
        (*parts, *_by_frame(signal, node, kind.stream, channel, start, end)),
    )


def _joint(signal: SessionTables, row: Row) -> TraceStep:
    """Trace a joint feature of an epoch: the features of it that it is made of."""
    rows = signal.table("epochs", [("epoch", "==", int(row["epoch"]))])
    heart = (rows["node"] == row["channel"]) & (rows["feature"] == "heart_rate_bpm")
    motion = (rows["node"] == row["node"]) & rows["feature"].isin(JOINT[str(row["feature"])])
    feature = FEATURE[str(row["feature"])]
    parts = tuple(epoch(signal, each) for _, each in rows[heart | motion].iterrows())
    return TraceStep(
        "epoch", plain(row) | {"unit": feature.unit}, f"{feature.formula}; needs {feature.needs}", parts
    )


def _beats(signal: SessionTables, node: str, start: int, end: int) -> pd.DataFrame:
    """Return the beats of [start, end), and the one after it, whose interval reaches into the epoch."""
    span = [("utc_ns", ">=", start), ("utc_ns", "<", end + NEXT_BEAT_NS)]
    beats = signal.table("beats", [("node", "==", node), *span])
    inside = int((beats["utc_ns"] < end).sum())
    return beats.iloc[: inside + 1]


def _by_frame(
    signal: SessionTables, node: str, stream: str, channel: str, start: int, end: int
) -> list[TraceStep]:
    """Samples of [start, end) as they came: a step for each frame, and one for each gap."""
    rows = signal.samples_between(node, channel, start, end - 1)
    parts: list[TraceStep] = []
    gaps: set[tuple[int, int]] = set()
    for _, samples in rows.groupby(["boot", "seq"], sort=False):
        first = samples.iloc[0]
        boot, seq = int(first["boot"]), int(first["seq"])
        values = {
            "node": node,
            "stream": stream,
            "boot": boot,
            "seq": seq,
            "instants": len(samples),
            "origin": str(first["origin"]),
        }
        if first["origin"] in RECEIVED:
            parts.append(TraceStep("samples", values, "", (signal.frame_of(node, stream, boot, seq),)))
            continue
        gap = signal.gap_over(node, stream, boot, seq)
        begins = (boot, gap.values.get("seq_from", seq))
        again = begins in gaps
        gaps.add(begins)
        parts.append(TraceStep("samples", values, "lost with its frame", () if again else (gap,)))
    return parts


def other(signal: SessionTables, name: str, row: Row) -> TraceStep:
    """Trace a row of any other table of a session: the samples of its span, or the frames of its node."""
    values = plain(row)
    names = {"channel", "stream"} & set(row.index)
    if names and {"node", "start_ns", "end_ns"} <= set(row.index) and name != "cut":
        node = str(row["node"])
        kind, channel = signal.stream_or_channel(node, str(row[names.pop()]))
        parts = _by_frame(signal, node, kind.stream, channel, row["start_ns"], row["end_ns"])
        return TraceStep(name, values, "from the samples of its span", tuple(parts))
    if name == "agreement":
        pair: Filters = [(each, "==", str(row[each])) for each in ("node", "other")]
        moments = tuple(
            TraceStep("movement", plain(one)) for _, one in signal.table("movements", pair).iterrows()
        )
        return TraceStep(name, values, "from the movements that both nodes share", moments)
    if name == "hub_runs":
        rows = signal.frames[signal.frames["row"] == row["row"]]
        return TraceStep(
            name, values, "from this frame on", tuple(signal.frame(one) for _, one in rows.iterrows())
        )
    return _of_node(signal, name, row)


def _of_node(signal: SessionTables, name: str, row: Row) -> TraceStep:
    """Trace a row about a node, or a stream or boot of it: a count of its frames."""
    keys = [each for each in ("node", "stream", "boot") if each in row.index and row[each] != EVERY_NODE]
    inside, placed = signal.inside, signal.placed
    for each in keys:
        inside, placed = inside[inside[each] == row[each]], placed[placed[each] == row[each]]
    counts = {"inside": len(inside), "outside": len(placed) - len(inside)}
    if name == "battery":
        inside = inside[inside["status"].isin(DISTINCT)]
        counts = {"readings": signal.with_voltage(str(row["node"]), inside["row"])}
    how = f"from the frames of its {keys[-1]}" if keys else "from the frames of all nodes"
    return TraceStep(name, plain(row), how, (TraceStep("frames", counts),))
