"""The study's written rules over arrays: what fails, what each rule excludes, what a node is good for."""

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
"""Levels that are counted, by the columns of the series that identify a unit; an empty text is none."""
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
"""What a rule is about besides the session; the node where it is not listed."""


@dataclass(frozen=True)
class RuleStep:
    """A rule as a step in the order of rules: its name, its threshold, and the node and feature it is for."""

    rule: str
    threshold: float
    node: str = ALL
    feature: str = ALL


@dataclass(frozen=True)
class Applied:
    """The rules, applied to series.

    ``fails`` (steps, series): which rule a series does not meet; ``left`` (steps + 1, series): which series
    are left before the first rule and after each.
    """

    steps: list[RuleStep]
    series: pd.DataFrame
    fails: Bools
    left: Bools

    @property
    def out(self) -> Bools:
        """Mask (n,) of the series that some rule excludes."""
        return np.asarray(~self.left[-1], np.bool_)


def in_order(rules: Sequence[Rule]) -> list[RuleStep]:
    """Return the rules as steps, after the one that every study has: a session must have finished."""
    stated = [RuleStep(rule.rule, rule.threshold, rule.node or ALL, rule.feature or ALL) for rule in rules]
    return [RuleStep("finished", 1.0), *stated]


def apply(steps: list[RuleStep], series: pd.DataFrame) -> Applied:
    """Apply every rule to every series; limits are inclusive, and what could not be measured fails.

    ``series`` has a row for each feature of a node of a session, columns as in LEVELS and MEASURE. A
    session that is not finished fails the first rule and no other, since nothing of it was measured.
    """
    fails = np.zeros((len(steps), len(series)), np.bool_)
    done = series["finished"].to_numpy() == 1
    for number, step in enumerate(steps):
        value = series[MEASURE[step.rule]].to_numpy(np.float64)
        meets = value <= step.threshold if step.rule == "max_clock_uncertainty" else value >= step.threshold
        fails[number] = ~meets & _in_scope(step, series) & (done | (step.rule == "finished"))
    left = np.vstack([np.ones((1, len(series)), np.bool_), ~np.logical_or.accumulate(fails, axis=0)])
    return Applied(steps, series, fails, left)


def _in_scope(step: RuleStep, series: pd.DataFrame) -> Bools:
    """Return which series (n,) a rule is for."""
    scope = np.ones(len(series), np.bool_)
    for column, wanted in (("node", step.node), ("feature", step.feature)):
        if wanted != ALL:
            scope &= (series[column] == wanted).to_numpy()
    if step.rule == "min_coverage":  # no rule about samples is for a node that sends none
        scope &= (series["carries_samples"] != 0).to_numpy()
    if step.rule == "min_valid_epochs":
        scope &= (series["feature"] != "").to_numpy()
    return scope


def counts(applied: Applied) -> list[dict[str, object]]:
    """Return the rows of table ``flow``: one for what is listed, then one for each step."""
    units = {level: _Units.of(applied.series, columns) for level, columns in LEVELS.items()}
    hours = (applied.series["hours"] * applied.series["coverage"]).to_numpy(np.float64)
    every = np.ones(len(applied.series), np.bool_)
    first = {"step": 0, "rule": "listed", "node": ALL, "feature": ALL, "threshold": np.nan}
    rows: list[dict[str, object]] = [first | _flow(units, hours, every, every, every)]
    for number, step in enumerate(applied.steps):
        named = {
            "step": number + 1,
            "rule": step.rule,
            "node": step.node,
            "feature": step.feature,
            "threshold": step.threshold,
        }
        alone, before, after = ~applied.fails[number], applied.left[number], applied.left[number + 1]
        rows.append(named | _flow(units, hours, alone, before, after))
    return rows


@dataclass(frozen=True)
class _Units:
    """The units of a level: the number (n,) of the unit of each series, and whether it is ``real`` (n,)."""

    number: Ints
    real: Bools

    @classmethod
    def of(cls, series: pd.DataFrame, columns: list[str]) -> _Units:
        """Return the units that ``columns`` identify."""
        number = np.asarray(series.groupby(columns, sort=False).ngroup(), np.int64)
        return cls(number, (series[columns] != "").all(axis=1).to_numpy(np.bool_))

    def count(self, mask: Bools) -> int:
        """Return how many real units have a series in ``mask`` (n,)."""
        return len(np.unique(self.number[mask & self.real]))

    def sum(self, value: Floats, mask: Bools) -> float:
        """Return the sum of ``value`` (n,), of each unit with a series in ``mask`` (n,) once; NaN is 0."""
        first = np.unique(self.number[mask], return_index=True)[1]
        return float(np.nansum(value[mask][np.sort(first)]))


