"""Figures of features over the session: a panel a node and channel; a line breaks where no value is."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from nodeday.core.arrays import Floats, Ints, runs
from nodeday.schemas import BARRED, FEATURE
from nodeday.schemas.codes import LOSS_BAR, NO_VALUE
from nodeday.stages.report import spans
from nodeday.stages.report.facts import PageFacts
from nodeday.stages.report.figure_tables import instants
from nodeday.stages.report.panels import TimeAxis, TimePanels, YAxis
from nodeday.stages.report.svg import LEFT, RIGHT, WIDTH, Figure, boxes
from nodeday.stages.report.words import percent

MOST_POINTS = 3000
COLUMNS = [
    "node",
    "placement",
    "channel",
    "epoch",
    "start_utc",
    "feature",
    "value",
    "low",
    "high",
    "bias",
    "bar",
    "coverage",
    "reason",
]


@dataclass(frozen=True)
class Trend:
    """A feature to show: its code, title of the figure, height of a panel, whether its axis holds 0."""

    feature: str
    title: str
    panel: int
    zero: bool


TRENDS = (
    Trend("heart_rate_bpm", "Heart rate", 150, False),
    Trend("rmssd_ms", "Heart-rate variability (RMSSD)", 112, True),
    Trend("enmo_mg", "Movement (ENMO)", 62, True),
    Trend("mean", "Other streams", 100, False),
)


def trend(facts: PageFacts, which: Trend) -> Figure | None:
    """Draw a feature; None where no epoch of the session has it."""
    rows = facts.epochs[facts.epochs["feature"] == which.feature]
    if rows.empty:
        return None
    series = [
        (str(node), str(channel), epochs.sort_values("start_ns"), _unit(facts, which, str(channel)))
        for (node, channel), epochs in rows.groupby(["node", "channel"], observed=True, sort=False)
    ]
    about = "; ".join(_about(*one) for one in series)
    title = f"{which.title} over the session"
    panels = TimePanels.begin(facts, which.feature, title, about, len(series), which.panel + 16)
    everything = rows[["value", "low", "high"]].to_numpy(np.float64).ravel()
    most = 3 if which.panel < 100 else 5
    for index, (node, _, epochs, unit) in enumerate(series):
        top = panels.top(index, 10)
        held = everything if which.feature != "mean" else epochs["value"].to_numpy(np.float64)
        value = YAxis.over(held, top, top + which.panel, which.zero, most)
        panels.label(top + 14, node, unit, line=15)
        value.draw(panels.drawing, LEFT, WIDTH - RIGHT)
        _panel(panels, value, epochs)
    panels.mark_phases()
    channels = ", ".join(dict.fromkeys(channel for _, channel, _, _ in series))
    celsius = {unit.split(", ")[-1] for *_, unit in series} == {"°C"}
    return Figure(
        which.feature,
        f"Temperature: {channels}" if celsius else which.title,
        _caption(which),
        panels.drawing.markup(),
        rows.assign(start_utc=instants(rows["start_ns"].to_numpy(np.int64)))[COLUMNS],
        [*_holes(rows), *_bars(rows)],
    )


def _unit(facts: PageFacts, which: Trend, channel: str) -> str:
    unit = FEATURE[which.feature].unit
    unit = facts.units.get(channel, unit) if unit == "mixed" else unit
    shown = {"degC": "°C", "bpm": "beats/min"}.get(unit, unit)
    return f"{channel}, {shown}" if which.feature == "mean" else shown


def _caption(which: Trend) -> str:
    feature = FEATURE[which.feature]
    return (
        f"{feature.meaning.capitalize()}: {feature.formula}. Needs {feature.needs}. "
        f"Source: {feature.source}. "
        "Hatched: no value, and no line across."
        + (" Band: 95 % interval for what was lost." if which.feature in BARRED else "")
    )


def _about(node: str, channel: str, epochs: pd.DataFrame, unit: str) -> str:
    values = epochs["value"].dropna()
    share = percent(len(values) / len(epochs))
    if values.empty:
        return f"{node} {channel}: no epoch has a value"
    low, middle, high = values.min(), values.median(), values.max()
    return f"{node}: median {middle:.4g} {unit}, from {low:.4g} to {high:.4g}, in {share} of epochs"


def _holes(rows: pd.DataFrame) -> list[str]:
    """Sentence on epochs without a value, by reason."""
    missing = rows["reason"].dropna().astype(str).value_counts()
    if missing.empty:
        return [f"All {len(rows)} epochs have a value."]
    parts = [f"{count} × {NO_VALUE[str(reason)]}" for reason, count in missing.items()]
    return [f"{int(missing.sum())} of {len(rows)} epochs have no value: {'; '.join(parts)}."]


def _bars(rows: pd.DataFrame) -> list[str]:
    """Sentence on error bars for what was lost: how many values have one, and why others have none."""
    how = rows["bar"].dropna().astype(str).value_counts()
    parts = [f"{count} × {LOSS_BAR[str(bar)]}" for bar, count in how.items()]
    return [f"Error bars: {'; '.join(parts)}."] if parts else []


def _panel(panels: TimePanels, value: YAxis, epochs: pd.DataFrame) -> None:
    """Draw holes and bands first, the line over them."""
    time, drawing = panels.time, panels.drawing
    start, end = epochs["start_ns"].to_numpy(np.int64), epochs["end_ns"].to_numpy(np.int64)
    values, low, high = (epochs[name].to_numpy(np.float64) for name in ("value", "low", "high"))
    for first, last in zip(*runs(~np.isfinite(values)), strict=True):
        left = max(float(time.x(int(start[first]))), time.left)
        right = min(float(time.x(int(end[last - 1]))), time.right)
        reason = str(epochs["reason"].iloc[first])
        hint = f"{last - first} epochs without a value; first: {NO_VALUE.get(reason, reason)}"
        drawing.hole(left, value.top, right - left, value.bottom - value.top, hint)
    drawing.path(_band(time, start, end, low, high, value), "bar")
    drawing.polyline(*_line(time, start, end, values, value), "curve", "lone")


def _band(time: TimeAxis, start_ns: Ints, end_ns: Ints, low: Floats, high: Floats, value: YAxis) -> str:
    """Path data of the interval of each epoch that has one wider than nothing."""
    drawn = np.flatnonzero(np.isfinite(low) & (high > low))
    left = np.maximum(time.x(start_ns[drawn]), time.left)
    right = np.minimum(time.x(end_ns[drawn]), time.right)
    top, bottom = value.y(high[drawn]), value.y(low[drawn])
    return boxes(
        zip(left.tolist(), top.tolist(), (right - left).tolist(), (bottom - top).tolist(), strict=True)
    )


def _line(
    time: TimeAxis, start_ns: Ints, end_ns: Ints, values: Floats, value: YAxis
) -> tuple[Floats, Floats]:
    """Points of the line at the middle of each epoch (n,), NaN between epochs that do not adjoin."""
    apart = np.flatnonzero(start_ns[1:] != end_ns[:-1]) + 1
    middle = start_ns + (end_ns - start_ns) // 2
    x = np.insert(time.x(middle), apart, np.nan)
    y = np.insert(values, apart, np.nan)
    kept = spans.decimate(y, MOST_POINTS)
    return x[kept], value.y(y[kept])
