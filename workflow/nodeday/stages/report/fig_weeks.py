"""Is a node wearing out? The loss of each device over the weeks, against the others of the same day."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from nodeday.core.arrays import Floats
from nodeday.stages.report.facts import StudyFacts
from nodeday.stages.report.svg import RIGHT, WIDTH, Drawing, Figure, ValueAxis, instants
from nodeday.stages.report.words import listed, local, number

WEEK = 7 * 86_400_000_000_000
FEWEST, LEAST_PP = 5, 0.2
"""Sessions below which no slope is told, and percentage points a week below which one does not matter."""
HEAD, PANEL, STEP, LEFT, END = 6, 44, 62, 118, 260


@dataclass(frozen=True)
class Slope:
    """Percentage points a week with the ends of its 95 % interval; NaN where it cannot be told."""

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
    """Slope of ``share`` (n,) over ``weeks`` (n,) by Theil and Sen: the median of the slopes of all pairs,
    which a single bad day does not move, and Sen's interval. Lower is better.

    Source: Sen 1968, doi:10.1080/01621459.1968.10480934, as SciPy computes it.
    """
    from scipy.stats import theilslopes  # costs a second that a session page need not wait

    n = len(weeks)
    if n < FEWEST or np.ptp(weeks) < 1:
        return Slope(np.nan, np.nan, np.nan, n)
    found = theilslopes(share * 100, weeks, alpha=0.95)
    return Slope(float(found.slope), float(found.low_slope), float(found.high_slope), n)


def sentence(device: str, one: Slope) -> str:
    """What a slope that can be told says, in words that name the interval."""
    band = f"{number(one.middle, 2, True)} points a week ({_band(one)})"
    words = {
        "wearing_out": "loses more and more against the others; it may be wearing out",
        "better": "loses less and less against the others",
        "steady": "no sign of wear",
    }[one.code]
    return f"{device}: {words}, {band}."


def _band(one: Slope) -> str:
    return f"{number(one.low, 2, True)} to {number(one.high, 2, True)}"


def history(facts: StudyFacts) -> pd.DataFrame:
    """A row for each device of each finished session: its loss on the air in the worst of its streams, and
    the median of the other nodes' (NaN without any).
    """
    rows = []
    for row in facts.finished:
        own = facts.sessions[facts.sessions["session"] == row.session]
        radio = facts.of_session("radio", row.session, ["node", "stream", "radio_loss"])
        worst = radio.groupby("node")["radio_loss"].max()
        for node in own["node"].astype(str):
            others = worst.drop(node, errors="ignore").dropna()
            rows.append(
                (
                    facts.device(row.session, node),
                    row.session,
                    int(own["start_ns"].min()),
                    float(worst.get(node, np.nan)),
                    float(others.median()) if len(others) else np.nan,
                )
            )
    names = ["device", "session", "start_ns", "radio_loss", "others"]
    return pd.DataFrame(rows, columns=names).sort_values("start_ns", kind="stable")


def trends(told: pd.DataFrame) -> dict[str, Slope]:
    """The slope of each device: of its loss less that of the others, or of its own where it is alone."""
    found = {}
    for device, own in told.groupby("device", sort=False):
        own = own[own["radio_loss"].notna()]
        against = own["radio_loss"] - own["others"].fillna(0.0)
        weeks = (own["start_ns"] - own["start_ns"].min()) / WEEK if len(own) else own["start_ns"]
        found[str(device)] = slope(weeks.to_numpy(np.float64), against.to_numpy(np.float64))
    return found


def weeks(facts: StudyFacts) -> Figure | None:
    """A panel a device; None where no session finished."""
    told = history(facts)
    if told["radio_loss"].notna().sum() == 0:
        return None
    slopes = dict(sorted(trends(told).items(), key=lambda each: each[1].code != "wearing_out"))
    first, last = int(told["start_ns"].min()), int(told["start_ns"].max())
    right = WIDTH - RIGHT - END
    scale = (right - LEFT - 12) / max(last - first, 1)
    bottom = HEAD + STEP * len(slopes)
    notes = [sentence(device, one) for device, one in slopes.items() if one.code != "too_few"]
    few = [device for device, one in slopes.items() if one.code == "too_few"]
    notes += [f"{listed(few)}: too few sessions; {FEWEST} over a week or more are needed."] if few else []
    drawing = Drawing("weeks", "Loss on the air of each device over the weeks", " ".join(notes), bottom + 22)
    for index, (device, one) in enumerate(slopes.items()):
        top, own = HEAD + STEP * index, told[told["device"] == device]
        share = own[["radio_loss", "others"]].to_numpy(np.float64) * 100
        value = ValueAxis.over(np.append(share.ravel(), 1.0), top, top + PANEL, zero=True, most=2)
        drawing.text(0, top + 13, device, "name")
        value.draw(drawing, LEFT, right)
        x = LEFT + 6 + (own["start_ns"].to_numpy(np.int64) - first).astype(np.float64) * scale
        strokes = (f"M{a - 4:.1f} {b:.1f}h8" for a, b in zip(x, value.y(share[:, 1]), strict=True) if b == b)
        drawing.path("".join(strokes), "expected")
        dots = (
            f"M{a - 2.8:.1f} {b:.1f}a2.8 2.8 0 1 0 5.6 0a2.8 2.8 0 1 0 -5.6 0z"
            for a, b in zip(x, value.y(share[:, 0]), strict=True)
            if b == b
        )
        drawing.path("".join(dots), "got")
        _say(drawing, right + 14, top + 13, one)
    _dates(drawing, facts, told, first, scale, bottom)
    meaning = (
        "dots, share of its frames lost on the air, in %; strokes, the median of the other nodes that day"
    )
    return Figure(
        "weeks",
        "Devices over the weeks",
        f"A device is a node’s name and address: {meaning}. The slope is of the difference (Theil and Sen, "
        "95 % interval), so that a bad day for all is no wear. It cannot tell wear from another placement.",
        drawing.markup(),
        told.assign(start_utc=instants(told["start_ns"].to_numpy(np.int64))).drop(columns="start_ns"),
        notes,
    )


def _say(drawing: Drawing, x: float, y: float, one: Slope) -> None:
    words = {
        "wearing_out": "▲ may be wearing out",
        "better": "▼ getting better",
        "steady": "● no sign of wear",
        "too_few": "○ too few sessions to tell",
    }[one.code]
    drawing.text(x, y, words, "tick limit-name" if one.code == "wearing_out" else "tick strong")
    if one.code != "too_few":
        drawing.text(x, y + 15, f"{number(one.middle, 2, True)} points a week ({_band(one)})", "tick faint")


def _dates(
    drawing: Drawing, facts: StudyFacts, told: pd.DataFrame, first: int, scale: float, bottom: float
) -> None:
    edge = -np.inf
    for session, start in told.drop_duplicates("session")[["session", "start_ns"]].itertuples(index=False):
        x = LEFT + 6 + (int(start) - first) * scale
        if x > edge:
            day = local(int(start), facts.study.zone_of(str(session)), "%d %b").lstrip("0")
            drawing.text(x, bottom + 6, day, "tick", "middle")
            edge = x + 46
