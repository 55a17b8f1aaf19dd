"""Verdict of a session: one sentence, three reasons measured against the study's limits, and the batteries.

Pure functions over rows of the study's tables; only :func:`batteries` reads a table.
"""

from __future__ import annotations

from collections.abc import Hashable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from nodeday.config.models import StudyLimits
from nodeday.config.study import Study
from nodeday.schemas.codes import BATTERY_STATE, EXCLUSION_RULE
from nodeday.stages.report.words import limit, listed, number, percent
from nodeday.storage import tables
from nodeday.storage.shares import frame_loss

MARK = {"usable": "●", "limited": "◐", "unusable": "○", "link_only": "◇"}
"""A shape for each verdict, so that none depends on colour."""
FLAG = {"giving_way": "giving way", "silent_after_fall": "silent after its voltage fell"}
"""Words for states of a battery that a person should look at."""


STATE = {"unusable": "unusable", "limited": "usable in part", "usable": "within every limit"}
"""What is said of nodes by their verdict, the gravest first."""


OTHER_RULES = {"min_valid_epochs": "values", "calibrated": "calibration", "bench_passed": "bench"}
"""Rules of the study besides coverage, time and length, with a word for each."""


@dataclass(frozen=True)
class Reason:
    """A limit of the study: whether it is met, and a sentence with the value and the limit."""

    rule: str
    met: bool
    text: str


@dataclass(frozen=True)
class SessionVerdict:
    """A verdict by its code, as one sentence, and the reasons for it."""

    code: str
    sentence: str
    reasons: list[Reason]

    @property
    def mark(self) -> str:
        return MARK[self.code]


def combined(verdicts: list[str]) -> str:
    """Return the verdict of a session from its nodes' verdicts: usable or unusable only if all agree.

    Nodes whose frames carry no samples have no say, unless there are no others.
    """
    distinct = set(verdicts)
    distinct = distinct - {"link_only"} or distinct
    return distinct.pop() if len(distinct) == 1 else "limited" if distinct else "unusable"


def of_session(nodes: pd.DataFrame, exclusions: pd.DataFrame, limits: StudyLimits) -> SessionVerdict:
    """Return a session's verdict from its rows of ``sessions`` and ``exclusions``.

    Reasons that are not met come first.
    """
    verdicts = nodes["verdict"].astype(str)
    by_code = {code: [str(n) for n in nodes.loc[verdicts == code, "node"]] for code in MARK}
    code = combined(list(verdicts))
    reasons = [
        _coverage(nodes, exclusions, limits),
        _clock(nodes, exclusions, limits),
        _hours(nodes, exclusions, limits),
        *_others(exclusions),
    ]
    return SessionVerdict(code, _sentence(code, by_code), sorted(reasons, key=lambda r: r.met))


def _sentence(code: str, by_code: dict[str, list[str]]) -> str:
    if code == "link_only":
        return "frames carry no samples: they tell what the link lost, and nothing else."
    silent = by_code["link_only"]
    beyond = f"; frames of {listed(silent)} carry no samples" if silent else ""
    count = sum(map(len, by_code.values())) - len(silent)
    subject = "the only node is" if count == 1 else f"all {count} nodes are"
    if beyond and count > 1:
        subject = f"all {count} nodes with samples are"
    if code == "usable":
        return f"{subject} within every limit of the study{beyond}."
    if code == "unusable":
        return f"{subject} below the study’s limits for most of the session{beyond}."
    parts = []
    for part, words in STATE.items():
        names = by_code[part]
        if names:
            parts.append(f"{listed(names)} {'is' if len(names) == 1 else 'are'} {words}")
    return f"{'; '.join(parts)}{beyond}."


def _failing(exclusions: pd.DataFrame, rule: str) -> list[str]:
    return [str(node) for node in exclusions.loc[exclusions["rule"] == rule, "node"]]


