"""Figure of features by phase: a point a participant, never a box alone."""

from __future__ import annotations

import numpy as np
import pandas as pd

from nodeday.schemas import FEATURE
from nodeday.stages.report.facts import StudyFacts
from nodeday.stages.report.panels import PanelGrid, ValueSteps, XAxis
from nodeday.stages.report.svg import Drawing, Figure
from nodeday.stages.report.words import number

SHOWN = ("heart_rate_bpm", "rmssd_ms", "enmo_mg", "walking_share", "mean")
ACROSS, PANEL, BETWEEN = 2, 396, 52
INSET, HEAD, ROW, FOOT = 84, 36, 30, 34
TITLE = {
    "heart_rate_bpm": "Heart rate",
    "rmssd_ms": "RMSSD",
    "enmo_mg": "ENMO",
    "walking_share": "Walking",
    "mean": "Mean",
}
SHORT = {"bpm": "beats/min", "degC": "°C", "1": "share"}


def points(facts: StudyFacts) -> pd.DataFrame:
    """Return the points: a row for each feature, series, phase and participant.

    ``value`` is the mean over the epochs of the participant's sessions; ``counts`` is whether it counts.
    Where a participant has sessions that count, those alone make the point.
    """
    rows = facts.phase_features
    rows = rows[rows["feature"].isin(SHOWN) & rows["value"].notna()]
    if rows.empty:
        return pd.DataFrame(
            columns=["feature", "node", "channel", "phase", "participant", "value", "epochs", "counts"]
        )
    out = rows.assign(
        counts=[
            (str(s), str(n)) not in facts.excluded and not _feature_excluded(facts, str(s), str(n), str(f))
            for s, n, f in zip(rows["session"], rows["node"], rows["feature"], strict=True)
        ],
        weight=rows["epochs_with_value"].astype(float),
    )
    keys = ["feature", "node", "channel", "phase", "participant"]
    out = out.astype(dict.fromkeys(keys, str))
    best = out.groupby(keys)["counts"].transform("max")
    out = out[out["counts"] == best].assign(total=lambda rows: rows["value"] * rows["weight"])
    sums = out.groupby(keys, sort=False, as_index=False).agg(
        total=("total", "sum"), epochs=("weight", "sum"), counts=("counts", "max")
    )
    return sums.assign(value=sums["total"] / sums["epochs"]).drop(columns="total")


def _feature_excluded(facts: StudyFacts, session: str, node: str, feature: str) -> bool:
    rows = facts.exclusions
    match = (rows["session"] == session) & (rows["node"] == node) & (rows["feature"] == feature)
    return bool(match.any())


def phases(facts: StudyFacts) -> Figure | None:
    """Draw a panel a series of a feature; None where no phase has a value."""
    drawn = points(facts)
    if drawn.empty:
        return None
    order = _order(facts, drawn)
    people = list(dict.fromkeys(row.participant for row in facts.rows))
    panels = [
        (feature, str(node), str(channel), series)
        for feature in SHOWN
        for (node, channel), series in drawn[drawn["feature"] == feature].groupby(
            ["node", "channel"], sort=False
        )
    ]
    grid = PanelGrid(ACROSS, PANEL, BETWEEN, HEAD + ROW * len(order) + FOOT)
    about = "; ".join(f"{_name(f, n, c)}: {_medians(series, order)}" for f, n, c, series in panels)
    drawing = Drawing("phases", "Features by phase", about, grid.height(len(panels)) - 8)
    for index, (feature, node, channel, series) in enumerate(panels):
        left, top = grid.corner(index)
        drawing.text(left, top + 13, _name(feature, node, channel), "name")
        drawing.text(left, top + 27, _unit(facts, feature, channel), "tick faint")
        _panel(drawing, series, order, people, left, top + HEAD)
    return Figure(
        "phases",
        "Features by phase",
        "A point a participant: the mean over the epochs of the phase, of the sessions that count. Open: "
        "none of its sessions counts for the feature. Stroke: median of the points that count. A participant "
        "stands at one height in all rows.",
        drawing.markup(),
        drawn,
        [f"{TITLE[name]}: {FEATURE[name].meaning}." for name in SHOWN if (drawn["feature"] == name).any()],
    )


def _order(facts: StudyFacts, drawn: pd.DataFrame) -> list[str]:
    """Phases by the median time at which they begin in a session."""
    begun = facts.phases.astype({"session": str, "phase": str})
    begun = begun.assign(since=begun["start_ns"] - begun.groupby("session")["start_ns"].transform("min"))
    ranked = begun.groupby("phase")["since"].median().sort_values(kind="stable")
    return [phase for phase in ranked.index if phase in set(drawn["phase"])]


def _name(feature: str, node: str, channel: str) -> str:
    return f"{TITLE[feature]}{f' of {channel}' if feature == 'mean' else ''}, {node}"


def _unit(facts: StudyFacts, feature: str, channel: str) -> str:
    unit = FEATURE[feature].unit
    if unit == "mixed" and facts.finished:
        unit = facts.study.units_of(facts.finished[0].session).get(channel, unit)
    return SHORT.get(unit, unit)


def _medians(series: pd.DataFrame, order: list[str]) -> str:
    kept = series[series["counts"]].groupby("phase")["value"].median()
    parts = [f"{phase} {number(kept[phase], 1)}" for phase in order if phase in kept]
    return f"medians {', '.join(parts)}" if parts else "nothing counts"


def _panel(
    drawing: Drawing, series: pd.DataFrame, order: list[str], people: list[str], left: float, top: float
) -> None:
    """Draw a row a phase; a participant has one height in all rows."""
    bottom = top + ROW * len(order)
    steps = ValueSteps.over(series["value"].to_numpy(np.float64), most=5)
    axis = XAxis(steps, left + INSET, left + PANEL)
    axis.draw(drawing, top, bottom + 3, bottom + 16)
    height = {name: (k + 1) / (len(people) + 1) for k, name in enumerate(people)}
    for row, phase in enumerate(order):
        y0, in_phase = top + ROW * row, series[series["phase"] == phase]
        drawing.text(axis.left - 8, y0 + ROW / 2 + 4, phase, "tick", "end")
        drawing.line(axis.left, y0 + ROW, axis.right, y0 + ROW, "grid")
        kept = in_phase.loc[in_phase["counts"], "value"]
        if len(kept):
            x = float(axis.x(float(kept.median())))
            drawing.line(x, y0 + 3, x, y0 + ROW - 3, "expected")
        for point in in_phase.to_dict("records"):
            x = float(axis.x(point["value"]))
            y = y0 + 4 + (ROW - 8) * height.get(point["participant"], 0.5)
            style = "beat" if point["counts"] else "beat open"
            drawing.marks.append(
                f'<circle class="{style}" cx="{x:.1f}" cy="{y:.1f}" r="2.8"><title>{point["participant"]}, '
                f"{phase}: {point['value']:.4g}, {point['epochs']:.0f} epochs</title></circle>"
            )
