"""Figure of motion: walking, posture, and whether the node was worn, by each accelerometer."""

from __future__ import annotations

import numpy as np
import pandas as pd

from nodeday.config.study import Study
from nodeday.core.arrays import Bools, Floats, runs
from nodeday.schemas.codes import CALIBRATION_METHOD, CALIBRATION_NOTE
from nodeday.stages.report.facts import PageFacts
from nodeday.stages.report.figure_tables import instants
from nodeday.stages.report.panels import TimePanels
from nodeday.stages.report.svg import Drawing, Figure, boxes
from nodeday.stages.report.words import percent
from nodeday.storage import tables

WALK, LANE, STEP = 26, 11, 56
POSTURES = ("upright_share", "leaning_share", "level_share")
"""From the bottom of the lane upwards; the style sheet darkens them in this order."""
SHOWN = ("walking_share", "nonwear", *POSTURES)


def motion(study: Study, facts: PageFacts) -> Figure | None:
    """Draw a row a node; None where no node of the session has a share of walking."""
    rows = facts.epochs[facts.epochs["feature"].isin(SHOWN)]
    walking = rows[rows["feature"] == "walking_share"]
    if walking.empty:
        return None
    calibration = tables.read(tables.path(study.results, "calibration", facts.session), "calibration")
    series = walking[["node", "channel"]].drop_duplicates().itertuples(index=False, name=None)
    by_node = {
        str(node): _wide(rows[(rows["node"] == node) & (rows["channel"] == stream)])
        for node, stream in series
    }
    about = "; ".join(f"{node}: {_about(epochs)}" for node, epochs in by_node.items())
    title = "Walking, posture and wear over the session"
    panels = TimePanels.begin(facts, "motion", title, about, len(by_node), STEP)
    for index, (node, epochs) in enumerate(by_node.items()):
        top, walks = panels.top(index), percent(float(epochs["walking_share"].mean()))
        panels.label(top + 12, node, str(epochs["placement"].iloc[0]))
        panels.drawing.text(panels.time.left - 8, top + 12, walks, "tick", "end")
        _draw_epochs(panels, epochs, top)
    panels.mark_phases()
    out = rows.assign(start_utc=instants(rows["start_ns"].to_numpy(np.int64)))
    kept = ["node", "placement", "channel", "epoch", "start_utc", "feature", "value", "coverage", "reason"]
    return Figure(
        "motion",
        "Walking, posture and wear",
        "Upper band: share of each epoch that walks; percentages are of all epochs with a value. Lower band: "
        "posture, from pale to dark upright, leaning (30 to 60°), level (lying, or bent over); only where "
        "the placement tells and the study states the mounting. Dotted: not worn. Hatched: no value. A "
        "steady beat of the arm passes for walking at a wrist.",
        panels.drawing.markup(),
        out[kept],
        _calibrations(calibration),
    )


def _wide(rows: pd.DataFrame) -> pd.DataFrame:
    """Epochs of a node in order, a column for each feature it has."""
    wide = rows.drop_duplicates("epoch").set_index("epoch")[["placement", "start_ns", "end_ns"]]
    for name, feature in rows.groupby("feature", observed=True):
        wide[str(name)] = feature.set_index("epoch")["value"]
    return wide.sort_index()


def _about(epochs: pd.DataFrame) -> str:
    share = epochs["walking_share"].dropna()
    if share.empty:
        return "no epoch has a value"
    return f"walking in {percent(float(share.mean()))} of {percent(len(share) / len(epochs))} of the epochs"


def _draw_epochs(panels: TimePanels, epochs: pd.DataFrame, top: float) -> None:
    """Draw the band of walking, below it the lane of postures, over both where the node was not worn."""
    drawing, time = panels.drawing, panels.time
    left = time.x(epochs["start_ns"].to_numpy(np.int64))
    width = np.minimum(time.x(epochs["end_ns"].to_numpy(np.int64)), time.right) - left
    walks = epochs["walking_share"].to_numpy(np.float64)
    not_worn = epochs["nonwear"].to_numpy(np.float64) == 1
    base = np.zeros(len(walks))
    _draw_holes(drawing, left, width, ~np.isfinite(walks), (top, WALK))
    drawing.line(time.left, top + WALK, time.right, top + WALK, "grid")
    _draw_bars(drawing, left, width, base, walks, (top, WALK), "got")
    postures = [name for name in POSTURES if name in epochs]
    lane = (top + WALK + 4, LANE)
    if postures:
        unknown = epochs[postures[0]].isna().to_numpy(np.bool_)
        _draw_holes(drawing, left, width, unknown & ~not_worn, lane)
        for name in postures:
            share = epochs[name].to_numpy(np.float64)
            _draw_bars(drawing, left, width, base, share, lane, f"posture {name.removesuffix('_share')}")
            base = base + np.nan_to_num(share)
    spans = [
        (left[a], top, left[b - 1] + width[b - 1] - left[a], WALK + 4.0 + LANE)
        for a, b in zip(*runs(not_worn), strict=True)
    ]
    drawing.path(boxes(spans), "why absent")


def _draw_bars(
    drawing: Drawing,
    left: Floats,
    width: Floats,
    base: Floats,
    share: Floats,
    lane: tuple[float, float],
    style: str,
) -> None:
    top, height = lane
    filled = np.flatnonzero(np.nan_to_num(share) > 0)
    drawing.path(
        boxes(
            (left[k], top + height * (1 - base[k] - share[k]), width[k], height * share[k]) for k in filled
        ),
        style,
    )


def _draw_holes(
    drawing: Drawing, left: Floats, width: Floats, mask: Bools, lane: tuple[float, float]
) -> None:
    for first, last in zip(*runs(mask), strict=True):
        wide = left[last - 1] + width[last - 1] - left[first]
        drawing.hole(left[first], lane[0], wide, lane[1], f"{last - first} epochs without a value")


def _calibrations(calibration: pd.DataFrame) -> list[str]:
    """A sentence for each accelerometer: how it was calibrated, and how well that fits."""
    sentences = []
    for row in calibration.to_dict("records"):
        text = f"{row['node']}: {CALIBRATION_METHOD[row['method']]}"
        if row["note"] in CALIBRATION_NOTE:
            text += f" ({CALIBRATION_NOTE[row['note']]})"
        if np.isfinite(row["residual_before_mg"]):
            text += f"; still windows {row['residual_before_mg']:.1f} mg off 1 g"
            text += "" if row["method"] == "none" else f", {row['residual_after_mg']:.1f} mg once calibrated"
        sentences.append(f"{text}.")
    return sentences
