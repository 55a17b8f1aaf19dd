"""Facts that the pages show, read from the tables once: those of one session, and those of the study.

The facts about a session hold each lost span of each stream in UTC, between the frames on both sides of it.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from itertools import product
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from nodeday.config.study import HUB, Study
from nodeday.core import timeline
from nodeday.core.arrays import groups
from nodeday.core.errors import ContractError
from nodeday.layouts import Layout
from nodeday.layouts.codec import interleave_shift
from nodeday.schemas import TABLES
from nodeday.schemas.codes import GAP_CAUSE
from nodeday.stages.report import overview, spans
from nodeday.stages.report.overview import SessionRow
from nodeday.stages.report.spans import FrameSpans
from nodeday.storage import session_cut, tables
from nodeday.storage.frames import FrameStamps, columns_of, frame_stamps

ALL = "*"
"""In a row of table ``exclusions``: every node, or every feature."""
CAUSES = tuple(GAP_CAUSE)
ABSENT = "absent"
"""Before a stream's first frame and after its last: no gap, since nothing shows that any were sent."""


LostSpans = tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.object_], NDArray[np.object_]]
"""Start and end of lost spans in ns UTC, their causes and extents, (m,) each."""
NO_STAMPS = FrameStamps(
    np.zeros(0, np.int32), np.zeros(0, np.int64), np.zeros(0, np.int64), 0, np.zeros(0, np.int32)
)
NO_SPANS: LostSpans = (*2 * (np.zeros(0, np.int64),), *2 * (np.zeros(0, object),))


@dataclass(frozen=True)
class StreamFacts:
    """A stream of a node with its lost spans [start, end) in UTC by cause; no spans without a UTC.

    ``unknown`` counts gaps of unknown length.
    """

    node: str
    placement: str
    stream: str
    start_ns: NDArray[np.int64]
    end_ns: NDArray[np.int64]
    cause: NDArray[np.object_]
    extent: NDArray[np.object_]
    unknown: int
    counts: dict[str, int]
    """Frames: expected, received, recovered, lost_<cause>, duplicates, late, longest_gap_frames."""

    @property
    def name(self) -> str:
        return f"{self.node} {self.stream}"

    def lost_to(self, cause: str) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """Start and end of the spans with that cause, (m,) each."""
        chosen = self.cause == cause
        return self.start_ns[chosen], self.end_ns[chosen]

    def select(self, table: pd.DataFrame) -> pd.DataFrame:
        """Return the rows of ``table`` that belong to this stream."""
        return table[(table["node"] == self.node) & (table["stream"] == self.stream)]


@dataclass(frozen=True)
class PageFacts:
    """Facts about one session: its rows of the study's tables, its streams, clock, epochs and ledger.

    ``edges`` are its first instant and one past its last, in ns UTC; None where no clock leads there.
    """

    session: str
    participant: str
    zone: ZoneInfo
    edges: tuple[int, int] | None
    hours: float
    nodes: pd.DataFrame
    exclusions: pd.DataFrame
    phases: pd.DataFrame
    streams: list[StreamFacts]
    clock: pd.DataFrame
    steps: pd.DataFrame
    agreement: pd.DataFrame
    epochs: pd.DataFrame
    ledger: pd.DataFrame
    units: dict[str, str]

    @property
    def span(self) -> tuple[int, int]:
        """The edges; raises ValueError where there are none."""
        if self.edges is None:
            raise ValueError(f"session {self.session} has no span in UTC")
        return self.edges

    @property
    def start_ns(self) -> int:
        return self.span[0]

    @property
    def end_ns(self) -> int:
        return self.span[1]


