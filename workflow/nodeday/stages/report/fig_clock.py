"""How fast each node's crystal ran over the session, and how certain its time is."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from nodeday.schemas import TABLES
from nodeday.schemas.codes import STEP_KIND
from nodeday.stages.report.facts import PageFacts
from nodeday.stages.report.svg import (
    LEFT,
    RIGHT,
    WIDTH,
    Drawing,
    Figure,
    TimeAxis,
    ValueAxis,
    axis,
    instants,
    phase_marks,
    polyline,
)
from nodeday.stages.report.words import duration, local, number

PANEL, STEP, HEAD = 44, 58, 18


def drift(facts: PageFacts) -> Figure:
    """A panel a node, all on one scale; the line breaks at each restart."""
    time, clock = axis(facts), facts.clock
    nodes = [str(node) for node in facts.nodes["node"]]
    bottom = HEAD + STEP * len(nodes)
    middle = clock["node"].astype(str).map({node: _median(clock, node) for node in nodes}).astype(np.float64)
    clock = clock.assign(from_median=clock["skew_ppm"].to_numpy(np.float64) - middle.to_numpy())
    about = "; ".join(f"{node}: median {number(_median(clock, node), 1, True)} ppm" for node in nodes)
    drawing = Drawing("drift", "Crystal rate of each node over the session", about, bottom + 32)
    time.draw(drawing, HEAD, bottom)
    for index, node in enumerate(nodes):
        top = HEAD + STEP * index + 8
        value = ValueAxis.over(_both(clock["from_median"]), top, top + PANEL, most=2)
        drawing.text(0, top + 16, node, "name")
        drawing.text(0, top + 31, f"{number(_median(clock, node), 1, True)} ppm", "tick faint")
        value.draw(drawing, LEFT, WIDTH - RIGHT)
        own = clock[clock["node"] == node].sort_values(["boot", "utc_ns"])
        for _, knots in own.groupby(["stream", "boot"], observed=True):
            line, dots = polyline(
                time.x(knots["utc_ns"].to_numpy(np.int64)), value.y(knots["from_median"].to_numpy(np.float64))
            )
            drawing.path(line, "curve")
            drawing.path(dots, "curve")
    phase_marks(facts, drawing, time, 2, bottom)
    _mark_steps(facts, drawing, time, nodes, bottom)
    rows = clock.assign(utc=instants(clock["utc_ns"].to_numpy(np.int64))).drop(
        columns=["utc_ns", "from_median"]
    )
    return Figure(
        "drift",
        "Clock drift",
        f"{TABLES['clock']['skew_ppm'].meaning.capitalize()}, in ppm: the median beside the name, the "
        "distance from it in the panel, all nodes on one scale. A break is a restart, a broken line a step "
        "of a clock. 1 ppm is 3.6 ms an hour.",
        drawing.markup(),
        rows,
        _told(facts),
    )


def _mark_steps(facts: PageFacts, drawing: Drawing, time: TimeAxis, nodes: list[str], bottom: float) -> None:
    """A broken line through the panel of the node whose clock it was; through all for the hub's."""
    for node, utc in zip(facts.steps["node"].astype(str), facts.steps["utc_ns"], strict=True):
        if not pd.isna(utc):
            x = float(time.x(int(utc)))
            index = nodes.index(node) if node in nodes else -1
            top, end = (HEAD, bottom) if index < 0 else (HEAD + STEP * index + 4, HEAD + STEP * (index + 1))
            drawing.line(x, top, x, end, "limit")


def _told(facts: PageFacts) -> list[str]:
    """A sentence for each step of a clock."""
    found = []
    for row in facts.steps.to_dict("records"):
        when = "" if pd.isna(row["utc_ns"]) else f" at {local(int(row['utc_ns']), facts.zone)}"
        size = "" if pd.isna(row["size_ms"]) else f", {number(row['size_ms'], 1, True)} ms"
        if size and row["kind"] == "node_restart":
            size = f", silent for {duration(row['size_ms'] / 1e3)}"
        found.append(f"{row['node']}{when}: {STEP_KIND[str(row['kind'])]}{size}.")
    return found