def _coverage(nodes: pd.DataFrame, exclusions: pd.DataFrame, limits: StudyLimits) -> Reason:
    failing = _failing(exclusions, "min_coverage")
    if nodes["coverage"].isna().all():
        return Reason("coverage", not failing, _frames_received(nodes))
    worst = nodes.iloc[int(np.nanargmin(nodes["coverage"].to_numpy()))]
    least = f"The lowest is that of {worst['node']}, {percent(worst['coverage'])}"
    asked = limit(limits.min_coverage)
    if not failing:
        return Reason("coverage", True, f"{least}; the study asks for {asked}.")
    return Reason(
        "coverage",
        False,
        f"{least}; {_nodes(failing, nodes)} below the {asked} asked for.",
    )


def _frames_received(nodes: pd.DataFrame) -> str:
    """Return a sentence on frames, for a session without samples."""
    lost = [
        frame_loss(float(lost), float(received))
        for lost, received in zip(nodes["frames_lost"], nodes["frames_received"], strict=True)
    ]
    worst = int(np.argmax([2.0 if share != share else share for share in lost]))
    if lost[worst] != lost[worst]:
        return f"No frame carries samples, and none of {nodes['node'].iloc[worst]} was received."
    return (
        f"No frame carries samples. The greatest frame loss is that of {nodes['node'].iloc[worst]}, "
        f"{percent(lost[worst])}."
    )


def _nodes(some: list[str], nodes: pd.DataFrame) -> str:
    """Return how many of the nodes something is said of, with its verb."""
    return f"{len(some)} of {len(nodes)} nodes {'is' if len(some) == 1 else 'are'}"


def _clock(nodes: pd.DataFrame, exclusions: pd.DataFrame, limits: StudyLimits) -> Reason:
    failing = _failing(exclusions, "max_clock_uncertainty")
    blind = [str(node) for node in nodes.loc[nodes["clock_uncertainty_ms"].isna(), "node"]]
    widest_allowed = f"±{limits.max_clock_uncertainty_ms:g} ms"
    if blind:
        return Reason("time", False, f"No place in time for {listed(blind)}; the limit is {widest_allowed}.")
    worst = nodes.iloc[int(nodes["clock_uncertainty_ms"].to_numpy().argmax())]
    widest = f"The time of {worst['node']} is least certain, ±{number(worst['clock_uncertainty_ms'])} ms"
    more = f"; {_nodes(failing, nodes)} beyond the limit of" if failing else "; the limit is"
    return Reason("time", not failing, f"{widest}{more} {widest_allowed}.")


def _hours(nodes: pd.DataFrame, exclusions: pd.DataFrame, limits: StudyLimits) -> Reason:
    hours = float(nodes["hours"].max())
    met = not _failing(exclusions, "min_hours")
    text = f"{number(hours, 2)} h recorded; the study asks for {limits.min_hours:g} h."
    return Reason("length", met, text)


def _others(exclusions: pd.DataFrame) -> list[Reason]:
    """Return a reason for each rule without a limit of its own that some node does not meet."""
    found = []
    for rule, about in OTHER_RULES.items():
        rows = exclusions[exclusions["rule"] == rule]
        if len(rows):
            who = dict.fromkeys(
                f"{row['node']}, {row['feature']}" if row["feature"] != "*" else str(row["node"])
                for row in rows.to_dict("records")
            )
            found.append(Reason(about, False, f"{EXCLUSION_RULE[rule].capitalize()}: {'; '.join(who)}."))
    return found


def batteries(study: Study, session: str) -> dict[str, tuple[str, str, str]]:
    """Return words, flag and meaning of the flag for each node that sends its voltage.

    The flag is empty where nothing needs a look. Raises ContractError where the table is absent.
    """
    rows = tables.read(tables.path(study.results, "battery", session), "battery")
    return {
        str(row["node"]): (_course(row), FLAG.get(row["state"], ""), BATTERY_STATE[row["state"]])
        for row in rows.to_dict("records")
    }


def _course(row: Mapping[Hashable, Any]) -> str:
    left = "" if row["left_h"] != row["left_h"] else f", {number(row['left_h'], 0)} h left or less"
    return f"{number(row['first_v'], 2)} to {number(row['last_v'], 2)} V{left}"
