"""Figures of loss: each stream by cause, as time and as counts of frames, and against signal strength."""

from __future__ import annotations

import numpy as np
import pandas as pd

from nodeday.config.study import HUB, Study
from nodeday.core.arrays import Floats
from nodeday.stages.report.facts import PageFacts
from nodeday.stages.report.fig_coverage import absent_by_cause
from nodeday.stages.report.panels import DRAWN, LABEL, PanelGrid, ValueSteps, XAxis, YAxis
from nodeday.stages.report.streams import CAUSES, StreamFacts
from nodeday.stages.report.svg import LEFT, RIGHT, WIDTH, Drawing, Figure, boxes, circles, polyline
from nodeday.stages.report.words import count, listed, percent
from nodeday.storage import tables
from nodeday.storage.shares import COVERAGE, FRAME_LOSS

STEP, BAR = 26, 15
CHARACTER = 6.2
"""Width of a letter beside a bar, about."""
GRID, PLOT, SHARE = PanelGrid(3, 264, 22, 190), 96, 22
"""The panels of loss against signal, and within them the heights of the plot and of the bars below it."""
FEW = 30
"""Frames in a bin below which its share is drawn open: it means little. Choice of this project."""
MEASURE = {"rssi_dbm": ("signal strength", "dBm"), "lqi": ("link quality", "")}


def loss_bars(facts: PageFacts) -> Figure:
    """Draw a bar a stream, its parts the share of the session's time that each cause took.

    The axis is the whole session on every page, so that bars of two pages compare.
    """
    parts = [absent_by_cause(stream, facts.span) for stream in facts.streams]
    axis = XAxis(ValueSteps(0.0, 100.0, 20.0), LEFT, WIDTH - RIGHT - 20)
    bottom = 6 + STEP * len(parts)
    about = "; ".join(f"{s.name}: {_told(s)}" for s in facts.streams)
    drawing = Drawing("loss", "Share of the session without samples, by cause", about, bottom + 24)
    axis.draw(drawing, 4, bottom + 4, bottom + 18, unit=" %")
    for index, (stream, shares) in enumerate(zip(facts.streams, parts, strict=True)):
        top, x = 6 + STEP * index, float(LEFT)
        drawing.text(0, top + 12, stream.node, "name")
        drawing.text(LEFT - 8, top + 12, stream.stream, "tick faint", "end")
        for cause, share in shares.items():
            if share > 0:
                width = share * 100 * axis.scale
                drawing.path(boxes([(x, top, max(width, 0.8), BAR)]), f"why edge {cause}")
                x += width
        _write_beside(drawing, x, top + 12, _told(stream), axis.right)
    rows = [
        {
            "node": s.node,
            "stream": s.stream,
            "coverage": s.coverage,
            "frame_loss": s.frame_loss,
            **{f"share_{c}": round(v, 8) for c, v in p.items()},
            **s.counts,
        }
        for s, p in zip(facts.streams, parts, strict=True)
    ]
    return Figure(
        "loss",
        "Loss by node and cause",
        "Bars: share of the session’s time without samples, by cause; the axis is the whole session. "
        f"Coverage: {COVERAGE}. Frame loss: {FRAME_LOSS}. So a node that falls silent for good loses "
        "coverage, and no frame that can be counted.",
        drawing.markup(),
        pd.DataFrame(rows),
        legend=[cause for cause in DRAWN if any(part[cause] > 0 for part in parts)],
        restarts_as_bars=True,
    )


def _told(stream: StreamFacts) -> str:
    """Return both shares of a stream in words."""
    covered = f"coverage {percent(stream.coverage)}, " if stream.coverage == stream.coverage else ""
    return f"{covered}frame loss {percent(stream.frame_loss)}"


def _write_beside(drawing: Drawing, x: float, y: float, words: str, right: float) -> None:
    """Write behind a bar that ends at ``x``; of a bar too long for that, on its end."""
    if x + 6 + CHARACTER * len(words) > right:
        drawing.text(min(x, right) - 6, y, words, "inside", "end")
    else:
        drawing.text(x + 6, y, words, "tick")


def table(facts: PageFacts) -> tuple[list[str], list[dict[str, object]]]:
    """Return heads of the causes and, for each stream, its counts as the table of the page shows them.

    A cause by which nothing was lost has no column, but for radio.
    """
    shown = [
        cause
        for cause in CAUSES
        if cause == "radio" or any(one.counts[f"lost_{cause}"] for one in facts.streams)
    ]
    rows: list[dict[str, object]] = []
    for stream in facts.streams:
        counts = stream.counts
        rows.append(
            {
                "node": stream.node,
                "stream": stream.stream,
                "lost": [counts[f"lost_{cause}"] for cause in shown],
                "coverage": stream.coverage,
                "frame_loss": stream.frame_loss,
                "unknown": stream.unknown,
                **counts,
            }
        )
    return [LABEL[cause] for cause in shown], rows


def by_field(study: Study, session: str) -> tuple[pd.DataFrame, list[dict[str, object]]]:
    """Return the rows of table ``fields`` of the sensor nodes, and for each field a table of its values.

    A table has a row for each stream; a cell is the share of frames received with the value behind which a
    loss begins, with the frames received.
    """
    rows = tables.read(tables.path(study.results, "fields", session), "fields")
    rows = rows[rows["node"] != HUB].astype({"node": str, "stream": str, "field": str})
    found: list[dict[str, object]] = []
    for name, own in rows.groupby("field", sort=False):
        values = sorted(own["value"].unique().tolist())
        streams = [
            (f"{node} {stream}", dict(zip(each["value"], each.to_dict("records"), strict=True)))
            for (node, stream), each in own.groupby(["node", "stream"], sort=False)
        ]
        cells = [(stream, [by_value.get(value) for value in values]) for stream, by_value in streams]
        found.append({"name": name, "values": values, "streams": cells})
    return rows, found


