"""The study at a glance: a row for each session, finished or failed."""

from __future__ import annotations

from dataclasses import dataclass, field

import pandas as pd

from nodeday.config.study import HUB, Study
from nodeday.schemas import TABLES
from nodeday.stages.report import verdict, words
from nodeday.storage import tables


@dataclass(frozen=True)
class SessionRow:
    """A session of the index; ``nodes`` maps a node to (coverage, verdict), NaN for no coverage.

    ``failure`` is the sentence of a session that could not be finished; ``code`` is the verdict of others.
    """

    session: str
    participant: str
    failure: str = ""
    code: str = ""
    start: str = ""
    hours: float = 0.0
    heart: float | None = None
    excluded: int = 0
    nodes: dict[str, tuple[float, str]] = field(default_factory=dict)

    @property
    def mark(self) -> str:
        return "✕" if self.failure else verdict.MARK[self.code]


def rows(study: Study, sessions: list[str]) -> list[SessionRow]:
    """Return finished sessions and those that left a sentence in ``results/failed``, in sheet order."""
    done, exclusions = (read_or_empty(study, name) for name in ("sessions", "exclusions"))
    found = []
    for name, sheet in study.sessions.items():
        failed = study.results / "failed" / f"{name}.txt"
        nodes = done[done["session"] == name]
        if failed.is_file():
            sentence = " ".join(failed.read_text(encoding="utf-8").split())
            found.append(SessionRow(name, sheet.participant, failure=sentence or "It failed without a word."))
        elif name in sessions and len(nodes):
            found.append(_finished(study, name, nodes, int((exclusions["session"] == name).sum())))
        elif name in sessions:
            failure = "The study's tables do not hold it."
            found.append(SessionRow(name, sheet.participant, failure=failure))
    return found


def read_or_empty(study: Study, name: str) -> pd.DataFrame:
    """Read one of the study's own tables; without a row where there is no such file."""
    path = tables.path(study.results, name)
    return tables.read(path, name) if path.is_file() else tables.empty(TABLES[name])


def _finished(study: Study, name: str, nodes: pd.DataFrame, excluded: int) -> SessionRow:
    epochs = tables.read(tables.path(study.results, "epochs", name), "epochs", ["feature", "value"])
    heart = epochs.loc[epochs["feature"] == "heart_rate_bpm", "value"]
    by_node = {
        str(node): (float(coverage), str(code))
        for node, coverage, code in zip(nodes["node"], nodes["coverage"], nodes["verdict"], strict=True)
    }
    return SessionRow(
        name,
        study.session(name).participant,
        code=verdict.combined([code for _, code in by_node.values()]),
        start=_start(study, name, nodes),
        hours=float(nodes["hours"].max()),
        heart=float(heart.notna().mean()) if len(heart) else None,
        excluded=excluded,
        nodes=by_node,
    )


def _start(study: Study, name: str, nodes: pd.DataFrame) -> str:
    """Return when a session began, in local time; a dash where no clock tells."""
    first = nodes["start_ns"].min()
    if pd.isna(first):
        return "–"
    return words.local(int(first), study.zone_of(name), "%d %b %Y %H:%M").lstrip("0")


def nodes_of(study: Study, found: list[SessionRow]) -> list[str]:
    """Return the nodes that any of the rows has, as the sheet of nodes orders them."""
    order = dict.fromkeys(row.node for row in study.nodes if row.node != HUB)
    return [node for node in order if any(node in row.nodes for row in found)]
