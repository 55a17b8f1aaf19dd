"""One sentence and three reasons: what a session is good for, measured against the study's limits."""

from __future__ import annotations

from collections.abc import Hashable, Mapping
from dataclasses import dataclass
from typing import Any

import pandas as pd

from nodeday.config.models import StudyLimits
from nodeday.config.study import Study
from nodeday.schemas.codes import BATTERY_STATE
from nodeday.stages.report.words import listed, number, percent
from nodeday.storage import tables

FLAG = {"giving_way": "giving way", "silent_after_fall": "silent after a fall"}


def batteries(study: Study, session: str) -> dict[str, tuple[str, str, str]]:
    """Words, flag and the flag's meaning of each node that sends its voltage; no flag is empty."""
    rows = tables.read(tables.path(study.results, "battery", session), "battery")
    return {
        str(row["node"]): (_words(row), FLAG.get(row["state"], ""), BATTERY_STATE[row["state"]])
        for row in rows.to_dict("records")
    }


def _words(row: Mapping[Hashable, Any]) -> str:
    left = "" if row["left_h"] != row["left_h"] else f", {number(row['left_h'], 0)} h left or less"
    return f"{number(row['first_v'], 2)} to {number(row['last_v'], 2)} V{left}"


MARK = {"usable": "●", "limited": "◐", "unusable": "○"}
"""A shape for each verdict, so that none depends on colour."""


@dataclass(frozen=True)
class Reason:
    """A limit of the study: whether it is met, and the sentence that says by how much."""

    rule: str
    met: bool
    text: str


@dataclass(frozen=True)
class SessionVerdict:
    code: str
    sentence: str
    reasons: list[Reason]

    @property
    def mark(self) -> str:
        return MARK[self.code]


def of_session(verdicts: list[str]) -> str:
    """The verdict of a session from those of its nodes: usable or unusable only if all agree."""
    every = set(verdicts)
    return every.pop() if len(every) == 1 else "limited" if every else "unusable"


def judge(nodes: pd.DataFrame, exclusions: pd.DataFrame, limits: StudyLimits) -> SessionVerdict:
    """From a session's rows of ``sessions`` and ``exclusions``; reasons that are not met come first."""
    verdicts = nodes["verdict"].astype(str)
    by_code = {code: [str(n) for n in nodes.loc[verdicts == code, "node"]] for code in MARK}
    code = of_session(list(verdicts))
    reasons = [
        _coverage(nodes, exclusions, limits),
        _clock(nodes, exclusions, limits),
        _hours(nodes, exclusions, limits),
    ]
    return SessionVerdict(code, _sentence(code, by_code, len(nodes)), sorted(reasons, key=lambda r: r.met))


def _sentence(code: str, by_code: dict[str, list[str]], nodes: int) -> str:
    every = "the only node is" if nodes == 1 else f"all {nodes} nodes are"
    if code == "usable":
        return f"{every} within every limit of the study."
    if code == "unusable":
        return f"{every} below the study’s limits for most of the session."
    parts = []
    for each, words in (("unusable", "unusable"), ("limited", "usable in part"), ("usable", "fully usable")):
        names = by_code[each]
        if names:
            parts.append(f"{listed(names)} {'is' if len(names) == 1 else 'are'} {words}")
    return "; ".join(parts) + "."


def _failing(exclusions: pd.DataFrame, rule: str) -> list[str]:
    return [str(node) for node in exclusions.loc[exclusions["rule"] == rule, "node"]]


def _coverage(nodes: pd.DataFrame, exclusions: pd.DataFrame, limits: StudyLimits) -> Reason:
    failing = _failing(exclusions, "min_coverage")
    worst = nodes.iloc[int(nodes["coverage"].to_numpy().argmin())]
    found = f"Least was received from {worst['node']}, {percent(worst['coverage'])} of its samples"
    asked = percent(limits.min_coverage, 0)
    if not failing:
        return Reason("coverage", True, f"{found}; the study asks for {asked}.")
    return Reason(
        "coverage",
        False,
        f"{found}; {len(failing)} of {len(nodes)} nodes fall short of the {asked} asked for.",
    )


def _clock(nodes: pd.DataFrame, exclusions: pd.DataFrame, limits: StudyLimits) -> Reason:
    failing = _failing(exclusions, "max_clock_uncertainty")
    blind = [str(node) for node in nodes.loc[nodes["clock_uncertainty_ms"].isna(), "node"]]
    limit = f"±{limits.max_clock_uncertainty_ms:g} ms"
    if blind:
        return Reason("time", False, f"No place in time for {listed(blind)}; the limit is {limit}.")
    worst = nodes.iloc[int(nodes["clock_uncertainty_ms"].to_numpy().argmax())]
    found = f"The time of {worst['node']} is least certain, ±{number(worst['clock_uncertainty_ms'])} ms"
    more = f"; {len(failing)} of {len(nodes)} nodes exceed the limit of" if failing else "; the limit is"
    return Reason("time", not failing, f"{found}{more} {limit}.")


def _hours(nodes: pd.DataFrame, exclusions: pd.DataFrame, limits: StudyLimits) -> Reason:
    hours = float(nodes["hours"].max())
    met = not _failing(exclusions, "min_hours")
    text = f"{number(hours, 2)} h recorded; the study asks for {limits.min_hours:g} h."
    return Reason("length", met, text)
