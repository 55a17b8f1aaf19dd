"""Loss of each stream by cause, as time and as counts of frames, and against signal strength."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from nodeday.config.study import HUB, Study
from nodeday.stages.report.facts import CAUSES, PageFacts, StreamFacts
from nodeday.stages.report.fig_coverage import shares_of
from nodeday.stages.report.svg import (
    DRAWN,
    LABEL,
    LEAST,
    LEFT,
    RIGHT,
    WIDTH,
    Drawing,
    Figure,
    ValueAxis,
    boxes,
    polyline,
)
from nodeday.stages.report.words import count, listed, percent
from nodeday.storage import tables

STEP, BAR = 26, 15
ACROSS, PANEL, BETWEEN, TALL, PLOT, SHARE = 3, 264, 22, 190, 96, 22
"""The panels of loss against signal: how many side by side, their width, the stage between, their height,
and within them the heights of the plot and of the bars below it."""
FEW = 30
"""Frames in a bin below which its share is drawn open: it says little. Choice of this project."""
MEASURE = {"rssi_dbm": ("signal strength", "dBm"), "lqi": ("link quality", "")}


def loss_bars(facts: PageFacts) -> Figure:
    """A bar a stream, its parts the share of the session's time that each cause took."""
    parts = [_whole(stream, facts) for stream in facts.streams]
    most = max([0.001, *(sum(each.values()) for each in parts)])
    value = ValueAxis.over(np.array([most * 100]), 0, 1, zero=True, most=5)
    high = value.high / 100
    right = WIDTH - RIGHT - 60
    scale = (right - LEFT) / high
    bottom = 6 + STEP * len(parts)
    about = "; ".join(
        f"{s.name}: {percent(sum(p.values()))} without data"
        for s, p in zip(facts.streams, parts, strict=True)
    )
    drawing = Drawing("loss", "Share of the session without data, by cause", about, bottom + 24)
    for tick in np.arange(0, value.high + value.step / 2, value.step):
        x = LEFT + tick / 100 * scale
        drawing.line(x, 4, x, bottom + 4, "grid")
        drawing.text(x, bottom + 18, f"{round(tick, 9):g} %", "tick", "middle")
    for index, (stream, part) in enumerate(zip(facts.streams, parts, strict=True)):
        top, x = 6 + STEP * index, float(LEFT)
        drawing.text(0, top + 12, stream.node, "name")
        drawing.text(LEFT - 8, top + 12, stream.stream, "tick faint", "end")
        for cause, share in part.items():
            if share > LEAST.get(cause, 0):
                drawing.path(boxes([(x, top, max(share * scale, 0.8), BAR)]), f"why edge {cause}")
                x += share * scale
        drawing.text(x + 6, top + 12, percent(sum(part.values()), 2), "tick")
    rows = pd.DataFrame(
        [
            {
                "node": s.node,
                "stream": s.stream,
                **{f"share_{c}": round(v, 8) for c, v in p.items()},
                **s.counts,
            }
            for s, p in zip(facts.streams, parts, strict=True)
        ]
    )
    return Figure(
        "loss",
        "Loss by node and cause",
        "Bars: share of the session’s time without data, gaps of unknown length included. Table: frames, of "
        "which only gaps of known length can be counted; the last column says how many cannot.",
        drawing.markup(),
        rows,
        legend=[cause for cause in DRAWN if any(part[cause] > LEAST.get(cause, 0) for part in parts)],
    )


def _whole(stream: StreamFacts, facts: PageFacts) -> dict[str, float]:
    shares = shares_of(stream, np.array(facts.span))
    return {cause: float(shares[cause][0]) for cause in DRAWN}


def table(facts: PageFacts) -> tuple[list[str], list[dict[str, object]]]:
    """Heads of the causes and, for each stream, its counts as the page's table shows them."""
    rows: list[dict[str, object]] = []
    for stream in facts.streams:
        counts = stream.counts
        lost = [counts[f"lost_{cause}"] for cause in CAUSES]
        unknown = int(np.count_nonzero((stream.extent == "unknown") & np.isin(stream.cause, CAUSES)))
        share = sum(lost) / counts["expected"] if counts["expected"] else None
        rows.append(
            {
                "node": stream.node,
                "stream": stream.stream,
                "lost": lost,
                "share": share,
                "unknown": unknown,
                **counts,
            }
        )
    return [LABEL[cause] for cause in CAUSES], rows


def bad_checksums(study: Study, session: str) -> int:
    """Stretches of the capture that open like a frame and fail their checksum."""
    rejects = tables.read(tables.path(study.results, "rejects", session), "rejects", ["reason"])
    return int((rejects["reason"] == "bad_checksum").sum())


