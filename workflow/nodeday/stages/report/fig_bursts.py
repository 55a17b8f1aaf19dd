"""Figure of bursts: how long runs of lost frames are, against what chance alone would make of that loss."""

from __future__ import annotations

import numpy as np
import pandas as pd

from nodeday.config.study import Study
from nodeday.core.arrays import Floats, Ints
from nodeday.schemas import TABLES
from nodeday.stages.report.facts import PageFacts
from nodeday.stages.report.panels import PanelGrid, ValueSteps, YAxis
from nodeday.stages.report.svg import Drawing, Figure, boxes, strokes
from nodeday.stages.report.words import duration, number, percent
from nodeday.storage import tables

GRID, PLOT, INSET = PanelGrid(3, 272, 22, 166), 88, 34
EDGES = np.array([1, 2, 3, 5, 9, 17, 33])
NAMES = ("1", "2", "3–4", "5–8", "9–16", "17–32", "33+")


def by_chance(loss: float) -> Floats:
    """Return the share of lost frames in runs of each class of EDGES if frames were lost independently.

    The length of a run is then a geometric count: a run has k or more frames with chance loss^(k-1).

    >>> by_chance(0.5)[:2].round(3).tolist()
    [0.25, 0.25]
    """
    # Lost frames in runs of k or more: the sum over j >= k of j (1-q)^2 q^(j-1) = q^(k-1) (k - (k-1) q).
    reach = loss ** (EDGES - 1.0) * (EDGES - (EDGES - 1) * loss)
    share: Floats = reach - np.append(reach[1:], 0.0)
    return share


def in_classes(length: Ints, count: Ints) -> Floats:
    """Return the share of lost frames in each class of EDGES, from runs of ``length``, ``count`` of each."""
    frames = np.bincount(np.searchsorted(EDGES, length, "right") - 1, length * count, len(EDGES))
    share: Floats = frames / max(float(frames.sum()), 1.0)
    return share


def bursts(study: Study, facts: PageFacts) -> Figure | None:
    """Draw a panel a stream; None where nothing was lost on the air."""
    runs = tables.read(tables.path(study.results, "bursts", facts.session), "bursts")
    radio = tables.read(tables.path(study.results, "radio", facts.session), "radio")
    selected = [(stream.name, stream.select(runs), stream.select(radio)) for stream in facts.streams]
    panels = [(name, lengths, row.iloc[0]) for name, lengths, row in selected if len(lengths) and len(row)]
    if not panels:
        return None
    about = "; ".join(f"{name}: {_words(row)}" for name, _, row in panels)
    drawing = Drawing("bursts", "Lost frames by length of their run", about, GRID.height(len(panels)) - 6)
    rows = []
    for index, (name, lengths, row) in enumerate(panels):
        seen = in_classes(lengths["length"].to_numpy(np.int64), lengths["count"].to_numpy(np.int64))
        chance = by_chance(float(row["radio_loss"]))
        _panel(drawing, name, _words(row), GRID.corner(index), seen, chance)
        rows.append(
            pd.DataFrame(
                {
                    "node": row["node"],
                    "stream": row["stream"],
                    "run_frames": NAMES,
                    "share_of_lost": seen,
                    "share_by_chance": chance,
                }
            )
        )
    meaning = TABLES["radio"]["burst_ratio"].meaning
    return Figure(
        "bursts",
        "Bursts",
        "Bars: share of the frames lost on the air by the length of their run, in frames. Strokes: what "
        f"chance alone would make of as much loss. Burst ratio: {meaning}. Outages and restarts are no runs.",
        drawing.markup(),
        pd.concat(rows, ignore_index=True),
    )


def _words(row: pd.Series) -> str:
    frames, period_s = int(row["longest_run_frames"]), row["period_s"]
    longest = f"{frames} frames" if pd.isna(period_s) else duration(frames * float(period_s))
    return f"burst ratio {number(row['burst_ratio'])}, longest {longest}, lost {percent(row['radio_loss'])}"


def _panel(
    drawing: Drawing, name: str, words: str, corner: tuple[float, float], seen: Floats, chance: Floats
) -> None:
    left, top = corner
    x0, x1, y0, y1 = left + INSET, left + GRID.width, top + 44, top + 44 + PLOT
    value = YAxis(ValueSteps(0.0, 100.0, 50.0), y0, y1)
    drawing.text(left, top + 13, name, "name")
    drawing.text(left, top + 27, words, "tick faint")
    value.draw(drawing, x0, x1)
    width = (x1 - x0) / len(EDGES)
    x = x0 + width * np.arange(len(EDGES), dtype=np.float64)
    bars = [(a + 4, t, width - 8, y1 - t) for a, t in zip(x, value.y(seen * 100), strict=True) if t < y1]
    drawing.path(boxes(bars), "why radio")
    drawing.path(strokes(x + 1, value.y(chance * 100), width - 2), "expected")
    for a, label in zip(x, NAMES, strict=True):
        drawing.text(a + width / 2, y1 + 14, label, "tick", "middle")
