"""Loss of each stream by cause: bars of time without data, and the counts of frames."""

from __future__ import annotations

import numpy as np
import pandas as pd

from nodeday.report.facts import CAUSES, Facts, Stream
from nodeday.report.fig_coverage import shares_of
from nodeday.report.figure import DRAWN, LABEL, LEAST, Figure
from nodeday.report.svg import LEFT, RIGHT, WIDTH, Drawing, ValueAxis, boxes
from nodeday.report.words import percent

STEP, BAR = 26, 15


def loss_bars(facts: Facts) -> Figure:
    """A bar a stream, its parts the share of the session's time that each cause took."""
    parts = [_whole(stream, facts) for stream in facts.streams]
    most = max([0.001, *(sum(each.values()) for each in parts)])
    value = ValueAxis.over(np.array([most * 100]), 0, 1, zero=True, most=5)
    high = value.high / 100
    right = WIDTH - RIGHT - 60
    scale = (right - LEFT) / high
    bottom = 6 + STEP * len(parts)
    about = "; ".join(f"{s.name}: {percent(sum(p.values()))} without data"
                      for s, p in zip(facts.streams, parts, strict=True))  # fmt: skip
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
    rows = pd.DataFrame([
        {"node": s.node, "stream": s.stream, **{f"share_{c}": round(v, 8) for c, v in p.items()}, **s.counts}
        for s, p in zip(facts.streams, parts, strict=True)
    ])  # fmt: skip
    return Figure(
        "loss", "Loss by node and cause",
        "Bars: share of the session’s time without data, gaps of unknown length included. Table: frames, of "
        "which only gaps of known length can be counted; the last column says how many cannot.",
        drawing.markup(), rows,
        legend=[cause for cause in DRAWN if any(part[cause] > LEAST.get(cause, 0) for part in parts)],
    )  # fmt: skip


def _whole(stream: Stream, facts: Facts) -> dict[str, float]:
    shares = shares_of(stream, np.array(facts.span))
    return {cause: float(shares[cause][0]) for cause in DRAWN}


def table(facts: Facts) -> tuple[list[str], list[dict[str, object]]]:
    """Heads of the causes and, for each stream, its counts as the page's table shows them."""
    rows: list[dict[str, object]] = []
    for stream in facts.streams:
        counts = stream.counts
        lost = [counts[f"lost_{cause}"] for cause in CAUSES]
        unknown = int(np.count_nonzero((stream.extent == "unknown") & np.isin(stream.cause, CAUSES)))
        share = sum(lost) / counts["expected"] if counts["expected"] else None
        rows.append({"node": stream.node, "stream": stream.stream, "lost": lost, "share": share,
                     "unknown": unknown, **counts})  # fmt: skip
    return [LABEL[cause] for cause in CAUSES], rows
