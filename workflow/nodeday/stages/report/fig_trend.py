"""Features over the session, one panel a node and channel; a line breaks where there is no value."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from nodeday.core.arrays import runs
from nodeday.schemas import BARRED, FEATURE
from nodeday.schemas.codes import LOSS_BAR, NO_VALUE
from nodeday.stages.report import spans
from nodeday.stages.report.facts import PageFacts
from nodeday.stages.report.svg import (
    LEFT,
    RIGHT,
    WIDTH,
    Drawing,
    Figure,
    TimeAxis,
    ValueAxis,
    axis,
    boxes,
    instants,
    phase_marks,
    polyline,
)
from nodeday.stages.report.words import percent

HEAD, MOST_POINTS = 18, 3000


@dataclass(frozen=True)
class Trend:
    """A feature to show: its code, the figure's title, height of a panel, whether it starts at 0."""

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
    """The figure of a feature; None where no epoch of the session has it."""
    rows = facts.epochs[facts.epochs["feature"] == which.feature]
    if rows.empty:
        return None
    groups = [
        (str(node), str(channel), own.sort_values("start_ns"))
        for (node, channel), own in rows.groupby(["node", "channel"], observed=True, sort=False)
    ]
    units = {_unit(facts, which, channel).split(", ")[-1] for _, channel, _ in groups}
    channels = ", ".join(dict.fromkeys(channel for _, channel, _ in groups))
    time, step = axis(facts), which.panel + 16
    bottom = HEAD + step * len(groups)
    about = "; ".join(
        _about(node, channel, own, _unit(facts, which, channel)) for node, channel, own in groups
    )
    drawing = Drawing(which.feature, f"{which.title} over the session", about, bottom + 32)
    time.draw(drawing, HEAD, bottom)
    everything = rows[["value", "low", "high"]].to_numpy(np.float64).ravel()
    for index, (node, channel, own) in enumerate(groups):
        top = HEAD + step * index + 10
        shared = everything if which.feature != "mean" else own["value"].to_numpy(np.float64)
        value = ValueAxis.over(shared, top, top + which.panel, which.zero, most=3 if which.panel < 100 else 5)
        drawing.text(0, top + 14, node, "name")
        drawing.text(0, top + 29, _unit(facts, which, channel), "tick faint")
        value.draw(drawing, LEFT, WIDTH - RIGHT)
        _panel(drawing, time, value, own)
    phase_marks(facts, drawing, time, 2, bottom)
    out = rows.assign(start_utc=instants(rows["start_ns"].to_numpy(np.int64)))
    kept = [
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
    title = f"Temperature: {channels}" if units == {"°C"} else which.title
    return Figure(
        which.feature, title, _caption(which), drawing.markup(), out[kept], [*_holes(rows), *_bars(rows)]
    )


def _unit(facts: PageFacts, which: Trend, channel: str) -> str:
    unit = FEATURE[which.feature].unit
    unit = facts.units.get(channel, unit) if unit == "mixed" else unit
    shown = {"degC": "°C", "bpm": "beats/min"}.get(unit, unit)
    return f"{channel}, {shown}" if which.feature == "mean" else shown


def _caption(which: Trend) -> str:
    one = FEATURE[which.feature]
    return (
        f"{one.meaning.capitalize()}: {one.formula}. Needs {one.needs}. Source: {one.source}. "
        "Hatched: no value, and no line across."
        + (" Band: 95 % interval for what was lost." if which.feature in BARRED else "")
    )


def _about(node: str, channel: str, own: pd.DataFrame, unit: str) -> str:
    values = own["value"].dropna()
    share = percent(len(values) / len(own))
    if values.empty:
        return f"{node} {channel}: no epoch has a value"
    low, middle, high = values.min(), values.median(), values.max()
    return f"{node}: median {middle:.4g} {unit}, from {low:.4g} to {high:.4g}, in {share} of epochs"


def _holes(rows: pd.DataFrame) -> list[str]:
    """How many epochs have no value, by reason."""
    missing = rows["reason"].dropna().astype(str).value_counts()
    if missing.empty:
        return [f"All {len(rows)} epochs have a value."]
    parts = [f"{count} × {NO_VALUE[str(reason)]}" for reason, count in missing.items()]
    return [f"{int(missing.sum())} of {len(rows)} epochs have no value: {'; '.join(parts)}."]


def _bars(rows: pd.DataFrame) -> list[str]:
    """How many values have an error bar for what was lost, and why the others have none."""
    how = rows["bar"].dropna().astype(str).value_counts()
    parts = [f"{count} × {LOSS_BAR[str(bar)]}" for bar, count in how.items()]
    return [f"Error bars: {'; '.join(parts)}."] if parts else []


def _panel(drawing: Drawing, time: TimeAxis, value: ValueAxis, own: pd.DataFrame) -> None:
    start, end = own["start_ns"].to_numpy(np.int64), own["end_ns"].to_numpy(np.int64)
    values = own["value"].to_numpy(np.float64)
    for first, last in zip(*runs(~np.isfinite(values)), strict=True):
        left = max(float(time.x(int(start[first]))), time.left)
        right = min(float(time.x(int(end[last - 1]))), time.right)
        reason = str(own["reason"].iloc[first])
        hint = f"{last - first} epochs without a value; first: {NO_VALUE.get(reason, reason)}"
        drawing.hole(left, value.top, right - left, value.bottom - value.top, hint)
    low, high = own["low"].to_numpy(np.float64), own["high"].to_numpy(np.float64)
    drawing.path(_band(time, start, end, low, high, value), "bar")
    x, y = broken(time, start, end, values, value)
    line, dots = polyline(x, y)
    drawing.path(line, "curve")
    drawing.path(dots, "lone")


def _band(
    time: TimeAxis,
    start_ns: NDArray[np.int64],
    end_ns: NDArray[np.int64],
    low: NDArray[np.float64],
    high: NDArray[np.float64],
    axis_: ValueAxis,
) -> str:
    """Path data of the interval of each epoch that has one wider than nothing."""
    drawn = np.flatnonzero(np.isfinite(low) & (high > low))
    left = np.maximum(time.x(start_ns[drawn]), time.left)
    right = np.minimum(time.x(end_ns[drawn]), time.right)
    top, bottom = axis_.y(high[drawn]), axis_.y(low[drawn])
    return boxes(
        zip(left.tolist(), top.tolist(), (right - left).tolist(), (bottom - top).tolist(), strict=True)
    )


def broken(
    time: TimeAxis,
    start_ns: NDArray[np.int64],
    end_ns: NDArray[np.int64],
    values: NDArray[np.float64],
    axis_: ValueAxis,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Points of the line at the middle of each epoch (n,), NaN between epochs that do not adjoin."""
    apart = np.flatnonzero(start_ns[1:] != end_ns[:-1]) + 1
    middle = start_ns + (end_ns - start_ns) // 2
    x = np.insert(time.x(middle), apart, np.nan)
    y = np.insert(values, apart, np.nan)
    kept = spans.decimate(y, MOST_POINTS)
    return x[kept], axis_.y(y[kept])
