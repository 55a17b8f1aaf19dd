"""Figures of the clocks: how fast each node's crystal ran over the session, and how certain its time is."""

from __future__ import annotations

import numpy as np
import pandas as pd

from nodeday.core.arrays import Floats
from nodeday.schemas import TABLES
from nodeday.schemas.codes import STEP_KIND
from nodeday.stages.report.facts import PageFacts
from nodeday.stages.report.figure_tables import instants
from nodeday.stages.report.panels import HEAD, TimePanels, ValueSteps, XAxis, YAxis
from nodeday.stages.report.svg import LEFT, RIGHT, WIDTH, Drawing, Figure, diamond
from nodeday.stages.report.words import duration, local, number

PANEL, STEP = 44, 58


def drift(facts: PageFacts) -> Figure:
    """Draw the rate of each node's crystal, all on one scale; the line breaks at each restart."""
    nodes = _nodes(facts)
    medians = {node: _median(facts.clock, node) for node in nodes}
    middle = facts.clock["node"].astype(str).map(medians).astype(np.float64)
    clock = facts.clock.assign(from_median=facts.clock["skew_ppm"].to_numpy(np.float64) - middle.to_numpy())
    about = "; ".join(f"{node}: median {number(ppm, 1, True)} ppm" for node, ppm in medians.items())
    title = "Crystal rate of each node over the session"
    panels = TimePanels.begin(facts, "drift", title, about, len(nodes), STEP)
    for index, node in enumerate(nodes):
        top = panels.top(index)
        value = YAxis.over(_both(clock["from_median"]), top, top + PANEL, most=2)
        panels.label(top + 16, node, f"{number(medians[node], 1, True)} ppm", line=15)
        value.draw(panels.drawing, LEFT, WIDTH - RIGHT)
        _draw_knots(panels, clock, node, value, {"from_median": "curve"})
    panels.mark_phases()
    _mark_steps(panels, nodes)
    rows = clock.assign(utc=instants(clock["utc_ns"].to_numpy(np.int64))).drop(
        columns=["utc_ns", "from_median"]
    )
    return Figure(
        "drift",
        "Clock drift",
        f"{TABLES['clock']['skew_ppm'].meaning.capitalize()}, in ppm: the median beside the name, the "
        "distance from it in the panel, all nodes on one scale. A break is a restart, a broken line a step "
        "of a clock. 1 ppm is 3.6 ms an hour.",
        panels.drawing.markup(),
        rows,
        _steps(facts),
    )


def _draw_knots(
    panels: TimePanels, clock: pd.DataFrame, node: str, value: YAxis, styles: dict[str, str]
) -> None:
    """Draw each column of ``styles`` at the knots of a node, a line for each boot."""
    knots_of_node = clock[clock["node"] == node].sort_values(["boot", "utc_ns"])
    for _, knots in knots_of_node.groupby(["stream", "boot"], observed=True):
        x = panels.time.x(knots["utc_ns"].to_numpy(np.int64))
        for column, style in styles.items():
            panels.drawing.polyline(x, value.y(knots[column].to_numpy(np.float64)), style)


def _mark_steps(panels: TimePanels, nodes: list[str]) -> None:
    """Draw a broken line through the panel of the node whose clock stepped; through all for the hub's."""
    steps = panels.facts.steps
    for node, utc in zip(steps["node"].astype(str), steps["utc_ns"], strict=True):
        if not pd.isna(utc):
            x, top, end = float(panels.time.x(int(utc))), float(HEAD), panels.bottom
            if node in nodes:
                index = nodes.index(node)
                top, end = panels.top(index, 4), panels.top(index + 1, 0)
            panels.drawing.line(x, top, x, end, "limit")


