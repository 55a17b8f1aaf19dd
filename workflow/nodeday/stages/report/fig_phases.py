"""Features by phase: a point a participant, never a box alone."""

from __future__ import annotations

import numpy as np
import pandas as pd

from nodeday.schemas import FEATURE
from nodeday.stages.report.facts import StudyFacts
from nodeday.stages.report.svg import Drawing, Figure, ValueAxis
from nodeday.stages.report.words import number

SHOWN = ("heart_rate_bpm", "rmssd_ms", "enmo_mg", "walking_share", "mean")
ACROSS, PANEL, BETWEEN, INSET, HEAD, ROW, FOOT = 2, 396, 52, 84, 36, 30, 34
TITLE = {
    "heart_rate_bpm": "Heart rate",
    "rmssd_ms": "RMSSD",
    "enmo_mg": "ENMO",
    "walking_share": "Walking",
    "mean": "Mean",
}
SHORT = {"bpm": "beats/min", "degC": "°C", "1": "share"}


def points(facts: StudyFacts) -> pd.DataFrame:
    """A row for each feature, series, phase and participant: the mean of its epochs over its sessions, and
    whether it counts. Where a participant has sessions that count, those alone make the point.
    """
    rows = facts.phase_features
    rows = rows[rows["feature"].isin(SHOWN) & rows["value"].notna()]
    if rows.empty:
        return pd.DataFrame(
            columns=["feature", "node", "channel", "phase", "participant", "value", "epochs", "counts"]
        )
    out = rows.assign(
        counts=[
            (str(s), str(n)) not in facts.taken and not _feature_taken(facts, str(s), str(n), str(f))
            for s, n, f in zip(rows["session"], rows["node"], rows["feature"], strict=True)
        ],
        weight=rows["epochs_with_value"].astype(float),
    )
    keys = ["feature", "node", "channel", "phase", "participant"]
    out = out.astype(dict.fromkeys(keys, str))
    best = out.groupby(keys)["counts"].transform("max")
    out = out[out["counts"] == best].assign(total=lambda each: each["value"] * each["weight"])
    sums = out.groupby(keys, sort=False, as_index=False).agg(
        total=("total", "sum"), epochs=("weight", "sum"), counts=("counts", "max")
    )
    return sums.assign(value=sums["total"] / sums["epochs"]).drop(columns="total")


def _feature_taken(facts: StudyFacts, session: str, node: str, feature: str) -> bool:
    rows = facts.exclusions
    own = (rows["session"] == session) & (rows["node"] == node) & (rows["feature"] == feature)
    return bool(own.any())


def phases(facts: StudyFacts) -> Figure | None:
    """A panel a series of a feature; None where no phase has a value."""
    told = points(facts)
    if told.empty:
        return None
    order = _order(facts, told)
    people = list(dict.fromkeys(row.participant for row in facts.rows))
    panels = [
        (feature, str(node), str(channel), own)
        for feature in SHOWN
        for (node, channel), own in told[told["feature"] == feature].groupby(["node", "channel"], sort=False)
    ]
    tall = HEAD + ROW * len(order) + FOOT
    about = "; ".join(f"{_name(f, n, c)}: {_medians(own, order)}" for f, n, c, own in panels)
    drawing = Drawing("phases", "Features by phase", about, tall * -(-len(panels) // ACROSS) - 8)
    for index, (feature, node, channel, own) in enumerate(panels):
        left, top = (PANEL + BETWEEN) * (index % ACROSS), tall * (index // ACROSS)
        drawing.text(left, top + 13, _name(feature, node, channel), "name")
        drawing.text(left, top + 27, _unit(facts, feature, channel), "tick faint")
        _panel(drawing, own, order, people, left, top + HEAD)
    return Figure(
        "phases",
        "Features by phase",
        "A point a participant: the mean over the epochs of the phase, of the sessions that count. Open: "
        "none of its sessions counts for the feature. Stroke: median of the points that count. A participant "
        "stands at one height in all rows.",
        drawing.markup(),
        told,
        [f"{TITLE[each]}: {FEATURE[each].meaning}." for each in SHOWN if (told["feature"] == each).any()],
    )


def _order(facts: StudyFacts, told: pd.DataFrame) -> list[str]:
    """Phases in the order in which sessions go through them, on the whole."""
    begun = facts.phases.astype({"session": str, "phase": str})
    begun = begun.assign(since=begun["start_ns"] - begun.groupby("session")["start_ns"].transform("min"))
    ranked = begun.groupby("phase")["since"].median().sort_values(kind="stable")
    return [phase for phase in ranked.index if phase in set(told["phase"])]


def _name(feature: str, node: str, channel: str) -> str:
    return f"{TITLE[feature]}{f' of {channel}' if feature == 'mean' else ''}, {node}"


def _unit(facts: StudyFacts, feature: str, channel: str) -> str:
    unit = FEATURE[feature].unit
    if unit == "mixed" and facts.finished:
        unit = facts.study.units_of(facts.finished[0].session).get(channel, unit)
    return SHORT.get(unit, unit)


def _medians(own: pd.DataFrame, order: list[str]) -> str:
    kept = own[own["counts"]].groupby("phase")["value"].median()
    parts = [f"{phase} {number(kept[phase], 1)}" for phase in order if phase in kept]
    return f"medians {', '.join(parts)}" if parts else "nothing counts"


def _panel(
    drawing: Drawing, own: pd.DataFrame, order: list[str], people: list[str], left: float, top: float
) -> None:
    value = ValueAxis.over(own["value"].to_numpy(np.float64), 0, 1, most=5)
    x0, x1, bottom = left + INSET, left + PANEL, top + ROW * len(order)
    scale = (x1 - x0) / (value.high - value.low)
    for index in range(round((value.high - value.low) / value.step) + 1):
        tick = value.low + index * value.step
        x = x0 + (tick - value.low) * scale
        drawing.line(x, top, x, bottom + 3, "grid")
        drawing.text(x, bottom + 16, f"{round(tick, 9):g}".replace("-", "−"), "tick", "middle")
    height = {name: (k + 1) / (len(people) + 1) for k, name in enumerate(people)}
    for row, phase in enumerate(order):
        y0, here = top + ROW * row, own[own["phase"] == phase]
        drawing.text(x0 - 8, y0 + ROW / 2 + 4, phase, "tick", "end")
        drawing.line(x0, y0 + ROW, x1, y0 + ROW, "grid")
        kept = here.loc[here["counts"], "value"]
        if len(kept):
            x = x0 + (float(kept.median()) - value.low) * scale
            drawing.line(x, y0 + 3, x, y0 + ROW - 3, "expected")
        for each in here.to_dict("records"):
            x = x0 + (each["value"] - value.low) * scale
            y = y0 + 4 + (ROW - 8) * height.get(each["participant"], 0.5)
            style = "beat" if each["counts"] else "beat open"
            drawing.marks.append(
                f'<circle class="{style}" cx="{x:.1f}" cy="{y:.1f}" r="2.8"><title>{each["participant"]}, '
                f"{phase}: {each['value']:.4g}, {each['epochs']:.0f} epochs</title></circle>"
            )