def edge(facts: PageFacts) -> Figure:
    """Half width of the band, and how far the frames lie above the edge, over the session by node."""
    time, clock = axis(facts), facts.clock
    nodes = [str(node) for node in facts.nodes["node"]]
    bottom = HEAD + STEP * len(nodes)
    most = {node: float(clock.loc[clock["node"] == node, "uncertainty_ms"].max()) for node in nodes}
    about = "; ".join(f"{node}: at most ±{number(width, 2)} ms" for node, width in most.items())
    drawing = Drawing("edge", "Band and residual of each node's time over the session", about, bottom + 32)
    time.draw(drawing, HEAD, bottom)
    both = clock[["uncertainty_ms", "residual_ms"]].to_numpy(np.float64)
    for index, node in enumerate(nodes):
        top = HEAD + STEP * index + 8
        value = ValueAxis.over(both[np.isfinite(both)], top, top + PANEL, zero=True, most=2)
        drawing.text(0, top + 16, node, "name")
        value.draw(drawing, LEFT, WIDTH - RIGHT)
        for _, knots in (
            clock[clock["node"] == node].sort_values("utc_ns").groupby(["stream", "boot"], observed=True)
        ):
            x = time.x(knots["utc_ns"].to_numpy(np.int64))
            for column, style in (("residual_ms", "filled"), ("uncertainty_ms", "curve")):
                line, dots = polyline(x, value.y(knots[column].to_numpy(np.float64)))
                drawing.path(line, style)
                drawing.path(dots, style)
    phase_marks(facts, drawing, time, 2, bottom)
    _mark_steps(facts, drawing, time, nodes, bottom)
    rows = clock[["node", "stream", "boot", "uncertainty_ms", "residual_ms"]]
    rows = rows.assign(utc=instants(clock["utc_ns"].to_numpy(np.int64)))
    return Figure(
        "edge",
        "Band and residual",
        "In ms: the line is half the width of the 95 % band, which grows where nothing was heard; dots are "
        "the median distance of frames above the edge that the time was read from. A broken line is a step.",
        drawing.markup(),
        rows,
    )


def uncertainty(facts: PageFacts, limit_ms: float) -> Figure:
    """Range of the 95 % half width of each node's time, against the study's limit."""
    clock = facts.clock
    nodes = [str(node) for node in facts.nodes["node"]]
    groups = {node: clock.loc[clock["node"] == node, "uncertainty_ms"].to_numpy(np.float64) for node in nodes}
    widest = max([limit_ms, *(float(width.max()) for width in groups.values() if width.size)])
    bottom, right = 8 + 24 * len(nodes), WIDTH - RIGHT - 70
    scale = (right - LEFT) / (widest * 1.04)
    about = "; ".join(
        f"{node}: at most {number(float(w.max())) if w.size else 'no clock'} ms" for node, w in groups.items()
    )
    drawing = Drawing("uncertainty", "Uncertainty of each node's time", about, bottom + 26)
    axis_ = ValueAxis.over(np.array([0.0, widest * 1.04]), 0, 1, zero=True, most=6)
    for tick in np.arange(0, widest * 1.04, axis_.step):
        drawing.line(LEFT + tick * scale, 4, LEFT + tick * scale, bottom + 4, "grid")
        drawing.text(LEFT + tick * scale, bottom + 18, f"{round(tick, 6):g}", "tick", "middle")
    edge = LEFT + limit_ms * scale
    drawing.line(edge, 0, edge, bottom + 4, "limit")
    drawing.text(edge + 5, 9, f"limit ±{limit_ms:g} ms", "limit-name")
    for index, (node, width) in enumerate(groups.items()):
        y = 20 + 24 * index
        drawing.text(0, y + 4, node, "name")
        if not width.size:
            drawing.text(LEFT + 4, y + 4, "could not be placed in time", "tick")
            continue
        low, middle, high = (LEFT + float(v) * scale for v in (width.min(), np.median(width), width.max()))
        drawing.line(low, y, high, y, "curve")
        drawing.path(f"M{middle:.1f} {y - 5}v10", "curve")
        drawing.path(f"M{high:.1f} {y - 4}l4 4l-4 4l-4 -4z", "got")
        drawing.text(high + 9, y + 4, f"±{number(float(width.max()), 2)} ms", "tick")
    rows = pd.DataFrame(
        [
            {"node": n, "least_ms": w.min(), "median_ms": np.median(w), "most_ms": w.max()}
            for n, w in groups.items()
            if w.size
        ]
    )
    meaning = TABLES["clock"]["uncertainty_ms"].meaning.capitalize()
    delay = float(clock["delay_ms"].max()) if len(clock) else 0.0
    return Figure(
        "uncertainty",
        "Certainty of time",
        f"{meaning}, in ms: from the least to the greatest (diamond) over the session; bar, the median. A "
        f"constant delay of {delay:g} ms between node and hub is assumed and cannot be measured one way.",
        drawing.markup(),
        rows,
    )


def _both(distances: pd.Series) -> NDArray[np.float64]:
    """The widest distance on both sides of zero, no narrower than 1 ppm, so that noise stays small."""
    far = max(1.0, float(distances.abs().max()) if len(distances) else 1.0)
    return np.array([-far, far])


def _median(clock: pd.DataFrame, node: str) -> float:
    own = clock.loc[clock["node"] == node, "skew_ppm"]
    return float(own.median()) if len(own) else float("nan")
