"""Figure of wear: the loss of each device over the weeks, against the other devices of the same day."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from nodeday.core.arrays import Floats
from nodeday.stages.report.facts import StudyFacts
from nodeday.stages.report.figure_tables import instants
from nodeday.stages.report.panels import YAxis
from nodeday.stages.report.svg import LEFT, RIGHT, WIDTH, Drawing, Figure, circles, strokes
from nodeday.stages.report.words import listed, local, number

WEEK = 7 * 86_400_000_000_000
FEWEST, LEAST_PP = 5, 0.2
"""Sessions below which no slope is stated; percentage points a week below which a slope does not matter."""
HEAD, PANEL, STEP, END = 6, 44, 62, 260


@dataclass(frozen=True)
class Slope:
    """Percentage points a week with the ends of the 95 % interval; NaN where sessions are too few."""

    middle: float
    low: float
    high: float
    sessions: int

    @property
    def code(self) -> str:
        if np.isnan(self.middle):
            return "too_few"
        if self.low > 0 and self.middle >= LEAST_PP:
            return "wearing_out"
        return "better" if self.high < 0 and self.middle <= -LEAST_PP else "steady"


def slope(weeks: Floats, share: Floats) -> Slope:
    """Return the slope of ``share`` (n,) over ``weeks`` (n,) by Theil and Sen. Lower is better.

    It is the median of the slopes of all pairs, which a single bad day does not move, with Sen's interval.
    Source: Sen 1968, doi:10.1080/01621459.1968.10480934, as SciPy computes it.
    """
    from scipy.stats import theilslopes  # costs a second that a session page need not wait

    n = len(weeks)
    if n < FEWEST or np.ptp(weeks) < 1:
        return Slope(np.nan, np.nan, np.nan, n)
    found = theilslopes(share * 100, weeks, alpha=0.95)
    return Slope(float(found.slope), float(found.low_slope), float(found.high_slope), n)


def sentence(device: str, slope: Slope) -> str:
    """Return a sentence on a slope that rests on enough sessions, with its interval."""
    words = {
        "wearing_out": "loses more and more against the others; it may be wearing out",
        "better": "loses less and less against the others",
        "steady": "no sign of wear",
    }[slope.code]
    return f"{device}: {words}, {_points(slope)}."


def _points(slope: Slope) -> str:
    low, middle, high = (number(value, 2, True) for value in (slope.low, slope.middle, slope.high))
    return f"{middle} points a week ({low} to {high})"


def history(facts: StudyFacts) -> pd.DataFrame:
    """Return a row for each device of each finished session that has a time, in order of it.

    ``radio_loss`` is the loss on the air in the worst stream of the device; ``others`` is the median over
    the other nodes (NaN without any).
    """
    rows = []
    for row in facts.finished:
        nodes = facts.sessions[facts.sessions["session"] == row.session]
        if nodes["start_ns"].isna().all():
            continue
        radio = facts.of_session("radio", row.session, ["node", "stream", "radio_loss"])
        worst = radio.groupby("node")["radio_loss"].max()
        for node in nodes["node"].astype(str):
            others = worst.drop(node, errors="ignore").dropna()
            rows.append(
                (
                    facts.device(row.session, node),
                    row.session,
                    int(nodes["start_ns"].min()),
                    float(worst.get(node, np.nan)),
                    float(others.median()) if len(others) else np.nan,
                )
            )
    names = ["device", "session", "start_ns", "radio_loss", "others"]
    return pd.DataFrame(rows, columns=names).sort_values("start_ns", kind="stable")


def trends(rows: pd.DataFrame) -> dict[str, Slope]:
    """Return the slope of each device in ``history``: of its loss less that of the others.

    A device that is alone is measured by its loss as it is.
    """
    found = {}
    for device, days in rows.groupby("device", sort=False):
        days = days[days["radio_loss"].notna()]
        against = days["radio_loss"] - days["others"].fillna(0.0)
        weeks = (days["start_ns"] - days["start_ns"].min()) / WEEK if len(days) else days["start_ns"]
        found[str(device)] = slope(weeks.to_numpy(np.float64), against.to_numpy(np.float64))
    return found


def weeks(facts: StudyFacts) -> Figure | None:
    """Draw a panel a device; None where no session finished."""
    rows = history(facts)
    if rows["radio_loss"].notna().sum() == 0:
        return None
    slopes = dict(sorted(trends(rows).items(), key=lambda item: item[1].code != "wearing_out"))
    first, last = int(rows["start_ns"].min()), int(rows["start_ns"].max())
    right = WIDTH - RIGHT - END
    scale = (right - LEFT - 12) / max(last - first, 1)
    bottom = HEAD + STEP * len(slopes)
    notes = [sentence(device, slope) for device, slope in slopes.items() if slope.code != "too_few"]
    few = [device for device, slope in slopes.items() if slope.code == "too_few"]
    notes += [f"{listed(few)}: too few sessions; {FEWEST} over a week or more are needed."] if few else []
    drawing = Drawing("weeks", "Loss on the air of each device over the weeks", " ".join(notes), bottom + 22)
    for index, (device, one) in enumerate(slopes.items()):
        top, days = HEAD + STEP * index, rows[rows["device"] == device]
        share = days[["radio_loss", "others"]].to_numpy(np.float64) * 100
        value = YAxis.over(np.append(share.ravel(), 1.0), top, top + PANEL, zero=True, most=2)
        drawing.text(0, top + 13, device, "name")
        value.draw(drawing, LEFT, right)
        x = LEFT + 6 + (days["start_ns"].to_numpy(np.int64) - first).astype(np.float64) * scale
        drawing.path(strokes(x - 4, value.y(share[:, 1]), 8), "expected")
        drawing.path(circles(x, value.y(share[:, 0]), 2.8), "got")
        _write_slope(drawing, right + 14, top + 13, one)
    _write_dates(drawing, facts, rows, first, scale, bottom)
    meaning = (
        "dots, share of its frames lost on the air, in %; strokes, the median of the other nodes that day"
    )
    return Figure(
        "weeks",
        "Devices over the weeks",
        f"A device is a node’s name and address: {meaning}. The slope is of the difference (Theil and Sen, "
        "95 % interval), so that a bad day for all is no wear. It cannot tell wear from another placement.",
        drawing.markup(),
        rows.assign(start_utc=instants(rows["start_ns"].to_numpy(np.int64))).drop(columns="start_ns"),
        notes,
    )


def _write_slope(drawing: Drawing, x: float, y: float, slope: Slope) -> None:
    words = {
        "wearing_out": "▲ may be wearing out",
        "better": "▼ getting better",
        "steady": "● no sign of wear",
        "too_few": "○ too few sessions to tell",
    }[slope.code]
    drawing.text(x, y, words, "tick limit-name" if slope.code == "wearing_out" else "tick strong")
    if slope.code != "too_few":
        drawing.text(x, y + 15, _points(slope), "tick faint")


def _write_dates(
    drawing: Drawing, facts: StudyFacts, rows: pd.DataFrame, first: int, scale: float, bottom: float
) -> None:
    edge = -np.inf
    for session, start in rows.drop_duplicates("session")[["session", "start_ns"]].itertuples(index=False):
        x = LEFT + 6 + (int(start) - first) * scale
        if x > edge:
            day = local(int(start), facts.study.zone_of(str(session)), "%d %b").lstrip("0")
            drawing.text(x, bottom + 6, day, "tick", "middle")
            edge = x + 46
