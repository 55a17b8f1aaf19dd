"""The record of a bench on one page, to be printed, signed and filed with the study."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from importlib.metadata import version

from nodeday.config.bench_plan import BenchPlan
from nodeday.config.device_records import Check, Record
from nodeday.core import html
from nodeday.stages.devices.checks import MEANING

MARK = {"pass": "●", "fail": "○", "incomplete": "◐"}
SIGN = {"pass": "✓", "fail": "✕", "not_measured": "–"}
DIGITS = {"1": 3, "ppm": 1, "bpm": 2, "uV": 1, "mg": 1}
UNIT = {"1": "", "uV": "µV"}
NAME = {
    "rate_error": "rate error",
    "gain_error": "gain error",
    "cross_axis": "cross-axis",
    "rest": "1 g at rest",
    "rest_calibrated": "1 g, calibrated",
    "mains": "mains pick-up",
}


@dataclass(frozen=True)
class Line:
    """A line of a node's table.

    ``figures`` are an axis and its figure each; ``share`` is the worst figure over its limit, None without
    one.
    """

    name: str
    figures: list[tuple[str, str]]
    unit: str
    limit: str
    outcome: str
    note: str
    share: float | None


def lines(checks: Iterable[Check]) -> list[Line]:
    """Return checks as lines, the axes of an accelerometer side by side."""
    groups: dict[tuple[str, str], list[Check]] = {}
    for check in checks:
        groups.setdefault((check.check, "" if check.of in "xyz" else check.of), []).append(check)
    return [_line(of, group) for (_, of), group in groups.items()]


def _line(of: str, group: list[Check]) -> Line:
    """Return the line of a group of checks of one kind."""
    one = group[0]
    outcomes = [check.outcome for check in group]
    worst = next((bad for bad in ("fail", "not_measured") if bad in outcomes), "pass")
    name = NAME.get(one.check, one.check)
    figures = [(check.of if len(group) > 1 else "", figure(check)) for check in group]
    least = one.check == "delivery"
    limit = "" if one.limit is None else f"{'≥' if least else '≤'} {one.limit:g}"
    return Line(
        f"{name}, {of}" if of else name,
        figures,
        UNIT.get(one.unit, one.unit),
        limit,
        worst,
        _note(one, worst),
        _share(group),
    )


def _note(check: Check, outcome: str) -> str:
    """Return what must be read with the figure."""
    if outcome == "not_measured":
        return f"not measured: {check.note}"
    return check.note if check.check == "delivery" else ""


def _share(group: list[Check]) -> float | None:
    """Return how much of the limit is used up: 1 at the limit, more beyond it."""
    limit, values = group[0].limit, [abs(check.value) for check in group if check.value is not None]
    if limit is None or not values:
        return None
    if group[0].check == "delivery":
        return (1 - min(values)) / (1 - limit) if limit < 1 else float(min(values) < 1) * 2
    return max(values) / limit if limit else float(max(values) > 0) * 2


def figure(check: Check) -> str:
    """Return a check's value as text, with its uncertainty where one is known."""
    if check.check == "delivery" and check.value is not None:
        return f"{math.floor(check.value * 1e4) / 1e4:.4f}"  # never rounded up to all
    band = "" if check.uncertainty is None else f" ±{check.uncertainty:.2g}"
    return f"{number(check.value, check.unit)}{band}"


def number(value: float | None, unit: str) -> str:
    """Return a figure as the page shows it, with a real minus.

    >>> number(-12.345, "mg"), number(-0.001, "bpm"), number(None, "mg")
    ('−12.3', '0.00', '–')
    """
    if value is None:
        return "–"
    digits = DIGITS.get(unit, 3)
    # Adding zero takes the sign off a negative zero.
    return f"{round(value, digits) + 0.0:.{digits}f}".replace("-", "−")


def render(plan: BenchPlan, records: list[Record], study: str) -> str:
    """Return the page of a bench, complete in itself."""
    return (
        html.templates("nodeday.stages.devices")
        .get_template("bench.html")
        .render(
            plan=plan,
            records=records,
            study=study,
            lines=lines,
            MARK=MARK,
            SIGN=SIGN,
            MEANING=MEANING,
            NAME=NAME,
            version=version("nodeday"),
            failed=[record.node for record in records if record.verdict == "fail"],
            open=[record.node for record in records if record.verdict == "incomplete"],
            shown=dict.fromkeys(check.check for record in records for check in record.checks),
        )
    )
