"""The study at a glance: a row for each session, finished or failed."""

from __future__ import annotations

from dataclasses import dataclass, field

import pandas as pd

from nodeday.config.study import HUB, Study
from nodeday.schemas import TABLES
from nodeday.stages.report import verdict, words
from nodeday.storage import tables


@dataclass(frozen=True)
class Row:
    """A session of the index. ``failure`` is the sentence of one that could not be finished;
    ``nodes`` maps a node to (coverage, verdict).
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


def rows(study: Study, sessions: list[str]) -> list[Row]:
    """Finished sessions and those that left a sentence in ``results/failed``, as the sheet orders them."""
    done, out = _read(study, "sessions"), _read(study, "exclusions")
    found = []
    for name, sheet in study.sessions.items():
        failed = study.results / "failed" / f"{name}.txt"
        nodes = done[done["session"] == name]
        if failed.is_file():
            sentence = " ".join(failed.read_text(encoding="utf-8").split())
            found.append(Row(name, sheet.participant, failure=sentence or "It failed without a word."))
        elif name in sessions and len(nodes):
            found.append(_finished(study, name, nodes, int((out["session"] == name).sum())))
        elif name in sessions:
            found.append(Row(name, sheet.participant, failure="The study's tables do not hold it."))
    return found


def _read(study: Study, name: str) -> pd.DataFrame:
    path = tables.path(study.results, name)
    return tables.read(path, name) if path.is_file() else tables.empty(TABLES[name])


def _finished(study: Study, name: str, nodes: pd.DataFrame, excluded: int) -> Row:
    zone = study.zone_of(name)
    start = int(nodes["start_ns"].min())
    own = tables.read(tables.path(study.results, "epochs", name), "epochs", ["feature", "value"])
    heart = own.loc[own["feature"] == "heart_rate_bpm", "value"]
    each = {
        str(node): (float(coverage), str(code))
        for node, coverage, code in zip(nodes["node"], nodes["coverage"], nodes["verdict"], strict=True)
    }
    return Row(
        name,
        study.session(name).participant,
        code=verdict.of_session([code for _, code in each.values()]),
        start=words.local(start, zone, "%d %b %Y %H:%M").lstrip("0"),
        hours=float(nodes["hours"].max()),
        heart=float(heart.notna().mean()) if len(heart) else None,
        excluded=excluded,
        nodes=each,
    )


def nodes_of(study: Study, found: list[Row]) -> list[str]:
    """Nodes that any of the rows has, as the sheet of nodes orders them."""
    order = dict.fromkeys(row.node for row in study.nodes if row.node != HUB)
    return [node for node in order if any(node in row.nodes for row in found)]
