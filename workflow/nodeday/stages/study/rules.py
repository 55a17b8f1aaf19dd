"""The study's written rules over arrays: what falls short, what each rule takes, what a node is good for."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from nodeday.config.models import Rule
from nodeday.core.arrays import Bools, Floats, Ints

ALL = "*"
LEVELS = {
    "participants": ["participant"],
    "sessions": ["session"],
    "nodes": ["session", "node"],
    "series": ["session", "node", "channel", "feature"],
}
"""What is counted, by the columns of the series that tell one from another; an empty text is none."""
MEASURE = {
    "finished": "finished",
    "min_hours": "hours",
    "min_coverage": "coverage",
    "min_valid_epochs": "valid",
    "max_clock_uncertainty": "uncertainty_ms",
    "calibrated": "calibrated",
    "bench_passed": "bench_passed",
}
"""Column of the series that each rule looks at."""
SCOPE = {"finished": [], "min_hours": [], "min_valid_epochs": ["node", "channel", "feature"]}
"""What else than the session a rule is about; the node where nothing is said."""


@dataclass(frozen=True)
class RuleStep:
    """A rule in its place: its name, what it is for, its threshold."""

    rule: str
    threshold: float
    node: str = ALL
    feature: str = ALL


@dataclass(frozen=True)
class Applied:
    """``fails`` (steps, series) says which rule a series does not meet, ``left`` (steps + 1, series)
    which series are there before the first rule and after each.
    """

    steps: list[RuleStep]
    series: pd.DataFrame
    fails: Bools
    left: Bools

    @property
    def out(self) -> Bools:
        """Series (n,) that some rule takes."""
        return np.asarray(~self.left[-1], np.bool_)


def in_order(rules: Sequence[Rule]) -> list[RuleStep]:
    """The rules as steps, behind the one that every study has: a session must come through to its end."""
    stated = [RuleStep(rule.rule, rule.threshold, rule.node or ALL, rule.feature or ALL) for rule in rules]
    return [RuleStep("finished", 1.0), *stated]


def apply(steps: list[RuleStep], series: pd.DataFrame) -> Applied:
    """Hold every series against every rule; limits are inclusive, and what could not be measured fails.

    ``series`` has a row for each feature of a node of a session, columns as in LEVELS and MEASURE. A
    session that is not finished fails the first rule and no other, since nothing of it was measured.
    """
    fails = np.zeros((len(steps), len(series)), np.bool_)
    done = series["finished"].to_numpy() == 1
    for place, step in enumerate(steps):
        value = series[MEASURE[step.rule]].to_numpy(np.float64)
        meets = value <= step.threshold if step.rule == "max_clock_uncertainty" else value >= step.threshold
        fails[place] = ~meets & _for(step, series) & (done | (step.rule == "finished"))
    left = np.vstack([np.ones((1, len(series)), np.bool_), ~np.logical_or.accumulate(fails, axis=0)])
    return Applied(steps, series, fails, left)


def _for(step: RuleStep, series: pd.DataFrame) -> Bools:
    here = np.ones(len(series), np.bool_)
    for column, wanted in (("node", step.node), ("feature", step.feature)):
        if wanted != ALL:
            here &= (series[column] == wanted).to_numpy()
    if step.rule == "min_valid_epochs":
        here &= (series["feature"] != "").to_numpy()
    return here


def counts(applied: Applied) -> list[dict[str, object]]:
    """A row of table ``flow`` for what is listed, then one for each step."""
    units = {level: _Units.of(applied.series, columns) for level, columns in LEVELS.items()}
    hours = (applied.series["hours"] * applied.series["coverage"]).to_numpy(np.float64)
    whole = np.ones(len(applied.series), np.bool_)
    first = {"step": 0, "rule": "listed", "node": ALL, "feature": ALL, "threshold": np.nan}
    rows: list[dict[str, object]] = [first | _taken(units, hours, whole, whole, whole)]
    for place, step in enumerate(applied.steps):
        named = {
            "step": place + 1,
            "rule": step.rule,
            "node": step.node,
            "feature": step.feature,
            "threshold": step.threshold,
        }
        alone, before, after = ~applied.fails[place], applied.left[place], applied.left[place + 1]
        rows.append(named | _taken(units, hours, alone, before, after))
    return rows


@dataclass(frozen=True)
class _Units:
    """Which unit of a level each series (n,) belongs to, by number, and whether it is one."""

    number: Ints
    real: Bools

    @classmethod
    def of(cls, series: pd.DataFrame, columns: list[str]) -> _Units:
        number = np.asarray(series.groupby(columns, sort=False).ngroup(), np.int64)
        return cls(number, (series[columns] != "").all(axis=1).to_numpy(np.bool_))

    def count(self, mask: Bools) -> int:
        return len(np.unique(self.number[mask & self.real]))

    def sum(self, value: Floats, mask: Bools) -> float:
        """Of the value (n,) of each unit once; NaN is nothing."""
        first = np.unique(self.number[mask], return_index=True)[1]
        return float(np.nansum(value[mask][np.sort(first)]))


def _taken(
    units: dict[str, _Units], hours: Floats, alone: Bools, before: Bools, after: Bools
) -> dict[str, float]:
    """``hours`` (n,) are length x coverage of the node; NaN of a session that is not finished."""
    out: dict[str, float] = {}
    whole = np.ones_like(alone)
    for level, each in units.items():
        out[f"{level}_alone"] = each.count(whole) - each.count(alone)
        out[f"{level}_excluded"] = each.count(before) - each.count(after)
        out[f"{level}_left"] = each.count(after)
    listed, only, was, left = (units["nodes"].sum(hours, mask) for mask in (whole, alone, before, after))
    taken = {"hours_alone": max(listed - only, 0.0), "hours_excluded": max(was - left, 0.0)}
    return out | taken | {"hours_left": left}


def exclusions(applied: Applied) -> pd.DataFrame:
    """Every session, node or feature that does not meet a rule, in the order of sessions, then rules."""
    pieces = []
    for place, step in enumerate(applied.steps):
        scope = SCOPE.get(step.rule, ["node"])
        rows = applied.series[applied.fails[place]].copy()
        rows["there"] = applied.left[place][applied.fails[place]]
        rows = rows[rows["session"] != ""]
        for column in ("node", "channel", "feature"):
            if column not in scope:
                rows[column] = ALL
        keys = ["session", "participant", "node", "channel", "feature"]
        rows = rows.rename(columns={MEASURE[step.rule]: "value"})
        found = rows.groupby(keys, sort=False, observed=True).agg(
            value=("value", "first"), there=("there", "any")
        )
        pieces.append(found.reset_index().assign(step=place + 1, rule=step.rule, threshold=step.threshold))
    joined = pd.concat(pieces, ignore_index=True)
    order = {name: at for at, name in enumerate(dict.fromkeys(applied.series["session"]))}
    joined = joined.sort_values(
        ["session", "step"], kind="stable", key=lambda c: c.map(order) if c.name == "session" else c
    )
    told: pd.DataFrame = joined.assign(counts=np.where(joined["there"], "yes", "no"))
    return told.reset_index(drop=True)


def coverage(samples: int, rate_hz: float, seconds: float) -> float:
    """Share (0 to 1) of the samples that a stream of ``rate_hz`` owes over ``seconds``; more is better.

    A node that starts late, restarts or falls silent owes those samples too.

    >>> coverage(180, 1.0, 200.0)
    0.9
    """
    return min(1.0, samples / (rate_hz * seconds)) if seconds > 0 else 0.0


def share_below(
    epoch_coverage: NDArray[np.float64],
    epoch_uncertainty_ms: NDArray[np.float64],
    min_coverage: float,
    max_uncertainty_ms: float,
) -> float:
    """Share (0 to 1) of the session's epochs, both (n,), in which a node is below a limit; an
    epoch without a coverage or an uncertainty (NaN) is below. Without epochs the share is 1.
    """
    if not epoch_coverage.size:
        return 1.0
    good = (epoch_coverage >= min_coverage) & (epoch_uncertainty_ms <= max_uncertainty_ms)
    return 1.0 - float(np.count_nonzero(good)) / good.size


def uncertainty_at(
    at_ns: NDArray[np.int64], knot_utc_ns: NDArray[np.int64], knot_ms: NDArray[np.float64]
) -> NDArray[np.float64]:
    """The wider of the uncertainties (ms) at the knots (k,) on both sides of each instant (n,).

    The nearest knot stands beyond the ends; NaN (n,) without knots.
    """
    if not knot_utc_ns.size:
        return np.full(at_ns.shape, np.nan)
    order = np.argsort(knot_utc_ns, kind="stable")
    right = np.searchsorted(knot_utc_ns[order], at_ns)
    sides = [np.clip(right - step, 0, order.size - 1) for step in (0, 1)]
    widths = knot_ms[order]
    return np.maximum(widths[sides[0]], widths[sides[1]])


def verdict(failing: bool, below: float) -> str:
    """The code of a node: ``failing`` says whether a rule of its own or of its session is not met,
    ``below`` is :func:`share_below`. More than half below the limits is unusable (our choice).
    """
    if below > 0.5:
        return "unusable"
    return "limited" if failing else "usable"