def read_session(study: Study, session: str) -> PageFacts:
    """Read the facts about one session.

    Raises ContractError where a table is absent or the study does not hold the session.
    """

    def of_study(name: str) -> pd.DataFrame:
        rows = tables.read(tables.path(study.results, name), name)
        return rows[rows["session"] == session].reset_index(drop=True)

    nodes = of_study("sessions")
    if nodes.empty:
        where = str(tables.path(study.results, "sessions"))
        raise ContractError(f"no row for session {session}", where, "a finished session", "Run study first.")
    edges = (
        None if nodes["start_ns"].isna().all() else (int(nodes["start_ns"].min()), int(nodes["end_ns"].max()))
    )
    clock = tables.read(tables.path(study.results, "clock", session), "clock")
    steps, agreement = (
        tables.read(tables.path(study.results, name, session), name) for name in ("steps", "agreement")
    )
    return PageFacts(
        session,
        study.session(session).participant,
        study.zone_of(session),
        edges,
        float(nodes["hours"].max()),
        nodes,
        of_study("exclusions"),
        of_study("phases"),
        _streams(study, session, clock, edges),
        clock,
        steps,
        agreement,
        tables.read(tables.path(study.results, "epochs", session), "epochs"),
        _ledger(study, session),
        study.units_of(session),
    )


def _streams(
    study: Study, session: str, clock: pd.DataFrame, edges: tuple[int, int] | None
) -> list[StreamFacts]:
    received = columns_of(study.results, session)
    cut = session_cut.read(study.results, session, study.is_cut(session))
    if cut is not None:
        received = {key: columns for key, columns in received.items() if key in cut.numbers}
    gaps = tables.read(tables.path(study.results, "gaps", session), "gaps")
    loss = tables.read(tables.path(study.results, "loss", session), "loss")
    found = []
    for node in study.nodes_of(session).values():
        if node.node == HUB:
            continue
        of_node = {
            stream: stamps
            for (name, stream), columns in received.items()
            if name == node.node and len((stamps := frame_stamps(columns)).boot)
        }
        layout = study.layout_of(session, node.node)
        for stream, stamps in (of_node or {"": NO_STAMPS}).items():
            lost = gaps[(gaps["node"] == node.node) & (gaps["stream"] == stream)]
            counted = loss[(loss["node"] == node.node) & (loss["stream"] == stream)]
            maps = clock[(clock["node"] == node.node) & clock["stream"].isin(["*", stream])]
            spans_lost = NO_SPANS
            if edges is not None:
                spans_lost = _lost_spans(_frame_spans(layout, stream, stamps, maps), lost, edges)
            unknown = int((lost["extent"] == "unknown").sum())
            known = (*spans_lost, unknown, _counts(counted))
            found.append(StreamFacts(node.node, node.placement, stream, *known))
    return found


def _frame_spans(layout: Layout, stream: str, frames: FrameStamps, clock: pd.DataFrame) -> FrameSpans:
    """Spans in UTC of a stream's frames by its maps; boots without a map are left out."""
    pieces = [np.zeros((4, 0), np.int64)]
    knots = timeline.knots_by_boot(*(clock[name].to_numpy() for name in ("boot", "ticks", "utc_ns")))
    mapped = [(boot, at) for boot, at in groups(frames.boot).items() if boot in knots]
    for kind, (boot, of_boot) in product(layout.kinds_of(stream), mapped):
        at = of_boot[frames.kind[of_boot] == kind.kind]
        seq, ticks = frames.seq[at], frames.ticks[at]
        if kind.rate_hz:  # frames that share a stretch are drawn one after the other in it
            shift = interleave_shift(kind, seq, layout.tick_hz(kind.stream) / kind.rate_hz)
            ticks = ticks - np.rint(shift).astype(np.int64)
        utc = timeline.ticks_to_utc(ticks, *knots[boot])
        instants = max(kind.samples, 1)
        utc = utc - round(kind.converter_ms * 1e6)
        start, end = spans.frame_spans(utc, instants, instants / kind.period_s, kind.stamp)
        pieces.append(np.stack([np.full(seq.size, boot), seq, start, end]))
    return FrameSpans(*np.concatenate(pieces, axis=1))


