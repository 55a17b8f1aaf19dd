"""What each accelerometer says of the wearer: walking, posture, and whether the node was worn."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from nodeday.config.study import Study
from nodeday.core.arrays import runs
from nodeday.schemas.codes import CALIBRATION_METHOD, CALIBRATION_NOTE
from nodeday.stages.report.facts import PageFacts
from nodeday.stages.report.svg import Drawing, Figure, TimeAxis, axis, boxes, instants, phase_marks
from nodeday.stages.report.words import percent
from nodeday.storage import tables

HEAD, WALK, LANE, STEP = 18, 26, 11, 56
POSTURES = ("upright_share", "leaning_share", "level_share")
"""From the bottom of the lane upwards; the style sheet darkens them in this order."""
SHOWN = ("walking_share", "nonwear", *POSTURES)


def motion(study: Study, facts: PageFacts) -> Figure | None:
    """One row a node; None where no node of the session tells of walking."""
    rows = facts.epochs[facts.epochs["feature"].isin(SHOWN)]
    walking = rows[rows["feature"] == "walking_share"]
    if walking.empty:
        return None
    calibration = tables.read(tables.path(study.results, "calibration", facts.session), "calibration")
    own = {
        str(node): _wide(rows[(rows["node"] == node) & (rows["channel"] == stream)])
        for node, stream in walking[["node", "channel"]].drop_duplicates().itertuples(index=False, name=None)
    }
    time, bottom = axis(facts), HEAD + STEP * len(own)
    about = "; ".join(f"{node}: {_about(each)}" for node, each in own.items())
    drawing = Drawing("motion", "Walking, posture and wear over the session", about, bottom + 32)
    time.draw(drawing, HEAD, bottom)
    for index, (node, each) in enumerate(own.items()):
        top = HEAD + STEP * index + 8
        drawing.text(0, top + 12, node, "name")
        drawing.text(0, top + 26, str(each["placement"].iloc[0]), "tick faint")
        drawing.text(time.left - 8, top + 12, percent(float(each["walking_share"].mean())), "tick", "end")
        _row(drawing, time, each, top)
    phase_marks(facts, drawing, time, 2, bottom)
    out = rows.assign(start_utc=instants(rows["start_ns"].to_numpy(np.int64)))
    kept = ["node", "placement", "channel", "epoch", "start_utc", "feature", "value", "coverage", "reason"]
    return Figure(
        "motion",
        "Walking, posture and wear",
        "Upper band: share of each epoch that walks; percentages are of all epochs with a value. Lower band: "
        "posture, from pale to dark upright, leaning (30 to 60°), level (lying, or bent over); only where "
        "the placement tells and the study states the mounting. Dotted: not worn. Hatched: no value. A "
        "steady beat of the arm passes for walking at a wrist.",
        drawing.markup(),
        out[kept],
        _calibrations(calibration),
    )


def _wide(rows: pd.DataFrame) -> pd.DataFrame:
    """A node's epochs in order, a column for each feature it has."""
    first = rows.drop_duplicates("epoch").set_index("epoch")[["placement", "start_ns", "end_ns"]]
    for name, own in rows.groupby("feature", observed=True):
        first[str(name)] = own.set_index("epoch")["value"]
    return first.sort_index()


def _about(own: pd.DataFrame) -> str:
    share = own["walking_share"].dropna()
    if share.empty:
        return "no epoch has a value"
    return f"walking in {percent(float(share.mean()))} of {percent(len(share) / len(own))} of the epochs"


def _row(drawing: Drawing, time: TimeAxis, own: pd.DataFrame, top: float) -> None:
    left = time.x(own["start_ns"].to_numpy(np.int64))
    width = np.minimum(time.x(own["end_ns"].to_numpy(np.int64)), time.right) - left
    walks = own["walking_share"].to_numpy(np.float64)
    _holes(drawing, left, width, ~np.isfinite(walks), top, WALK)
    drawing.line(time.left, top + WALK, time.right, top + WALK, "grid")
    _bars(drawing, left, width, np.zeros(len(walks)), walks, (top, WALK), "got")
    held = [name for name in POSTURES if name in own]
    lane = top + WALK + 4
    if held:
        base = np.zeros(len(walks))
        known = own[held[0]].notna().to_numpy(np.bool_)
        worn = own["nonwear"].to_numpy(np.float64) != 1
        _holes(drawing, left, width, ~known & worn, lane, LANE)
        for name in held:
            share = own[name].to_numpy(np.float64)
            _bars(drawing, left, width, base, share, (lane, LANE), f"posture {name.removesuffix('_share')}")
            base = base + np.nan_to_num(share)
    off = zip(*runs(own["nonwear"].to_numpy(np.float64) == 1), strict=True)
    spans = [(left[a], top, left[b - 1] + width[b - 1] - left[a], WALK + 4.0 + LANE) for a, b in off]
    drawing.path(boxes(spans), "why absent")


def _bars(
    drawing: Drawing,
    left: NDArray[np.float64],
    width: NDArray[np.float64],
    base: NDArray[np.float64],
    share: NDArray[np.float64],
    lane: tuple[float, float],
    style: str,
) -> None:
    top, height = lane
    there = np.flatnonzero(np.nan_to_num(share) > 0)
    drawing.path(
        boxes((left[k], top + height * (1 - base[k] - share[k]), width[k], height * share[k]) for k in there),
        style,
    )


def _holes(
    drawing: Drawing,
    left: NDArray[np.float64],
    width: NDArray[np.float64],
    mask: NDArray[np.bool_],
    top: float,
    height: float,
) -> None:
    for first, last in zip(*runs(mask), strict=True):
        wide = left[last - 1] + width[last - 1] - left[first]
        drawing.hole(left[first], top, wide, height, f"{last - first} epochs without a value")


def _calibrations(calibration: pd.DataFrame) -> list[str]:
    """A sentence for each accelerometer: what its values rest on, and how well that fits."""
    said = []
    for row in calibration.to_dict("records"):
        text = f"{row['node']}: {CALIBRATION_METHOD[row['method']]}"
        if row["note"] in CALIBRATION_NOTE:
            text += f" ({CALIBRATION_NOTE[row['note']]})"
        if np.isfinite(row["residual_before_mg"]):
            text += f"; still windows {row['residual_before_mg']:.1f} mg off 1 g"
            text += "" if row["method"] == "none" else f", {row['residual_after_mg']:.1f} mg once calibrated"
        said.append(f"{text}.")
    return said