def signal(study: Study, facts: PageFacts) -> Figure | None:
    """A panel a stream: share lost on the air in each bin of signal, all on one scale; None where
    the hub reports no signal.
    """
    rows = tables.read(tables.path(study.results, "signal", facts.session), "signal")
    rows = rows.astype({"node": str, "stream": str, "measure": str})
    rows = rows[rows["node"] != HUB].reset_index(drop=True)
    measure = next((each for each in MEASURE if (rows["measure"] == each).any()), None)
    if measure is None:
        return None
    name, unit = MEASURE[measure]
    drawn = rows[rows["measure"] == measure]
    whole = [(s, drawn[(drawn["node"] == s.node) & (drawn["stream"] == s.stream)]) for s in facts.streams]
    panels = [(stream, own) for stream, own in whole if len(own)]
    height = TALL * -(-len(panels) // ACROSS) - 10
    about = "; ".join(f"{stream.name}: {_ends(own, unit)}" for stream, own in panels)
    drawing = Drawing("signal", f"Share of frames lost, by {name}", about, height)
    sure = drawn.loc[drawn["expected"] >= FEW, "share"].to_numpy(np.float64)
    most = float(max(sure.max(initial=0), 0.01) * 100)
    span = float(drawn["low"].min()), float(drawn["high"].max())
    for index, (stream, own) in enumerate(panels):
        place = (PANEL + BETWEEN) * (index % ACROSS), TALL * (index // ACROSS)
        _panel(drawing, stream, own, place, most, span, unit)
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


def _ends(own: pd.DataFrame, unit: str) -> str:
    sure = own[own["expected"] >= FEW]
    if sure.empty:
        return "too few frames"
    ends = [sure.iloc[0], sure.iloc[-1]]
    return listed(
        [f"{percent(float(e['share']))} lost from {e['low']:g} to {e['high']:g} {unit}".strip() for e in ends]
    )


def _panel(
    drawing: Drawing,
    stream: StreamFacts,
    own: pd.DataFrame,
    place: tuple[int, int],
    most: float,
    span: tuple[float, float],
    unit: str,
) -> None:
    """One stream: dots and intervals above, the spread of its frames below."""
    (left, top), sent = place, count(int(own["expected"].sum()))
    x0, x1, y0 = left + 42, left + PANEL, top + 24
    base = y0 + PLOT + 6 + SHARE
    scale = (x1 - x0) / (span[1] - span[0])
    value = ValueAxis.over(np.array([most]), y0, y0 + PLOT, zero=True, most=4)
    drawing.text(x0, top + 12, stream.node, "name")
    drawing.text(x1, top + 12, f"{stream.stream}, {sent} frames", "tick faint", "end")
    for tick in np.arange(0, value.high + value.step / 2, value.step):
        y = float(value.y(float(tick)))
        drawing.line(x0, y, x1, y, "grid")
        drawing.text(x0 - 6, y + 3.5, f"{round(float(tick), 9):g} %", "tick", "end")
    step = next(each for each in (5, 10, 20, 25, 50, 100) if (span[1] - span[0]) / each <= 5 or each == 100)
    for tick in np.arange(np.ceil(span[0] / step) * step, span[1] + 1e-9, step):
        x = x0 + (tick - span[0]) * scale
        drawing.line(x, y0, x, base + 4, "grid")
        drawing.text(x, base + 16, f"{tick:g} {unit}".strip().replace("-", "−"), "tick", "middle")
    middle = x0 + (own["low"].to_numpy() + own["high"].to_numpy() - 2 * span[0]) / 2 * scale
    width = float(own["high"].iloc[0] - own["low"].iloc[0]) * scale - 1.5
    tall = own["expected"].to_numpy() / own["expected"].max() * SHARE
    drawing.path(boxes((x - width / 2, base - h, width, h) for x, h in zip(middle, tall, strict=True)), "got")
    _dots(drawing, own, middle, value)


def _dots(drawing: Drawing, own: pd.DataFrame, x: Any, value: ValueAxis) -> None:
    """Shares of bins joined by a line that breaks at a bin of few frames; off the scale is at its edge."""
    few = own["expected"].to_numpy() < FEW
    low, mid, high = (
        value.y(np.minimum(own[name].to_numpy(np.float64) * 100, value.high))
        for name in ("share_low", "share", "share_high")
    )
    drawing.path("".join(f"M{a:.1f} {b:.1f}V{c:.1f}" for a, b, c in zip(x, low, high, strict=True)), "trace")
    drawing.path(polyline(x, np.where(few, np.nan, mid))[0], "curve")
    over = own["share"].to_numpy(np.float64) * 100 > value.high
    arrows = (f"M{a - 3.4:.1f} {b + 5:.1f}l3.4 -5l3.4 5z" for a, b in zip(x[over], mid[over], strict=True))
    drawing.path("".join(arrows), "beat open")
    for style, mask in (("got", ~few), ("beat open", few & ~over)):
        drawing.path(
            "".join(
                f"M{a - 2.6:.1f} {b:.1f}a2.6 2.6 0 1 0 5.2 0a2.6 2.6 0 1 0 -5.2 0z"
                for a, b in zip(x[mask], mid[mask], strict=True)
            ),
            style,
        )
