"""Streams of a session with what each of them lost: spans in UTC by cause, counts of frames, two shares."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from nodeday.config.study import HUB, Study
from nodeday.core import timeline
from nodeday.core.arrays import groups
from nodeday.layouts import Layout
from nodeday.layouts.codec import interleave_shift
from nodeday.schemas.codes import GAP_CAUSE
from nodeday.stages.report import spans
from nodeday.stages.report.spans import FrameSpans
from nodeday.storage import session_cut, shares, tables
from nodeday.storage.frames import FrameStamps, columns_of, frame_stamps

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
    coverage: float
    """NaN where none of its frames holds samples."""
    frame_loss: float
    """NaN where no frame is known to have been sent."""

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


def read_streams(
    study: Study, session: str, clock: pd.DataFrame, edges: tuple[int, int] | None, hours: float
) -> list[StreamFacts]:
    """Read the streams of a session's sensor nodes, with what each lost over its ``hours``.

    ``clock`` are its rows of that table, ``edges`` its span in ns UTC, None where no clock leads there.
    """
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
            counts = _counts(counted)
            frames_lost = sum(counts[f"lost_{cause}"] for cause in CAUSES)
            lost_share = shares.frame_loss(frames_lost, counts["received"])
            inside = cut.of((node.node, stream)).hold if cut is not None and stream else None
            kept = frame_stamps(received[node.node, stream], inside) if stream else NO_STAMPS
            sample_s = shares.sample_seconds(kept, layout.kinds_of(stream) if stream else ())
            covered = shares.coverage(sample_s, 3600 * hours, lost_share) if sample_s else float("nan")
            known = (*spans_lost, unknown, counts, covered, lost_share)
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
