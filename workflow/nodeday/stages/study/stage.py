"""Stage `study`: from finished sessions to the study's own tables and its analysis-ready dataset."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from functools import partial
from typing import Any

import numpy as np
import pandas as pd

from nodeday.config.study import Study
from nodeday.core import csv_io
from nodeday.core.parallel import map_on_cores
from nodeday.core.threads import one_thread
from nodeday.schemas import TABLES, Table
from nodeday.schemas.compile import pandas_dtype
from nodeday.stages.study import joint, rules, wide
from nodeday.stages.study.gather import SessionFacts, gather, series
from nodeday.stages.study.phases import SECOND
from nodeday.stages.study.rules import ALL, Applied
from nodeday.storage import tables
from nodeday.storage.ledger import Ledger

WIDE_ROWS = 20_000
"""Epochs of a row group of the wide table, or some more."""


@one_thread()
def run(study: Study, sessions: list[str], cores: int = 1) -> None:
    """Write the study's tables and ``study/epochs_wide``, as many sessions at a time as there are ``cores``.

    ``sessions`` are the finished ones. What a rule excludes is written down; nothing is deleted.
    Raises ContractError where a session's tables are absent or the account does not balance.
    """
    cores = min(cores, len(sessions)) or 1
    facts = list(map_on_cores(partial(gather, study), sessions, cores))
    applied = rules.apply(rules.in_order(study.file.inclusion), series(study, facts))
    excluded = rules.exclusions(applied)
    for name, rows in (
        ("phases", _phases(facts)),
        ("phase_features", [row for session in facts for row in session.phase_features]),
        ("sessions", _sessions(facts, excluded)),
        ("participants", _participants(study, facts, applied)),
        ("exclusions", [tuple(row) for row in excluded[TABLES["exclusions"].names].itertuples(index=False)]),
        ("flow", [tuple(row[key] for key in TABLES["flow"].names) for row in rules.counts(applied)]),
    ):
        tables.write(tables.path(study.results, name), TABLES[name], _built(name, rows))
    _write_wide(study, facts, applied, cores)
    ledger = tables.path(study.results, "ledger")
    tables.write(ledger, TABLES["ledger"], _ledger(study, sessions))


def _write_wide(study: Study, facts: list[SessionFacts], applied: Applied, cores: int) -> None:
    """Write the sessions' epochs, a few sessions in memory at a time, as Parquet and as CSV."""
    table, target = joint.declared(study, facts), study.results / "study" / "epochs_wide.parquet"
    by_name = {one.session: one for one in facts}
    pieces = map_on_cores(lambda name: joint.piece(study, table, by_name[name], applied), by_name, cores)
    with tables.writer(target, table) as out:
        csv_io.write(target.with_suffix(".csv"), _batches(study, table, by_name, pieces, out))


def _batches(
    study: Study,
    table: Table,
    facts: Mapping[str, SessionFacts],
    pieces: Iterable[pd.DataFrame],
    out: tables.Writer,
) -> Iterator[pd.DataFrame]:
    """Yield sessions joined until they are a row group, each written to ``out`` as well."""
    held: list[pd.DataFrame] = []
    for one, piece in zip(facts.values(), pieces, strict=True):
        _close(study, one, piece)
        held.append(piece)
        if sum(map(len, held)) >= WIDE_ROWS:
            out.write(batch := joint.joined(table, held))
            yield batch
            held = []
    if held or not out.rows:
        out.write(batch := joint.joined(table, held) if held else tables.empty(table))
        yield batch


def _close(study: Study, one: SessionFacts, rows: pd.DataFrame) -> None:
    """Check that each epoch that came in is a row that goes out, and each value is one of its cells.

    Raises ContractError where the account does not balance.
    """
    values = list(wide.columns_of(one.series))
    ledger = Ledger("study", one.session)
    ledger.add("epochs", "all nodes", one.epochs, rows=len(rows))
    ledger.add("values", "all nodes", one.values, cells=int(rows[values].notna().to_numpy().sum()))
    ledger.close(study.results)


def _phases(facts: list[SessionFacts]) -> list[tuple[object, ...]]:
    """Return the rows of table ``phases``."""
    return [
        (
            one.session,
            one.participant,
            phase.name,
            phase.start_ns,
            phase.end_ns,
            phase.source,
            phase.noted_start_ns,
            phase.noted_end_ns,
            phase.overlap_ns / SECOND,
            epochs,
        )
        for one in facts
        for phase, epochs in zip(one.phases, one.in_phase, strict=True)
    ]


def _sessions(facts: list[SessionFacts], excluded: pd.DataFrame) -> list[tuple[object, ...]]:
    """Return the rows of table ``sessions``, one for each node of each session."""
    # A rule that one feature does not meet limits its node, although it excludes no other feature.
    failing = set(zip(excluded["session"], excluded["node"], strict=True))
    return [
        (
            one.session,
            one.participant,
            node.node,
            node.placement,
            *(one.span or (None, None)),
            one.hours,
            node.coverage,
            node.coverage_reason,
            node.received,
            node.lost,
            node.restarts,
            node.unknown_gaps,
            np.nan if node.uncertainty_ms is None else node.uncertainty_ms,
            rules.verdict(
                node.coverage_reason != "no_samples",
                bool({(one.session, ALL), (one.session, node.node)} & failing),
                node.below,
            ),
        )
        for one in facts
        for node in one.nodes
    ]


def _participants(study: Study, facts: list[SessionFacts], applied: Applied) -> list[tuple[object, ...]]:
    """Return the rows of table ``participants``."""
    hours = {one.session: one.hours for one in facts}
    left = set(applied.series.loc[~applied.out, "session"]) - {""}
    rows: list[tuple[object, ...]] = []
    for who in study.participants:
        listed = [name for name, row in study.sessions.items() if row.participant == who.participant]
        kept = [name for name in listed if name in left]
        of_person = (applied.series["participant"] == who.participant).to_numpy()
        status = "included" if kept else "excluded" if listed else "no_session"
        emptied = (
            step.rule
            for step, series_left in zip(applied.steps, applied.left[1:], strict=True)
            if not series_left[of_person].any()
        )
        rows.append(
            (
                who.participant,
                who.age_years,
                who.resting_bpm,
                len(listed),
                sum(name in hours for name in listed),
                len(kept),
                sum(hours.get(name, 0.0) for name in listed),
                sum(hours[name] for name in kept),
                status,
                next(emptied, None) if listed else None,
            )
        )
    return rows


def _built(name: str, rows: Sequence[tuple[object, ...]]) -> pd.DataFrame:
    """Return rows of table ``name`` as a valid frame; None is null."""
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


def _ledger(study: Study, sessions: list[str]) -> pd.DataFrame:
    """Return the sessions' ledgers as one table, each scope marked with its session."""
    table, rows = TABLES["ledger"], defaultdict[str, list[Any]](list)
    for session in sessions:
        folder = tables.path(study.results, "ledger", session).parent
        for source in sorted(folder.glob("*.parquet")):
            for piece in tables.pieces(source, table, table.names):
                for name, values in piece.to_pydict().items():
                    rows[name] += [f"{session} {scope}" for scope in values] if name == "scope" else values
    return tables.build(table, {name: rows[name] for name in table.names})
