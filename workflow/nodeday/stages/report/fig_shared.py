"""Movements that two accelerometers share: what they say of the two clocks."""

from __future__ import annotations

from collections.abc import Hashable, Mapping
from typing import Any

import numpy as np

from nodeday.config.study import Study
from nodeday.schemas import TABLES
from nodeday.schemas.codes import AGREEMENT
from nodeday.stages.report.facts import PageFacts
from nodeday.stages.report.svg import RIGHT, WIDTH, Drawing, Figure, ValueAxis
from nodeday.stages.report.words import count, number
from nodeday.storage import tables

STEP, TOP, AT = 34, 8, 190
MARK = {"agrees": "✓", "disagrees": "✕", "corrected": "→", "no_movement": "–"}


def shared(study: Study, facts: PageFacts) -> Figure | None:
    """A row a pair of nodes; None where the session has no two accelerometers."""
    pairs = facts.agreement.astype({"node": str, "other": str, "verdict": str})
    if pairs.empty:
        return None
    moments = tables.read(tables.path(study.results, "movements", facts.session), "movements")
    bottom = TOP + STEP * len(pairs)
    seen = pairs[pairs["moments"] > 0]
    ends = [
        0.0,
        *(seen["offset_ms"] - seen["uncertainty_ms"]),
        *(seen["offset_ms"] + seen["uncertainty_ms"]),
        *pairs["clock_ms"].dropna(),
        *-pairs["clock_ms"].dropna(),
    ]
    value = ValueAxis.over(np.array(ends), 0, 1, most=8)
    scale = (WIDTH - RIGHT - AT) / (value.high - value.low)
    about = "; ".join(f"{row['node']} and {row['other']}: {_words(row)}" for row in pairs.to_dict("records"))
    drawing = Drawing("shared", "Offset of each pair of clocks by shared movements", about, bottom + 26)
    for index in range(round((value.high - value.low) / value.step) + 1):
        tick = value.low + index * value.step
        x = AT + (tick - value.low) * scale
        drawing.line(x, TOP - 4, x, bottom + 4, "phase" if abs(tick) < 1e-9 else "grid")
        label = f"{round(tick, 9):g} ms".replace("-", "−")
        drawing.text(x, bottom + 18, label, "tick", "middle")
    for index, row in enumerate(pairs.to_dict("records")):
        y = TOP + STEP * index + 12
        drawing.text(0, y + 2, f"{MARK[row['verdict']]} {row['node']} – {row['other']}", "name")
        felt = f"{count(int(row['moments']))} moment{'' if row['moments'] == 1 else 's'}"
        drawing.text(0, y + 16, f"{row['verdict'].replace('_', ' ')}, {felt}", "tick faint")
        zero = AT - value.low * scale
        if np.isfinite(row["clock_ms"]):
            drawing.rect(zero - row["clock_ms"] * scale, y - 8, 2 * row["clock_ms"] * scale, 20, "claim")
        own = moments[(moments["node"] == row["node"]) & (moments["other"] == row["other"])]
        for at in own["offset_ms"].to_numpy(np.float64):
            drawing.path(f"M{zero + at * scale:.1f} {y + 8}v5", "trace")
        if row["moments"]:
            x, half = zero + row["offset_ms"] * scale, row["uncertainty_ms"] * scale
            caps = "".join(f"M{end:.1f} {y - 4}v8" for end in (x - half, x + half))
            drawing.path(f"M{x - half:.1f} {y}h{2 * half:.1f}{caps}", "curve")
            drawing.path(f"M{x - 4:.1f} {y}l4 -4l4 4l-4 4z", "got")
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


def _words(row: Mapping[Hashable, Any]) -> str:
    if not row["moments"]:
        return AGREEMENT[row["verdict"]]
    return f"{number(row['offset_ms'], 1, True)} ± {number(row['uncertainty_ms'])} ms, {row['verdict']}"
