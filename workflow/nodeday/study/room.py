"""The study room: from finished sessions to the study's own tables and its analysis-ready dataset."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd

from nodeday import csvfile, tables
from nodeday.ledger import Ledger
from nodeday.schemas import TABLES
from nodeday.schemas.compiled import pandas_dtype
from nodeday.settings import Study
from nodeday.study import joint, measured, rules
from nodeday.study.gather import SessionFacts, gather, series
from nodeday.study.phases import SECOND, Phase, phases_of
from nodeday.study.rules import ALL, Applied


def run(study: Study, sessions: list[str]) -> None:
    """Write the study's tables and ``study/epochs_wide``.

    ``sessions`` are the finished ones. What a rule takes is written down; nothing is deleted.
    Raises ContractError where a session's tables are absent or the account does not balance.
    """
    facts = [gather(study, session) for session in sessions]
    spans = {one.session: phases_of(study.phases_of(one.session), one.start_ns, one.end_ns) for one in facts}
    applied = rules.apply(rules.in_order(study.file.inclusion), series(study, facts))
    excluded = rules.exclusions(applied)
    for name, rows in (
        ("phases", _phases(facts, spans)),
        ("phase_features", measured.rows(facts, spans)),
        ("sessions", _sessions(facts, excluded)),
        ("participants", _participants(study, facts, applied)),
        ("exclusions", [tuple(row) for row in excluded[TABLES["exclusions"].names].itertuples(index=False)]),
        ("flow", [tuple(row[key] for key in TABLES["flow"].names) for row in rules.counts(applied)]),
    ):
        tables.write(tables.path(study.results, name), TABLES[name], _built(name, rows))
    table, wide = joint.table(study, facts, spans, applied)
    target = study.results / "study" / "epochs_wide.parquet"
    tables.write(target, table, wide)
    csvfile.write(target.with_suffix(".csv"), [wide])
    _close(study, facts, wide)
    ledger = tables.path(study.results, "ledger")
    tables.write(ledger, TABLES["ledger"], _ledger(study, sessions))


def _phases(facts: list[SessionFacts], spans: dict[str, list[Phase]]) -> list[tuple[object, ...]]:
    return [
        (one.session, one.participant, each.name, each.start_ns, each.end_ns, each.source,
         each.noted_start_ns, each.noted_end_ns, each.overlap_ns / SECOND, measured.epochs_in(one, each))
        for one in facts
        for each in spans[one.session]
    ]  # fmt: skip


def _sessions(facts: list[SessionFacts], excluded: pd.DataFrame) -> list[tuple[object, ...]]:
    of_nodes = excluded[excluded["feature"] == ALL]
    failing = set(zip(of_nodes["session"], of_nodes["node"], strict=True))
    return [
        (
            one.session, one.participant, node.node, node.placement, one.start_ns, one.end_ns, one.hours,
            node.coverage, node.received, node.lost, node.restarts, node.unknown_gaps,
            np.nan if node.uncertainty_ms is None else node.uncertainty_ms,
            rules.verdict(bool({(one.session, ALL), (one.session, node.node)} & failing), node.below),
        )
        for one in facts
        for node in one.nodes
    ]  # fmt: skip


def _participants(study: Study, facts: list[SessionFacts], applied: Applied) -> list[tuple[object, ...]]:
    hours = {one.session: one.hours for one in facts}
    left = set(applied.series.loc[~applied.out, "session"]) - {""}
    rows: list[tuple[object, ...]] = []
    for each in study.participants:
        listed = [name for name, row in study.sessions.items() if row.participant == each.participant]
        kept = [name for name in listed if name in left]
        own = (applied.series["participant"] == each.participant).to_numpy()
        status = "included" if kept else "excluded" if listed else "no_session"
        took = next((step.rule for step, there in zip(applied.steps, applied.left[1:], strict=True)
                     if not there[own].any()), None) if listed else None  # fmt: skip
        rows.append((
            each.participant, each.age_years, each.resting_bpm, len(listed),
            sum(name in hours for name in listed), len(kept), sum(hours.get(name, 0.0) for name in listed),
            sum(hours[name] for name in kept), status, took,
        ))  # fmt: skip
    return rows


def _built(name: str, rows: Sequence[tuple[object, ...]]) -> pd.DataFrame:
    """Rows as a valid frame; None is null."""
    table = TABLES[name]
    if not rows:
        return tables.empty(table)
    columns: dict[str, Any] = {}
    for column, values in zip(table.columns, zip(*rows, strict=True), strict=True):
        if column.nullable and "int" in column.dtype:
            columns[column.name] = pd.array(list(values), dtype=pandas_dtype(column))
        elif "float" in column.dtype:
            columns[column.name] = np.array([np.nan if value is None else value for value in values], float)
        else:
            columns[column.name] = list(values)
    return tables.build(table, columns)


def _close(study: Study, facts: list[SessionFacts], rows: pd.DataFrame) -> None:
    """Each epoch that came in is a row that goes out, and each value is one of its cells."""
    values = [n for n in rows.columns if rows[n].dtype == np.float64 and f"{n}_coverage" in rows.columns]
    for one in facts:
        own = rows[rows["session"] == one.session]
        ledger = Ledger("study", one.session)
        ledger.add("epochs", "all nodes", one.epochs["epoch"].nunique(), rows=len(own))
        ledger.add("values", "all nodes", int(one.epochs["value"].notna().sum()),
                   cells=int(own[values].notna().sum().sum()))  # fmt: skip
        ledger.close(study.results)


def _ledger(study: Study, sessions: list[str]) -> pd.DataFrame:
    """The sessions' ledgers as one table, each scope told apart by its session."""
    pieces = []
    for session in sessions:
        folder = tables.path(study.results, "ledger", session).parent
        for source in sorted(folder.glob("*.parquet")):
            piece = tables.read(source, "ledger")
            scope = session + " " + piece["scope"].astype(str)
            pieces.append(piece.assign(scope=scope))
    if not pieces:
        return tables.empty(TABLES["ledger"])
    joined = pd.concat(pieces, ignore_index=True)
    return tables.build(TABLES["ledger"], {
        name: joined[name].astype(str) if TABLES["ledger"][name].dtype == "name" else joined[name]
        for name in TABLES["ledger"].names
    })  # fmt: skip
