"""Figure of participants by hours: what was recorded, what of it counts, and what the rules exclude."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from nodeday.core.arrays import Floats, Ints
from nodeday.stages.report.facts import StudyFacts
from nodeday.stages.report.figure_tables import instants
from nodeday.stages.report.panels import ValueSteps, XAxis
from nodeday.stages.report.spans import HOUR, MINUTE, SECOND
from nodeday.stages.report.svg import RIGHT, WIDTH, Drawing, Figure, boxes
from nodeday.stages.report.words import local, number, percent

LEFT, END, HEAD, BAR, BETWEEN, MOST_BINS = 150, 176, 6, 18, 9, 300
STEPS = (0.25, 0.5, 1, 2, 3, 6)


@dataclass(frozen=True)
class Lane:
    """A finished session in bins (b,) of ``size_ns`` from ``first_ns`` on.

    Of each bin ``counts`` is the share of its nodes' time that was received and counts, ``excluded`` the
    share that was received from nodes that a rule excludes. ``clock_h`` is the local hour of the start.
    """

    session: str
    participant: str
    clock_h: float
    first_ns: int
    size_ns: int
    counts: Floats
    excluded: Floats

    @property
    def hours(self) -> tuple[float, float]:
        """Hours of the clock at which it begins and ends; past 24 on the day after."""
        return self.clock_h, self.clock_h + len(self.counts) * self.size_ns / HOUR


def hours(facts: StudyFacts) -> Figure | None:
    """Draw a lane a session on one clock of the day; None where none has a time."""
    lanes = {lane.session: lane for lane in _lanes(facts)}
    if not lanes:
        return None
    bottom = HEAD + (BAR + BETWEEN) * len(facts.rows)
    sentences = {session: _sentence(facts, session) for session in lanes}
    about = "; ".join(f"{session}: {sentence}" for session, sentence in sentences.items())
    drawing = Drawing("hours", "What was recorded of each participant, by the clock", about, bottom + 20)
    axis = _clock_axis(list(lanes.values()))
    for hour, _ in axis.steps.ticks():
        x = float(axis.x(hour))
        drawing.line(x, 0, x, bottom + 2, "grid")
        drawing.text(x, bottom + 16, f"{int(hour) % 24:02d}:{round(hour % 1 * 60):02d}", "tick", "middle")
    before = ""
    for index, row in enumerate(facts.rows):
        top = HEAD + (BAR + BETWEEN) * index
        if row.participant != before:
            drawing.text(0, top + 13, row.participant, "name")
        before = row.participant
        if row.session not in lanes:
            why = "✕ failed: no tables" if row.failure else "no clock tells when"
            drawing.text(LEFT - 84, top + 13, row.session, "tick faint")
            drawing.text(LEFT + 4, top + 13, why, "tick limit-name" if row.failure else "tick")
            continue
        drawing.link(LEFT - 84, top + 13, row.session, f"{row.session}.html", "tick")
        _draw(drawing, axis, lanes[row.session], top)
        drawing.text(WIDTH - RIGHT - END + 12, top + 13, f"{row.mark} {sentences[row.session]}", "tick")
    return Figure(
        "hours",
        "Participants by hours",
        "A lane a session, by the clock on the wall where it was recorded. Filled: share of its nodes’ time "
        "that was received and counts. Hatched above it: received from nodes that a rule takes. Pale: not "
        "received. Rules for single features take no node.",
        drawing.markup(),
        _rows(list(lanes.values())),
    )


def _clock_axis(lanes: list[Lane]) -> XAxis:
    """Hours of the clock over all lanes, from quarter to quarter, with nine ticks or fewer."""
    first = float(np.floor(min(lane.hours[0] for lane in lanes) * 4) / 4)
    last = float(np.ceil(max(lane.hours[1] for lane in lanes) * 4) / 4)
    step = next((step for step in STEPS if (last - first) / step <= 9), STEPS[-1])
    return XAxis(ValueSteps(first, last, step), LEFT, WIDTH - RIGHT - END)


def _sentence(facts: StudyFacts, session: str) -> str:
    nodes = facts.sessions[facts.sessions["session"] == session]
    if nodes["coverage"].isna().all():
        return "frames without samples"
    received = nodes["hours"] * nodes["coverage"]
    kept = received[[(session, str(node)) not in facts.excluded for node in nodes["node"]]]
    return f"{number(kept.sum())} of {number(received.sum())} node hours count"


def _lanes(facts: StudyFacts) -> list[Lane]:
    finished = facts.finished
    longest = max((row.hours for row in finished), default=0.0)
    size = max(1, int(-(-longest * 60 // MOST_BINS))) * MINUTE
    found = []
    for row in finished:
        nodes = facts.sessions[facts.sessions["session"] == row.session]
        if nodes["start_ns"].isna().all():
            continue
        start, end = int(nodes["start_ns"].min()), int(nodes["end_ns"].max())
        edges = np.arange(start, end, size)
        counts, excluded = _shares(facts, row.session, nodes, edges, np.minimum(edges + size, end) - edges)
        zone = facts.study.zone_of(row.session)
        clock = sum(int(part) / 60**k for k, part in enumerate(local(start, zone, "%H:%M:%S").split(":")))
        found.append(Lane(row.session, row.participant, clock, start, size, counts, excluded))
    return found


def _shares(
    facts: StudyFacts, session: str, nodes: pd.DataFrame, edges: Ints, width: Ints
) -> tuple[Floats, Floats]:
    """Share of each bin received from nodes that count, and from those that do not.

    Where the hub's minutes have no instant in UTC, each node's share of the full session stands in all
    bins, of its frames where they carry no samples.
    """
    loss = facts.of_session("loss", session, ["node", "stream", "minute_utc_ns", "expected", "received"])
    loss = loss[loss["minute_utc_ns"].notna()]
    radio = facts.of_session("radio", session, ["node", "stream", "period_s", "expected", "received"])
    frames = radio.groupby("node")[["received", "expected"]].sum()
    arrived = frames["received"] / frames["expected"]
    period_s = radio.groupby(["node", "stream"], observed=True)["period_s"].max()
    sums = {False: np.zeros(len(edges)), True: np.zeros(len(edges))}
    for node, coverage in zip(nodes["node"].astype(str), nodes["coverage"], strict=True):
        shares = [
            received(rows, float(period_s.get((node, stream), np.nan)), edges, width)
            for stream, rows in loss[loss["node"] == node].groupby("stream", observed=True)
        ]
        of_node = float(arrived.get(node, 0.0)) if pd.isna(coverage) else float(coverage)
        share = np.min(shares, axis=0) if shares else np.full(len(edges), of_node)
        sums[(session, node) in facts.excluded] += share / len(nodes)
    return sums[False], sums[True]


def received(minutes: pd.DataFrame, period_s: float, edges: Ints, width: Ints) -> Floats:
    """Return the share of each bin [edge, edge + width), (b,), that frames of ``period_s`` fill.

    ``minutes`` holds the frames received by minute; a minute that two bins cut is shared out by time. Frames
    of several periods (NaN) fill as much of a minute as was received of those that it should hold.
    """
    start = minutes["minute_utc_ns"].to_numpy(np.int64)
    count = minutes["received"].to_numpy(np.float64)
    if np.isnan(period_s):
        count, period_s = count / np.maximum(minutes["expected"].to_numpy(np.float64), 1), MINUTE / SECOND
    order = np.argsort(start)
    knots = np.column_stack([start[order], start[order] + MINUTE]).ravel() - int(edges[0])
    total = np.column_stack([np.zeros(len(start)), count[order]]).ravel().cumsum()
    ends = np.append(edges, edges[-1] + width[-1]) - int(edges[0])
    at = np.interp(ends, np.maximum.accumulate(knots), total)
    share: Floats = np.clip(np.diff(at) * period_s * SECOND / width, 0.0, 1.0)
    return share


def _draw(drawing: Drawing, axis: XAxis, lane: Lane, top: float) -> None:
    width = lane.size_ns / HOUR * axis.scale
    x = float(axis.x(lane.clock_h)) + width * np.arange(len(lane.counts))
    drawing.rect(x[0], top, width * len(lane.counts), BAR, "band pale")
    nothing = np.zeros(len(lane.counts))
    for base, share, style in ((nothing, lane.counts, "got"), (lane.counts, lane.excluded, "taken")):
        changes = np.flatnonzero(np.diff(np.round(share, 2)) != 0) + 1
        first, last = np.append(0, changes), np.append(changes, len(share))
        drawing.path(
            boxes(
                (x[a], top + BAR * (1 - base[a] - share[a]), width * (b - a), BAR * share[a])
                for a, b in zip(first, last, strict=True)
                if share[a] > 0
            ),
            style,
        )


def _rows(lanes: list[Lane]) -> pd.DataFrame:
    return pd.concat(
        [
            pd.DataFrame(
                {
                    "participant": lane.participant,
                    "session": lane.session,
                    "start_utc": instants(lane.first_ns + lane.size_ns * np.arange(len(lane.counts))),
                    "share_counts": np.round(lane.counts, 4),
                    "share_taken": np.round(lane.excluded, 4),
                }
            )
            for lane in lanes
        ],
        ignore_index=True,
    )


def summary(facts: StudyFacts) -> str:
    """Return one sentence on how much was received and counts, of how much was worn."""
    worn = facts.worn_h
    received_h = float((facts.sessions["hours"] * facts.sessions["coverage"]).sum())
    if not worn:
        return "No samples were recorded." if len(facts.sessions) else "Nothing was recorded yet."
    left = float(facts.flow["hours_left"].iloc[-1]) if len(facts.flow) else 0.0
    return (
        f"{number(left)} node hours count, {percent(left / worn)} of the {number(worn)} that sessions last; "
        f"{number(received_h)} were received."
    )