def _flow(
    units: dict[str, _Units], hours: Floats, alone: Bools, before: Bools, after: Bools
) -> dict[str, float]:
    """Return how many units of each level a rule excludes by itself and in its turn, and how many are left.

    ``alone`` (n,) are the series that meet this rule, ``before`` and ``after`` (n,) those left around it;
    ``hours`` (n,) are length x coverage of the node, NaN of a session that is not finished.
    """
    counts: dict[str, float] = {}
    every = np.ones_like(alone)
    for level, unit in units.items():
        counts[f"{level}_alone"] = unit.count(every) - unit.count(alone)
        counts[f"{level}_excluded"] = unit.count(before) - unit.count(after)
        counts[f"{level}_left"] = unit.count(after)
    listed, only, was, left = (units["nodes"].sum(hours, mask) for mask in (every, alone, before, after))
    excluded = {"hours_alone": max(listed - only, 0.0), "hours_excluded": max(was - left, 0.0)}
    return counts | excluded | {"hours_left": left}


def exclusions(applied: Applied) -> pd.DataFrame:
    """Return every session, node or feature that fails a rule, in the order of sessions, then rules."""
    pieces = []
    for number, step in enumerate(applied.steps):
        scope = SCOPE.get(step.rule, ["node"])
        fails = applied.fails[number]
        rows = applied.series[fails].copy()
        rows["left"] = applied.left[number][fails]
        rows = rows[rows["session"] != ""]
        for column in ("node", "channel", "feature"):
            if column not in scope:
                rows[column] = ALL
        keys = ["session", "participant", "node", "channel", "feature"]
        rows = rows.rename(columns={MEASURE[step.rule]: "value"})
        failed = rows.groupby(keys, sort=False, observed=True).agg(
            value=("value", "first"), left=("left", "any")
        )
        pieces.append(failed.reset_index().assign(step=number + 1, rule=step.rule, threshold=step.threshold))
    joined = pd.concat(pieces, ignore_index=True)
    order = {name: number for number, name in enumerate(dict.fromkeys(applied.series["session"]))}
    joined = joined.sort_values(
        ["session", "step"], kind="stable", key=lambda c: c.map(order) if c.name == "session" else c
    )
    counted: pd.DataFrame = joined.assign(counts=np.where(joined["left"], "yes", "no"))
    return counted.reset_index(drop=True)


def share_below(
    epoch_coverage: NDArray[np.float64],
    epoch_uncertainty_ms: NDArray[np.float64],
    min_coverage: float,
    max_uncertainty_ms: float,
) -> float:
    """Return the share (0 to 1) of a session's epochs in which a node is below a limit.

    From its coverage and uncertainty in each epoch, (n,) each; an epoch without either (NaN) is below.
    Without epochs the share is 1.
    """
    if not epoch_coverage.size:
        return 1.0
    good = (epoch_coverage >= min_coverage) & (epoch_uncertainty_ms <= max_uncertainty_ms)
    return 1.0 - float(np.count_nonzero(good)) / good.size


def uncertainty_at(
    at_ns: NDArray[np.int64], knot_utc_ns: NDArray[np.int64], knot_ms: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return the wider of the uncertainties (ms) at the knots (k,) on both sides of each instant (n,).

    Beyond the ends the nearest knot counts; NaN (n,) without knots.
    """
    if not knot_utc_ns.size:
        return np.full(at_ns.shape, np.nan)
    order = np.argsort(knot_utc_ns, kind="stable")
    right = np.searchsorted(knot_utc_ns[order], at_ns)
    sides = [np.clip(right - step, 0, order.size - 1) for step in (0, 1)]
    widths = knot_ms[order]
    return np.maximum(widths[sides[0]], widths[sides[1]])


def verdict(carries_samples: bool, failing: bool, below: float) -> str:
    """Return the code of what a node is good for; without samples, to tell of the link.

    ``failing``: a rule of its own or of its session is not met; ``below`` is :func:`share_below`. More than
    half below the limits is unusable (a choice of this project).
    """
    if not carries_samples:
        return "link_only"
    if below > 0.5:
        return "unusable"
    return "limited" if failing else "usable"