def bad_checksums(study: Study, session: str) -> int:
    """Return how many stretches of the capture open like a frame and fail their checksum."""
    rejects = tables.read(tables.path(study.results, "rejects", session), "rejects", ["reason"])
    return int((rejects["reason"] == "bad_checksum").sum())


def signal(study: Study, facts: PageFacts) -> Figure | None:
    """Draw a panel a stream: the share lost on the air in each bin of signal, all on one scale.

    None where the hub reports no signal.
    """
    rows = tables.read(tables.path(study.results, "signal", facts.session), "signal")
    rows = rows.astype({"node": str, "stream": str, "measure": str})
    rows = rows[rows["node"] != HUB].reset_index(drop=True)
    measure = next((code for code in MEASURE if (rows["measure"] == code).any()), None)
    if measure is None:
        return None
    name, unit = MEASURE[measure]
    drawn = rows[rows["measure"] == measure]
    panels = [(s, bins) for s in facts.streams if len(bins := s.select(drawn))]
    about = "; ".join(f"{stream.name}: {_ends(bins, unit)}" for stream, bins in panels)
    drawing = Drawing("signal", f"Share of frames lost, by {name}", about, GRID.height(len(panels)) - 10)
    sure = drawn.loc[drawn["expected"] >= FEW, "share"].to_numpy(np.float64)
    most = float(max(sure.max(initial=0), 0.01) * 100)
    levels = _levels(float(drawn["low"].min()), float(drawn["high"].max()))
    for index, (stream, bins) in enumerate(panels):
        _panel(drawing, stream, bins, GRID.corner(index), most, levels, unit)
    return Figure(
        "signal",
        f"Loss and {name}",
        f"Share of frames lost on the air in each bin of {name}, with its 95 % interval as if losses were "
        f"independent. Open: fewer than {FEW} frames; an arrow: off the scale. Bars: how the "
        "stream’s frames spread over the bins. A lost frame has no signal of its own and takes the mean "
        "of its received neighbours’; outages and restarts are left out.",
        drawing.markup(),
        rows,
        notes=[
            "A stream whose loss rises as the signal falls is short of range or shadowed by the body; one "
            "that loses at any signal alike loses elsewhere."
        ],
    )


def _ends(bins: pd.DataFrame, unit: str) -> str:
    sure = bins[bins["expected"] >= FEW]
    if sure.empty:
        return "too few frames"
    ends = [sure.iloc[0], sure.iloc[-1]]
    return listed(
        [f"{percent(float(e['share']))} lost from {e['low']:g} to {e['high']:g} {unit}".strip() for e in ends]
    )


def _levels(low: float, high: float) -> ValueSteps:
    """Levels of the signal with five ticks or fewer."""
    steps = (5, 10, 20, 25, 50, 100)
    return ValueSteps(low, high, next((step for step in steps if (high - low) / step <= 5), steps[-1]))


def _panel(
    drawing: Drawing,
    stream: StreamFacts,
    bins: pd.DataFrame,
    corner: tuple[float, float],
    most: float,
    levels: ValueSteps,
    unit: str,
) -> None:
    """Draw one stream: dots and intervals above, the spread of its frames below."""
    (left, top), sent = corner, count(int(bins["expected"].sum()))
    level = XAxis(levels, left + 42, left + GRID.width)
    y0 = top + 24
    base = y0 + PLOT + 6 + SHARE
    value = YAxis.over(np.array([most]), y0, y0 + PLOT, zero=True, most=4)
    drawing.text(level.left, top + 12, stream.node, "name")
    drawing.text(level.right, top + 12, f"{stream.stream}, {sent} frames", "tick faint", "end")
    value.draw(drawing, level.left, level.right, " %")
    level.draw(drawing, y0, base + 4, base + 16, f" {unit}".rstrip())
    middle = level.x((bins["low"].to_numpy(np.float64) + bins["high"].to_numpy(np.float64)) / 2)
    width = float(bins["high"].iloc[0] - bins["low"].iloc[0]) * level.scale - 1.5
    tall = bins["expected"].to_numpy() / bins["expected"].max() * SHARE
    drawing.path(boxes((x - width / 2, base - h, width, h) for x, h in zip(middle, tall, strict=True)), "got")
    _draw_shares(drawing, bins, middle, value)


def _draw_shares(drawing: Drawing, bins: pd.DataFrame, x: Floats, value: YAxis) -> None:
    """Draw shares joined by a line that breaks at a bin of few frames; off the scale is at its edge."""
    few, most = bins["expected"].to_numpy() < FEW, value.steps.high
    low, mid, high = (
        value.y(np.minimum(bins[name].to_numpy(np.float64) * 100, most))
        for name in ("share_low", "share", "share_high")
    )
    drawing.path("".join(f"M{a:.1f} {b:.1f}V{c:.1f}" for a, b, c in zip(x, low, high, strict=True)), "trace")
    drawing.path(polyline(x, np.where(few, np.nan, mid))[0], "curve")
    over = bins["share"].to_numpy(np.float64) * 100 > most
    arrows = (f"M{a - 3.4:.1f} {b + 5:.1f}l3.4 -5l3.4 5z" for a, b in zip(x[over], mid[over], strict=True))
    drawing.path("".join(arrows), "beat open")
    for style, mask in (("got", ~few), ("beat open", few & ~over)):
        drawing.path(circles(x[mask], mid[mask], 2.6), style)
