"""The picture of the whole session: what every stream delivered, and why the rest is not there."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from nodeday.stages.report import spans
from nodeday.stages.report.facts import ABSENT, PageFacts, StreamFacts
from nodeday.stages.report.svg import (
    DRAWN,
    LABEL,
    LEAST,
    Drawing,
    Figure,
    TimeAxis,
    axis,
    boxes,
    instants,
    phase_marks,
)
from nodeday.stages.report.words import percent

BAND, STEP, HEAD, BINS = 30, 46, 18, 364


def shares_of(stream: StreamFacts, edges_ns: NDArray[np.int64]) -> dict[str, NDArray[np.float64]]:
    """Share of each bin that is received, and that each cause took; they sum to one."""
    lost = {cause: spans.shares(*stream.of(cause), edges_ns) for cause in DRAWN}
    cut = spans.stack(lost)
    return {"received": 1.0 - np.sum(list(cut.values()), axis=0), **cut}


def _merged(
    left: NDArray[np.float64], base: NDArray[np.float64], share: NDArray[np.float64], least: float
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


def _row(
    drawing: Drawing,
    time: TimeAxis,
    edges: NDArray[np.int64],
    parts: dict[str, NDArray[np.float64]],
    top: float,
) -> None:
    left = time.x(edges)
    base = np.zeros(edges.size - 1)
    for name, share in parts.items():
        least = 1.2 / BAND if name not in ("received", ABSENT) else 0.0
        # Loss hangs from the top edge of the band, so its least height never hides received samples.
        cut = [
            (x, top + BAND * (1 - min(y + h, 1.0)), w, BAND * h)
            for x, y, w, h in _merged(left, np.minimum(base, 1 - least), share, least)
        ]
        drawing.path(boxes(cut), "got" if name == "received" else f"why {name}")
        base = base + share


def _labels(drawing: Drawing, time: TimeAxis, stream: StreamFacts, top: float) -> None:
    """Causes by name where there is stage; a mark for each restart, however short."""
    for start, end, cause in zip(stream.start_ns, stream.end_ns, stream.cause, strict=True):
        if cause == "radio":
            continue
        x, to = float(time.x(int(start))), float(time.x(int(end)))
        if cause == "node_restart":
            drawing.path(f"M{x - 4:.1f} {top - 6:.1f}h8l-4 6z", "restart")
        if to - x > 6.4 * len(LABEL[cause]) + 8:
            drawing.text((x + to) / 2, top + BAND / 2 + 4, LABEL[cause], "inside", "middle")


def coverage(facts: PageFacts) -> Figure:
    """One row a stream; height of the dark band is the share received in each bin."""
    time = axis(facts)
    edges = np.linspace(0, facts.end_ns - facts.start_ns, BINS + 1).astype(np.int64) + facts.start_ns
    bottom = HEAD + STEP * len(facts.streams)
    about = "; ".join(
        f"{s.name}: {percent(float(shares_of(s, np.array(facts.span))['received'][0]))} received"
        for s in facts.streams
    )
    drawing = Drawing("coverage", "What each stream delivered over the session", about, bottom + 32)
    time.draw(drawing, HEAD, bottom)
    tables, drawn = [], set()
    for index, stream in enumerate(facts.streams):
        top = HEAD + STEP * index + 12
        parts = shares_of(stream, edges)
        drawn |= {cause for cause in DRAWN if parts[cause].mean() > LEAST.get(cause, 0)}
        whole = float(np.average(parts["received"], weights=np.diff(edges)))
        drawing.text(0, top + 12, stream.node, "name")
        drawing.text(0, top + 26, f"{stream.stream}, {stream.placement}", "tick faint")
        drawing.text(time.left - 8, top + 12, percent(whole), "tick", "end")
        drawing.rect(time.left, top, time.right - time.left, BAND, "band")
        _row(drawing, time, edges, parts, top)
        _labels(drawing, time, stream, top)
        tables.append(_rows(stream, edges, parts))
    phase_marks(facts, drawing, time, 2, bottom)
    minutes = (facts.end_ns - facts.start_ns) / BINS / 1e9
    return Figure(
        "coverage",
        "Coverage and causes of loss",
        f"Filled: share of samples received, in bins of {minutes:.0f} s. Above it, what was lost, by cause; "
        "the smallest loss still shows as a hairline. Percentages are of the whole session.",
        drawing.markup(),
        pd.concat(tables, ignore_index=True),
        legend=["received", *[cause for cause in DRAWN if cause in drawn]],
    )


def _rows(
    stream: StreamFacts, edges: NDArray[np.int64], parts: dict[str, NDArray[np.float64]]
) -> pd.DataFrame:
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
    """Every lost span of the session, for the CSV beside the picture."""
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
