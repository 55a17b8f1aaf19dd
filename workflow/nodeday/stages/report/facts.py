"""Facts that the pages show, read from the tables once: those of one session, and those of the study.

The facts about a session hold each lost span of each stream in UTC, between the frames on both sides of it.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from zoneinfo import ZoneInfo

import pandas as pd

from nodeday.config.study import HUB, Study
from nodeday.core.errors import ContractError
from nodeday.schemas import TABLES
from nodeday.stages.report import overview
from nodeday.stages.report.overview import SessionRow
from nodeday.stages.report.streams import StreamFacts, read_streams
from nodeday.storage import tables

ALL = "*"
"""In a row of table ``exclusions``: every node, or every feature."""


@dataclass(frozen=True)
class PageFacts:
    """Facts about one session: its rows of the study's tables, its streams, clock, epochs and ledger.

    ``edges`` are its first instant and one past its last, in ns UTC; None where no clock leads there.
    """

    session: str
    participant: str
    zone: ZoneInfo
    edges: tuple[int, int] | None
    hours: float
    nodes: pd.DataFrame
    exclusions: pd.DataFrame
    phases: pd.DataFrame
    streams: list[StreamFacts]
    clock: pd.DataFrame
    steps: pd.DataFrame
    agreement: pd.DataFrame
    epochs: pd.DataFrame
    ledger: pd.DataFrame
    units: dict[str, str]

    @property
    def span(self) -> tuple[int, int]:
        """The edges; raises ValueError where there are none."""
        if self.edges is None:
            raise ValueError(f"session {self.session} has no span in UTC")
        return self.edges

    @property
    def start_ns(self) -> int:
        return self.span[0]

    @property
    def end_ns(self) -> int:
        return self.span[1]


def read_session(study: Study, session: str) -> PageFacts:
    """Read the facts about one session.

    Raises ContractError where a table is absent or the study does not hold the session.
    """

    def of_study(name: str) -> pd.DataFrame:
        rows = tables.read(tables.path(study.results, name), name)
        return rows[rows["session"] == session].reset_index(drop=True)

    nodes = of_study("sessions")
    if nodes.empty:
        where = str(tables.path(study.results, "sessions"))
        raise ContractError(f"no row for session {session}", where, "a finished session", "Run study first.")
    edges = (
        None if nodes["start_ns"].isna().all() else (int(nodes["start_ns"].min()), int(nodes["end_ns"].max()))
    )
    clock = tables.read(tables.path(study.results, "clock", session), "clock")
    steps, agreement = (
        tables.read(tables.path(study.results, name, session), name) for name in ("steps", "agreement")
    )
    return PageFacts(
        session,
        study.session(session).participant,
        study.zone_of(session),
        edges,
        float(nodes["hours"].max()),
        nodes,
        of_study("exclusions"),
        of_study("phases"),
        read_streams(study, session, clock, edges, float(nodes["hours"].max())),
        clock,
        steps,
        agreement,
        tables.read(tables.path(study.results, "epochs", session), "epochs"),
        _ledger(study, session),
        study.units_of(session),
    )


def _ledger(study: Study, session: str) -> pd.DataFrame:
    folder = tables.path(study.results, "ledger", session).parent
    pieces = [tables.read(source, "ledger") for source in sorted(folder.glob("*.parquet"))]
    order = ["frames", "clock", "loss", "repair", "features", "study"]
    if not pieces:
        return pd.DataFrame(columns=["stage", "quantity", "scope", "entered", "accounted", "detail"])
    rows = pd.concat([piece.astype({"stage": str, "quantity": str, "scope": str}) for piece in pieces])
    rank = rows["stage"].map({name: index for index, name in enumerate(order)}).fillna(len(order))
    return rows.assign(rank=rank).sort_values("rank", kind="stable").drop(columns="rank")


@dataclass(frozen=True)
class StudyFacts:
    """The study's tables, and a row for each session of its sheet that finished or failed."""

    study: Study
    rows: list[SessionRow]
    sessions: pd.DataFrame
    exclusions: pd.DataFrame
    flow: pd.DataFrame
    phases: pd.DataFrame
    phase_features: pd.DataFrame

    @property
    def worn_h(self) -> float:
        """Hours of all nodes whose frames carry samples."""
        return float(self.sessions.loc[self.sessions["coverage"].notna(), "hours"].sum())

    @cached_property
    def finished(self) -> list[SessionRow]:
        return [row for row in self.rows if not row.failure]

    @cached_property
    def excluded(self) -> dict[tuple[str, str], list[str]]:
        """Rules that exclude each (session, node), rules for its whole session included.

        Nodes that count have no entry. A rule for one feature excludes no node.
        """
        rules = self.exclusions[self.exclusions["feature"].astype(str) == ALL]
        found: dict[tuple[str, str], list[str]] = {}
        for session, node in (
            self.sessions[["session", "node"]].astype(str).itertuples(index=False, name=None)
        ):
            unmet = rules[(rules["session"] == session) & rules["node"].isin([ALL, node])]
            if len(unmet):
                found[session, node] = list(unmet["rule"].astype(str))
        return found

    def device(self, session: str, node: str) -> str:
        """Name and radio address of the device that was a node of a session."""
        rows = self.study.nodes_of(session).values()
        return f"{node} ({next(row.address for row in rows if row.node == node)})"

    def of_session(self, table: str, session: str, columns: list[str]) -> pd.DataFrame:
        """Read some columns of a session's table without the hub; empty where there is no such table."""
        path = tables.path(self.study.results, table, session)
        if not path.is_file():
            return tables.empty(TABLES[table])[columns]
        rows = tables.read(path, table, columns)
        return rows[rows["node"] != HUB].astype({"node": str})


def read_study(study: Study, sessions: list[str]) -> StudyFacts:
    """Read the facts about the study.

    A table that is absent counts as empty: a study whose sessions all failed has a page as well.
    """
    names = ("sessions", "exclusions", "flow", "phases", "phase_features")
    return StudyFacts(
        study, overview.rows(study, sessions), *(overview.read_or_empty(study, name) for name in names)
    )