def _lost_spans(frames: FrameSpans, gaps: pd.DataFrame, span: tuple[int, int]) -> LostSpans:
    """Lost spans in UTC with cause and extent; the ends of the session get the cause ``absent``."""
    first = gaps["seq_from"].to_numpy(np.int64)
    last = gaps["seq_to"].fillna(gaps["seq_from"] - 1).to_numpy(np.int64)  # unknown: below the first
    found = spans.gap_spans(frames, gaps["boot"].to_numpy(np.int64), first, last, span)
    # A hole over an edge of the session is shared by its numbers first, and then cut.
    start, end = (np.clip(edge, *span) for edge in found)
    cause, extent = gaps["cause"].to_numpy(object), gaps["extent"].to_numpy(object)
    # A gap that reaches an edge of the session says more of it than that nothing came.
    some = end > start
    reached = bool((start[some] <= span[0]).any()), bool((end[some] >= span[1]).any())
    edges = spans.outside(frames.start_ns, frames.end_ns, span)
    edges = [
        (a, b) for a, b in edges if not (reached[0] and a == span[0]) and not (reached[1] and b == span[1])
    ]
    extra = np.array(edges, dtype=np.int64).reshape(-1, 2)
    return (
        np.concatenate([start, extra[:, 0]]),
        np.concatenate([end, extra[:, 1]]),
        np.concatenate([cause, np.full(len(extra), ABSENT, dtype=object)]),
        np.concatenate([extent, np.full(len(extra), "unknown", dtype=object)]),
    )


def _counts(loss: pd.DataFrame) -> dict[str, int]:
    names = [
        "expected",
        "received",
        "recovered",
        *(f"lost_{cause}" for cause in CAUSES),
        "duplicates",
        "late",
    ]
    counts = {name: int(loss[name].sum()) for name in names}
    counts["longest_gap_frames"] = int(loss["longest_gap_frames"].max()) if len(loss) else 0
    return counts


def _ledger(study: Study, session: str) -> pd.DataFrame:
    folder = tables.path(study.results, "ledger", session).parent
    pieces = [tables.read(source, "ledger") for source in sorted(folder.glob("*.parquet"))]
    order = ["frames", "clock", "loss", "repair", "features", "study"]
    if not pieces:
        return pd.DataFrame(columns=["stage", "quantity", "scope", "entered", "accounted", "detail"])
    rows = pd.concat([piece.astype({"stage": str, "quantity": str, "scope": str}) for piece in pieces])
    rank = rows["stage"].map({name: index for index, name in enumerate(order)}).fillna(len(order))
    return rows.assign(rank=rank).sort_values("rank", kind="stable").drop(columns="rank")


@dataclass(frozen=True)
class StudyFacts:
    """The study's tables, and a row for each session of its sheet that finished or failed."""

    study: Study
    rows: list[SessionRow]
    sessions: pd.DataFrame
    exclusions: pd.DataFrame
    flow: pd.DataFrame
    phases: pd.DataFrame
    phase_features: pd.DataFrame

    @property
    def worn_h(self) -> float:
        """Hours of all nodes whose frames carry samples."""
        return float(self.sessions.loc[self.sessions["coverage"].notna(), "hours"].sum())

    @cached_property
    def finished(self) -> list[SessionRow]:
        return [row for row in self.rows if not row.failure]

    @cached_property
    def excluded(self) -> dict[tuple[str, str], list[str]]:
        """Rules that exclude each (session, node), rules for its whole session included.

        Nodes that count have no entry. A rule for one feature excludes no node.
        """
        rules = self.exclusions[self.exclusions["feature"].astype(str) == ALL]
        found: dict[tuple[str, str], list[str]] = {}
        for session, node in (
            self.sessions[["session", "node"]].astype(str).itertuples(index=False, name=None)
        ):
            unmet = rules[(rules["session"] == session) & rules["node"].isin([ALL, node])]
            if len(unmet):
                found[session, node] = list(unmet["rule"].astype(str))
        return found

    def device(self, session: str, node: str) -> str:
        """Name and radio address of the device that was a node of a session."""
        rows = self.study.nodes_of(session).values()
        return f"{node} ({next(row.address for row in rows if row.node == node)})"

    def of_session(self, table: str, session: str, columns: list[str]) -> pd.DataFrame:
        """Read some columns of a session's table without the hub; empty where there is no such table."""
        path = tables.path(self.study.results, table, session)
        if not path.is_file():
            return tables.empty(TABLES[table])[columns]
        rows = tables.read(path, table, columns)
        return rows[rows["node"] != HUB].astype({"node": str})


def read_study(study: Study, sessions: list[str]) -> StudyFacts:
    """Read the facts about the study.

    A table that is absent counts as empty: a study whose sessions all failed has a page as well.
    """
    names = ("sessions", "exclusions", "flow", "phases", "phase_features")
    return StudyFacts(
        study, overview.rows(study, sessions), *(overview.read_or_empty(study, name) for name in names)
    )
