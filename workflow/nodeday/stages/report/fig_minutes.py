"""Figure of minutes: loss on the air by minute, against the signal of the frames that arrived."""

from __future__ import annotations

import numpy as np
import pandas as pd

from nodeday.config.study import HUB, Study
from nodeday.core.arrays import Floats
from nodeday.schemas import TABLES
from nodeday.schemas.codes import LOST_ON_AIR
from nodeday.stages.report.facts import PageFacts
from nodeday.stages.report.fig_loss import MEASURE
from nodeday.stages.report.figure_tables import instants
from nodeday.stages.report.panels import TimePanels, YAxis
from nodeday.stages.report.spans import MINUTE
from nodeday.stages.report.svg import LEFT, RIGHT, WIDTH, Drawing, Figure, boxes
from nodeday.stages.report.words import number, percent
from nodeday.storage import tables

SIGNAL, LOSS, BETWEEN, STEP, MOST_BINS = 26, 28, 12, 84, 364
FEWEST = 10
"""Minutes with both below which no correlation is stated."""


def minutes(study: Study, facts: PageFacts) -> Figure | None:
    """Draw a panel a stream; None where the hub's minutes have no instant in UTC."""
    loss = tables.read(tables.path(study.results, "loss", facts.session), "loss")
    loss = loss[(loss["node"] != HUB) & loss["minute_utc_ns"].notna()]
    if loss.empty:
        return None
    measure = next((name for name in MEASURE if loss[name].notna().any()), "")
    several = max(1, -(-int(facts.hours * 60) // MOST_BINS))
    rows = _binned(loss, measure, several)
    streams = [(stream, stream.select(rows)) for stream in facts.streams]
    about = "; ".join(f"{stream.name}: {_worst(bins) or 'no frame expected'}" for stream, bins in streams)
    title = "Loss on the air by minute, and signal"
    panels = TimePanels.begin(facts, "minutes", title, about, len(streams), STEP)
    panels.mark_phases()
    for index, (stream, bins) in enumerate(streams):
        top = panels.top(index)
        panels.label(top + 12, stream.node, stream.stream, _rank(bins))
        level = YAxis.over(rows["signal"].to_numpy(np.float64), top, top + SIGNAL, most=1)
        under = top + SIGNAL + BETWEEN
        share = YAxis.over(np.append(bins["share"].dropna() * 100, 1.0), under, under + LOSS, True, 1)
        start = bins["start_ns"].to_numpy(np.int64)
        left, right = (
            np.clip(panels.time.x(at), panels.time.left, panels.time.right)
            for at in (start, start + several * MINUTE)
        )
        if measure:
            level.draw(panels.drawing, LEFT, WIDTH - RIGHT)
            _draw_signal(panels.drawing, (left + right) / 2, bins, level, several)
        share.draw(panels.drawing, LEFT, WIDTH - RIGHT)
        _draw_loss(panels.drawing, left, right, bins["share"].to_numpy(np.float64), share)
    name, unit = MEASURE.get(measure, ("signal", ""))
    return Figure(
        "minutes",
        f"Loss by minute and {name}",
        _caption(name, unit, several, bool(measure)),
        panels.drawing.markup(),
        rows.assign(start_utc=instants(rows["start_ns"].to_numpy(np.int64)))
        .drop(columns="start_ns")
        .rename(columns={"signal": measure or "signal"}),
    )


def _caption(name: str, unit: str, several: int, measured: bool) -> str:
    bins = "a minute" if several == 1 else f"{several} minutes"
    bars = f"Bars: share of the frames of {bins} lost on the air, in %, each stream on a scale of its own."
    if not measured:
        return f"{bars} The hub reports no signal."
    meaning = TABLES["loss"]["rssi_dbm" if unit == "dBm" else "lqi"].meaning
    return (
        f"Line: {meaning}{', in ' + unit if unit else ''}, of the frames that arrived. {bars} ρ is the rank "
        "correlation (Spearman) of the two over these bins: near −1, loss comes with a weak signal; near "
        "0, from elsewhere."
    )


def _binned(loss: pd.DataFrame, measure: str, several: int) -> pd.DataFrame:
    """Sums of ``several`` minutes, and the mean signal by the number of frames received."""
    at = loss["minute_utc_ns"].astype("int64")
    size = several * MINUTE
    rows = pd.DataFrame(
        {
            "node": loss["node"].astype(str),
            "stream": loss["stream"].astype(str),
            "start_ns": at.min() + (at - at.min()) // size * size,
            "received": loss["received"],
            "lost": loss[LOST_ON_AIR].sum(axis=1),
        }
    )
    level = loss[measure].astype("float64") if measure else pd.Series(np.nan, index=loss.index)
    rows["weight"] = rows["received"].where(level.notna(), 0)
    rows["signal"] = level.fillna(0) * rows["weight"]
    out = rows.groupby(["node", "stream", "start_ns"], as_index=False, sort=True).sum()
    out["signal"] = out["signal"] / out["weight"].where(out["weight"] > 0)
    sent = out["received"] + out["lost"]
    out["share"] = out["lost"] / sent.where(sent > 0)
    return out.drop(columns="weight")


def _rank(bins: pd.DataFrame) -> str:
    rho = rank_correlation(bins["signal"].to_numpy(np.float64), bins["share"].to_numpy(np.float64))
    return "" if np.isnan(rho) else f"ρ = {number(rho, 2, True)}"


def rank_correlation(a: Floats, b: Floats) -> float:
    """Return Spearman's rank correlation (-1 to 1) of two series (n,), ties at their mean rank.

    NaN below FEWEST pairs or where one of them never changes. Source: Spearman 1904, from memory; tested
    against SciPy.
    """
    both = np.isfinite(a) & np.isfinite(b)
    if np.count_nonzero(both) < FEWEST or np.ptp(a[both]) == 0 or np.ptp(b[both]) == 0:
        return float("nan")
    first, second = (pd.Series(series[both]).rank() for series in (a, b))
    return float(first.corr(second))


def _worst(bins: pd.DataFrame) -> str:
    share = bins["share"].dropna()
    return f"at most {percent(float(share.max()))} lost in a bin {_rank(bins)}".strip() if len(share) else ""


def _draw_signal(drawing: Drawing, x: Floats, bins: pd.DataFrame, value: YAxis, several: int) -> None:
    apart = np.flatnonzero(np.diff(bins["start_ns"].to_numpy(np.int64)) > several * MINUTE) + 1
    y = np.insert(bins["signal"].to_numpy(np.float64), apart, np.nan)
    drawing.polyline(np.insert(x, apart, np.nan), value.y(y), "trace", "lone")


def _draw_loss(drawing: Drawing, left: Floats, right: Floats, share: Floats, value: YAxis) -> None:
    lossy = np.flatnonzero(np.nan_to_num(share) > 0)
    top = value.y(share * 100)
    drawing.path(
        boxes((left[k], top[k], right[k] - left[k], value.bottom - top[k]) for k in lossy), "why radio"
    )
