"""Figure of the whole session: what every stream delivered, and why the rest is absent."""

from __future__ import annotations

import numpy as np
import pandas as pd

from nodeday.core.arrays import Floats, Ints
from nodeday.stages.report import spans
from nodeday.stages.report.facts import PageFacts
from nodeday.stages.report.figure_tables import instants
from nodeday.stages.report.panels import DRAWN, LABEL, TimePanels
from nodeday.stages.report.streams import ABSENT, StreamFacts
from nodeday.stages.report.svg import Figure, boxes
from nodeday.stages.report.words import percent
from nodeday.storage.shares import COVERAGE

BAND, STEP, BINS = 30, 46, 364


def shares_of(stream: StreamFacts, edges_ns: Ints) -> dict[str, Floats]:
    """Return the share of each bin (b,) that was received, and that each cause took; they sum to one."""
    lost = {cause: spans.shares(*stream.lost_to(cause), edges_ns) for cause in DRAWN}
    cut = spans.stack(lost)
    return {"received": 1.0 - np.sum(list(cut.values()), axis=0), **cut}


def absent_by_cause(stream: StreamFacts, edges: tuple[int, int]) -> dict[str, float]:
    """Return the share of the session ``edges`` (ns UTC) that each cause took of a stream."""
    shares = shares_of(stream, np.array(edges, np.int64))
    return {cause: float(shares[cause][0]) for cause in DRAWN}


def _merged(
    left: Floats, base: Floats, share: Floats, least: float
) -> list[tuple[float, float, float, float]]:
    """Boxes (x, y0, width, height) in units of the band, neighbours of one height joined."""
    height = np.where(share > 1e-9, np.maximum(np.round(share, 3), least), 0.0)
    base = np.round(base, 3)
    change = np.flatnonzero((np.diff(height) != 0) | (np.diff(base) != 0)) + 1
    starts = np.concatenate([[0], change])
    ends = np.concatenate([change, [height.size]])
    return [
        (left[a], base[a], left[b] - left[a], height[a])
        for a, b in zip(starts.tolist(), ends.tolist(), strict=True)
        if height[a] > 0
    ]


def _draw_bins(panels: TimePanels, edges: Ints, parts: dict[str, Floats], top: float) -> None:
    left = panels.time.x(edges)
    base = np.zeros(edges.size - 1)
    for name, share in parts.items():
        least = 1.2 / BAND if name not in ("received", ABSENT) else 0.0
        # Loss hangs from the top edge of the band, so its least height never hides received samples.
        cut = [
            (x, top + BAND * (1 - min(y + h, 1.0)), w, BAND * h)
            for x, y, w, h in _merged(left, np.minimum(base, 1 - least), share, least)
        ]
        panels.drawing.path(boxes(cut), "got" if name == "received" else f"why {name}")
        base = base + share


def _draw_causes(panels: TimePanels, stream: StreamFacts, top: float) -> None:
    """Causes by name where there is space for it; a mark for each restart, however short."""
    for start, end, cause in zip(stream.start_ns, stream.end_ns, stream.cause, strict=True):
        if cause == "radio":
            continue
        x, to = float(panels.time.x(int(start))), float(panels.time.x(int(end)))
        if cause == "node_restart":
            panels.drawing.path(f"M{x - 4:.1f} {top - 6:.1f}h8l-4 6z", "restart")
        if to - x > 6.4 * len(LABEL[cause]) + 8:
            panels.drawing.text((x + to) / 2, top + BAND / 2 + 4, LABEL[cause], "inside", "middle")


def coverage(facts: PageFacts) -> Figure:
    """Draw a row a stream; the height of the dark band is the share received in each bin."""
    edges = np.linspace(0, facts.end_ns - facts.start_ns, BINS + 1).astype(np.int64) + facts.start_ns
    about = "; ".join(f"{s.name}: coverage {percent(s.coverage)}" for s in facts.streams)
    title = "What each stream delivered over the session"
    panels = TimePanels.begin(facts, "coverage", title, about, len(facts.streams), STEP)
    left, right = panels.time.left, panels.time.right
    tables, drawn = [], set()
    for index, stream in enumerate(facts.streams):
        top = panels.top(index, 12)
        parts = shares_of(stream, edges)
        drawn |= {cause for cause in DRAWN if parts[cause].any()}
        panels.label(top + 12, stream.node, f"{stream.stream}, {stream.placement}")
        panels.drawing.text(left - 8, top + 12, percent(stream.coverage), "tick", "end")
        panels.drawing.rect(left, top, right - left, BAND, "band")
        _draw_bins(panels, edges, parts, top)
        _draw_causes(panels, stream, top)
        tables.append(_rows(stream, edges, parts))
    panels.mark_phases()
    seconds = (facts.end_ns - facts.start_ns) / BINS / 1e9
    return Figure(
        "coverage",
        "Coverage and causes of loss",
        f"Filled: share of samples received, in bins of {seconds:.0f} s. Above it, what was lost, by cause; "
        f"the smallest loss still shows as a hairline. Percentages: coverage, the {COVERAGE}.",
        panels.drawing.markup(),
        pd.concat(tables, ignore_index=True),
        legend=["received", *[cause for cause in DRAWN if cause in drawn]],
    )


def _rows(stream: StreamFacts, edges: Ints, parts: dict[str, Floats]) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "node": stream.node,
            "stream": stream.stream,
            "start_utc": instants(edges[:-1]),
            "end_utc": instants(edges[1:]),
            **{f"share_{name}": np.round(share, 6) for name, share in parts.items()},
        }
    )


def gap_rows(facts: PageFacts) -> pd.DataFrame:
    """Return every lost span of the session, a row each, in order of time."""
    pieces = [
        pd.DataFrame(
            {
                "node": s.node,
                "stream": s.stream,
                "start_utc": instants(s.start_ns),
                "end_utc": instants(s.end_ns),
                "seconds": np.round((s.end_ns - s.start_ns) / 1e9, 3),
                "cause": s.cause,
                "extent": s.extent,
            }
        )
        for s in facts.streams
    ]
    return pd.concat(pieces, ignore_index=True).sort_values(["start_utc", "node", "stream"], kind="stable")
