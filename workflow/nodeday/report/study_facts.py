"""Everything the study page tells, read from the tables once."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import pandas as pd

from nodeday import tables
from nodeday.report import overview
from nodeday.report.overview import Row
from nodeday.schemas import TABLES
from nodeday.settings import HUB, Study

ALL = "*"


@dataclass(frozen=True)
class StudyFacts:
    """The study's tables, and a row for each session of its sheet that finished or failed."""

    study: Study
    rows: list[Row]
    sessions: pd.DataFrame
    exclusions: pd.DataFrame
    flow: pd.DataFrame
    phases: pd.DataFrame
    phase_features: pd.DataFrame

    @cached_property
    def finished(self) -> list[Row]:
        return [row for row in self.rows if not row.failure]

    @cached_property
    def taken(self) -> dict[tuple[str, str], list[str]]:
        """Rules that a node of a session does not meet, its session's included; nodes that count are
        not there. A rule for one feature takes no node."""
        whole = self.exclusions[self.exclusions["feature"].astype(str) == ALL]
        found: dict[tuple[str, str], list[str]] = {}
        for session, node in (
            self.sessions[["session", "node"]].astype(str).itertuples(index=False, name=None)
        ):
            own = whole[(whole["session"] == session) & whole["node"].isin([ALL, node])]
            if len(own):
                found[session, node] = list(own["rule"].astype(str))
        return found

    def device(self, session: str, node: str) -> str:
        """The device that a node of a session was: its name and its address on the air."""
        rows = self.study.nodes_of(session).values()
        return f"{node} ({next(row.address for row in rows if row.node == node)})"

    def of_session(self, table: str, session: str, columns: list[str]) -> pd.DataFrame:
        """Some columns of a session's own table, the hub left out; empty where the table is not there."""
        path = tables.path(self.study.results, table, session)
        if not path.is_file():
            return tables.empty(TABLES[table])[columns]
        rows = tables.read(path, table, columns)
        return rows[rows["node"] != HUB].astype({"node": str})


def read(study: Study, sessions: list[str]) -> StudyFacts:
    """Tables that are not there are empty: a study whose sessions all failed has a page as well."""

    def whole(name: str) -> pd.DataFrame:
        path = tables.path(study.results, name)
        return tables.read(path, name) if path.is_file() else tables.empty(TABLES[name])

    names = ("sessions", "exclusions", "flow", "phases", "phase_features")
    return StudyFacts(study, overview.rows(study, sessions), *(whole(name) for name in names))