def _steps(facts: PageFacts) -> list[str]:
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
    """Draw half the width of each node's band, and how far its frames lie above the edge."""
    clock, nodes = facts.clock, _nodes(facts)
    most = {node: float(clock.loc[clock["node"] == node, "uncertainty_ms"].max()) for node in nodes}
    about = "; ".join(f"{node}: at most ±{number(width, 2)} ms" for node, width in most.items())
    title = "Band and residual of each node's time over the session"
    panels = TimePanels.begin(facts, "edge", title, about, len(nodes), STEP)
    both = clock[["uncertainty_ms", "residual_ms"]].to_numpy(np.float64)
    for index, node in enumerate(nodes):
        top = panels.top(index)
        value = YAxis.over(both[np.isfinite(both)], top, top + PANEL, zero=True, most=2)
        panels.label(top + 16, node)
        value.draw(panels.drawing, LEFT, WIDTH - RIGHT)
        _draw_knots(panels, clock, node, value, {"residual_ms": "filled", "uncertainty_ms": "curve"})
    panels.mark_phases()
    _mark_steps(panels, nodes)
    rows = clock[["node", "stream", "boot", "uncertainty_ms", "residual_ms"]]
    rows = rows.assign(utc=instants(clock["utc_ns"].to_numpy(np.int64)))
    return Figure(
        "edge",
        "Band and residual",
        "In ms: the line is half the width of the 95 % band, which grows where nothing was heard; dots are "
        "the median distance of frames above the edge that the time was read from. A broken line is a step.",
        panels.drawing.markup(),
        rows,
    )


def uncertainty(facts: PageFacts, limit_ms: float) -> Figure:
    """Draw the range of the 95 % half width of each node's time, against the study's limit."""
    clock, nodes = facts.clock, _nodes(facts)
    groups = {node: clock.loc[clock["node"] == node, "uncertainty_ms"].to_numpy(np.float64) for node in nodes}
    widest = max([limit_ms, *(float(width.max()) for width in groups.values() if width.size)]) * 1.04
    bottom = 8 + 24 * len(nodes)
    about = "; ".join(
        f"{node}: at most {number(float(w.max())) if w.size else 'no clock'} ms" for node, w in groups.items()
    )
    drawing = Drawing("uncertainty", "Uncertainty of each node's time", about, bottom + 26)
    step = ValueSteps.over(np.array([0.0, widest]), zero=True, most=6).step
    axis = XAxis(ValueSteps(0.0, widest, step), LEFT, WIDTH - RIGHT - 70)
    axis.draw(drawing, 4, bottom + 4, bottom + 18)
    limit = float(axis.x(limit_ms))
    drawing.line(limit, 0, limit, bottom + 4, "limit")
    drawing.text(limit + 5, 9, f"limit ±{limit_ms:g} ms", "limit-name")
    for index, (node, width) in enumerate(groups.items()):
        y = 20 + 24 * index
        drawing.text(0, y + 4, node, "name")
        if not width.size:
            drawing.text(LEFT + 4, y + 4, "could not be placed in time", "tick")
            continue
        low, middle, high = (float(axis.x(float(v))) for v in (width.min(), np.median(width), width.max()))
        drawing.line(low, y, high, y, "curve")
        drawing.path(f"M{middle:.1f} {y - 5}v10", "curve")
        drawing.path(diamond(high, y), "got")
        drawing.text(high + 9, y + 4, f"±{number(float(width.max()), 2)} ms", "tick")
    rows = [
        {"node": n, "least_ms": w.min(), "median_ms": np.median(w), "most_ms": w.max()}
        for n, w in groups.items()
        if w.size
    ]
    meaning = TABLES["clock"]["uncertainty_ms"].meaning.capitalize()
    delay = float(clock["delay_ms"].max()) if len(clock) else 0.0
    return Figure(
        "uncertainty",
        "Certainty of time",
        f"{meaning}, in ms: from the least to the greatest (diamond) over the session; bar, the median. A "
        f"constant delay of {delay:g} ms between node and hub is assumed and cannot be measured one way.",
        drawing.markup(),
        pd.DataFrame(rows),
    )


def _nodes(facts: PageFacts) -> list[str]:
    return [str(node) for node in facts.nodes["node"]]


def _both(distances: pd.Series) -> Floats:
    """The widest distance on both sides of zero, no narrower than 1 ppm, so that noise stays small."""
    far = max(1.0, float(distances.abs().max()) if len(distances) else 1.0)
    return np.array([-far, far])


def _median(clock: pd.DataFrame, node: str) -> float:
    skews = clock.loc[clock["node"] == node, "skew_ppm"]
    return float(skews.median()) if len(skews) else float("nan")
