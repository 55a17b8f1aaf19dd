"""Figure of movements that two accelerometers share: how far apart they put the two clocks."""

from __future__ import annotations

from collections.abc import Hashable, Mapping
from typing import Any

import numpy as np
import pandas as pd

from nodeday.config.study import Study
from nodeday.core.arrays import Floats
from nodeday.schemas import TABLES
from nodeday.schemas.codes import AGREEMENT
from nodeday.stages.report.facts import PageFacts
from nodeday.stages.report.panels import ValueSteps, XAxis
from nodeday.stages.report.svg import RIGHT, WIDTH, Drawing, Figure, diamond
from nodeday.stages.report.words import count, number
from nodeday.storage import tables

STEP, TOP, LEFT = 34, 8, 190
MARK = {"agrees": "✓", "disagrees": "✕", "corrected": "→", "no_movement": "–"}


def shared(study: Study, facts: PageFacts) -> Figure | None:
    """Draw a row a pair of nodes; None where the session has no two accelerometers."""
    pairs = facts.agreement.astype({"node": str, "other": str, "verdict": str})
    if pairs.empty:
        return None
    moments = tables.read(tables.path(study.results, "movements", facts.session), "movements")
    bottom = TOP + STEP * len(pairs)
    axis = XAxis(ValueSteps.over(_ends(pairs), most=8), LEFT, WIDTH - RIGHT)
    about = "; ".join(f"{row['node']} and {row['other']}: {_words(row)}" for row in pairs.to_dict("records"))
    drawing = Drawing("shared", "Offset of each pair of clocks by shared movements", about, bottom + 26)
    axis.draw(drawing, TOP - 4, bottom + 4, bottom + 18, unit=" ms", zero="phase")
    for index, row in enumerate(pairs.to_dict("records")):
        of_pair = moments[(moments["node"] == row["node"]) & (moments["other"] == row["other"])]
        _draw_pair(drawing, axis, TOP + STEP * index + 12, row, of_pair["offset_ms"].to_numpy(np.float64))
    return Figure(
        "shared",
        "Shared movements",
        f"{TABLES['movements']['offset_ms'].meaning.capitalize()}: the diamond is the median of the moments "
        "(ticks below), its bar the 95 % band of that median; the box is the band that both clocks claim. "
        "They agree where bar and box meet. A movement tells which two clocks differ, not which is right.",
        drawing.markup(),
        pairs,
        [
            f"{row['node']} and {row['other']}: {AGREEMENT[row['verdict']]}."
            for row in pairs.to_dict("records")
            if row["verdict"] != "agrees"
        ],
    )


def _ends(pairs: pd.DataFrame) -> Floats:
    """Values in ms that the axis holds: zero, and both ends of every bar and box."""
    seen, claimed = pairs[pairs["moments"] > 0], pairs["clock_ms"].dropna()
    low, high = seen["offset_ms"] - seen["uncertainty_ms"], seen["offset_ms"] + seen["uncertainty_ms"]
    return np.concatenate([[0.0], *(part.to_numpy(np.float64) for part in (low, high, claimed, -claimed))])


def _draw_pair(
    drawing: Drawing, axis: XAxis, y: float, row: Mapping[Hashable, Any], offsets_ms: Floats
) -> None:
    """Draw the band that both clocks claim, each moment, and the median of the moments with its band."""
    drawing.text(0, y + 2, f"{MARK[row['verdict']]} {row['node']} – {row['other']}", "name")
    moments = f"{count(int(row['moments']))} moment{'' if row['moments'] == 1 else 's'}"
    drawing.text(0, y + 16, f"{row['verdict'].replace('_', ' ')}, {moments}", "tick faint")
    if np.isfinite(row["clock_ms"]):
        left = float(axis.x(-row["clock_ms"]))
        drawing.rect(left, y - 8, 2 * row["clock_ms"] * axis.scale, 20, "claim")
    for x in axis.x(offsets_ms):
        drawing.path(f"M{x:.1f} {y + 8}v5", "trace")
    if row["moments"]:
        x, half = float(axis.x(row["offset_ms"])), row["uncertainty_ms"] * axis.scale
        caps = "".join(f"M{end:.1f} {y - 4}v8" for end in (x - half, x + half))
        drawing.path(f"M{x - half:.1f} {y}h{2 * half:.1f}{caps}", "curve")
        drawing.path(diamond(x, y), "got")


def _words(row: Mapping[Hashable, Any]) -> str:
    if not row["moments"]:
        return AGREEMENT[row["verdict"]]
    return f"{number(row['offset_ms'], 1, True)} ± {number(row['uncertainty_ms'])} ms, {row['verdict']}"
