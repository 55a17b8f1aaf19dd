"""Participants by hours: what was recorded, what of it counts, and what the rules took."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from nodeday.core.arrays import Floats, Ints
from nodeday.stages.report.facts import StudyFacts
from nodeday.stages.report.svg import RIGHT, WIDTH, Drawing, Figure, boxes, instants
from nodeday.stages.report.words import local, number, percent

SECOND, MINUTE, HOUR = 1_000_000_000, 60_000_000_000, 3_600_000_000_000
LEFT, END, HEAD, BAR, BETWEEN, MOST_BINS = 150, 176, 6, 18, 9, 300
STEPS = (0.25, 0.5, 1, 2, 3, 6)


@dataclass(frozen=True)
class Lane:
    """A finished session: its bins of ``size_ns`` from ``first_ns`` on, and of each the share of its
    nodes' time that was received and counts, and that was received and does not, (b,) each.
    """

    session: str
    participant: str
    clock_h: float
    first_ns: int
    size_ns: int
    counts: Floats
    taken: Floats

    @property
    def hours(self) -> tuple[float, float]:
        """Hours of the clock at which it begins and ends; past 24 on the day after."""
        return self.clock_h, self.clock_h + len(self.counts) * self.size_ns / HOUR


def hours(facts: StudyFacts) -> Figure | None:
    """A lane a session on one clock of the day; None where no session finished."""
    lanes = _lanes(facts)
    if not lanes:
        return None
    first = np.floor(min(lane.hours[0] for lane in lanes) * 4) / 4
    last = np.ceil(max(lane.hours[1] for lane in lanes) * 4) / 4
    scale = (WIDTH - RIGHT - END - LEFT) / (last - first)
    by = {row.session: row for row in facts.rows}
    order = [row.session for row in facts.rows]
    bottom = HEAD + (BAR + BETWEEN) * len(order)
    told = {lane.session: _told(facts, lane.session) for lane in lanes}
    about = "; ".join(f"{name}: {each}" for name, each in told.items())
    drawing = Drawing("hours", "What was recorded of each participant, by the clock", about, bottom + 20)
    step = next(s for s in STEPS if (last - first) / s <= 9 or s == STEPS[-1])
    for tick in np.arange(np.ceil(first / step) * step, last + 1e-9, step):
        x = LEFT + (tick - first) * scale
        drawing.line(x, 0, x, bottom + 2, "grid")
        drawing.text(x, bottom + 16, f"{int(tick) % 24:02d}:{round(tick % 1 * 60):02d}", "tick", "middle")
    found, before = {lane.session: lane for lane in lanes}, ""
    for index, name in enumerate(order):
        top, row = HEAD + (BAR + BETWEEN) * index, by[name]
        if row.participant != before:
            drawing.text(0, top + 13, row.participant, "name")
        before = row.participant
        if name not in found:
            drawing.text(LEFT - 84, top + 13, name, "tick faint")
            drawing.text(LEFT + 4, top + 13, "✕ failed: no tables", "tick limit-name")
            continue
        drawing.link(LEFT - 84, top + 13, name, f"{name}.html", "tick")
        _draw(drawing, found[name], LEFT + (found[name].clock_h - first) * scale, top, scale)
        drawing.text(WIDTH - RIGHT - END + 12, top + 13, f"{row.mark} {told[name]}", "tick")
    return Figure(
        "hours",
        "Participants by hours",
        "A lane a session, by the clock on the wall where it was recorded. Filled: share of its nodes’ time "
        "that was received and counts. Hatched above it: received from nodes that a rule takes. Pale: not "
        "received. Rules for single features take no node.",
        drawing.markup(),
        _rows(lanes),
    )


def _told(facts: StudyFacts, session: str) -> str:
    own = facts.sessions[facts.sessions["session"] == session]
    received = own["hours"] * own["coverage"]
    kept = received[[(session, str(node)) not in facts.taken for node in own["node"]]]
    return f"{number(kept.sum())} of {number(received.sum())} node hours count"


def _lanes(facts: StudyFacts) -> list[Lane]:
    finished = facts.finished
    longest = max((row.hours for row in finished), default=0.0)
    size = max(1, int(-(-longest * 60 // MOST_BINS))) * MINUTE
    found = []
    for row in finished:
        own = facts.sessions[facts.sessions["session"] == row.session]
        start, end = int(own["start_ns"].min()), int(own["end_ns"].max())
        edges = np.arange(start, end, size)
        counts, taken = _shares(facts, row.session, own, edges, size, end)
        zone = facts.study.zone_of(row.session)
        clock = sum(int(part) / 60**k for k, part in enumerate(local(start, zone, "%H:%M:%S").split(":")))
        found.append(Lane(row.session, row.participant, clock, start, size, counts, taken))
    return found


def _shares(
    facts: StudyFacts, session: str, own: pd.DataFrame, edges: Ints, size: int, end: int
) -> tuple[Floats, Floats]:
    """Of each bin the share received of nodes that count, and of those that do not. Where the hub's
    minutes have no place in UTC, each node's share of the whole session stands in all bins.
    """
    columns = ["node", "stream", "minute_utc_ns", "received"]
    loss = facts.of_session("loss", session, columns)
    period = facts.of_session("radio", session, ["node", "stream", "period_s"])
    width = np.minimum(edges + size, end) - edges
    sums = {False: np.zeros(len(edges)), True: np.zeros(len(edges))}
    for node, coverage in zip(own["node"].astype(str), own["coverage"], strict=True):
        mine = loss[(loss["node"] == node) & loss["minute_utc_ns"].notna()]
        each = [
            received(
                rows,
                float(period.loc[(period["node"] == node) & (period["stream"] == stream), "period_s"].max()),
                edges,
                width,
            )
            for stream, rows in mine.groupby("stream", observed=True)
        ]
        share = np.min(each, axis=0) if each else np.full(len(edges), float(coverage))
        sums[(session, node) in facts.taken] += share / len(own)
    return sums[False], sums[True]


def received(minutes: pd.DataFrame, period_s: float, edges: Ints, width: Ints) -> Floats:
    """Share of each bin [edge, edge + width) that frames of ``period_s`` fill, (b,), from the counts of
    ``minutes``; a minute that two bins cut is shared out by time.
    """
    start = minutes["minute_utc_ns"].to_numpy(np.int64)
    count = minutes["received"].to_numpy(np.float64)
    order = np.argsort(start)
    knots = np.column_stack([start[order], start[order] + MINUTE]).ravel() - int(edges[0])
    total = np.column_stack([np.zeros(len(start)), count[order]]).ravel().cumsum()
    ends = np.append(edges, edges[-1] + width[-1]) - int(edges[0])
    at = np.interp(ends, np.maximum.accumulate(knots), total)
    share: Floats = np.clip(np.diff(at) * period_s * SECOND / width, 0.0, 1.0)
    return share


def _draw(drawing: Drawing, lane: Lane, left: float, top: float, scale: float) -> None:
    width = lane.size_ns / HOUR * scale
    x = left + width * np.arange(len(lane.counts))
    drawing.rect(left, top, width * len(lane.counts), BAR, "band pale")
    for base, share, style in ((0.0 * lane.taken, lane.counts, "got"), (lane.counts, lane.taken, "taken")):
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
                    "share_taken": np.round(lane.taken, 4),
                }
            )
            for lane in lanes
        ],
        ignore_index=True,
    )


def summary(facts: StudyFacts) -> str:
    """How much was received of how much was worn, in one sentence."""
    worn = float(facts.sessions["hours"].sum())
    received_h = float((facts.sessions["hours"] * facts.sessions["coverage"]).sum())
    if not worn:
        return "Nothing was recorded yet."
    left = float(facts.flow["hours_left"].iloc[-1]) if len(facts.flow) else 0.0
    return (
        f"{number(left)} node hours count, {percent(left / worn)} of the {number(worn)} that sessions last; "
        f"{number(received_h)} were received."
    )
