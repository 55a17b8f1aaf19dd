"""The study room: from finished sessions to the study's own tables and its analysis-ready dataset."""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pandas as pd

from nodeday import tables
from nodeday.ledger import Ledger
from nodeday.schemas import TABLES, Table
from nodeday.settings import HUB, Study
from nodeday.study import rules, wide
from nodeday.study.gather import SessionFacts, gather


def run(study: Study, sessions: list[str]) -> None:
    """Write ``phases``, ``sessions``, ``exclusions``, ``ledger`` and ``study/epochs_wide``.

    ``sessions`` are the finished ones. Rules that are not met are written down; nothing is deleted.
    Raises ContractError where a session's tables are absent or the account does not balance.
    """
    facts = [gather(study, session) for session in sessions]
    failed = {one.session: _failures(study, one) for one in facts}
    for name, frame in (
        ("phases", _phases(study, facts)),
        ("sessions", _sessions(facts, failed)),
        ("exclusions", _exclusions(facts, failed)),
    ):
        tables.write(tables.path(study.results, name), TABLES[name], frame)
    table, rows = _wide(study, facts, failed)
    target = study.results / "study" / "epochs_wide.parquet"
    tables.write(target, table, rows)
    _csv(target.with_suffix(".csv"), rows)
    _close(study, facts, rows)
    ledger = tables.path(study.results, "ledger")
    tables.write(ledger, TABLES["ledger"], _ledger(study, sessions))


def _failures(study: Study, one: SessionFacts) -> list[rules.Failure]:
    limits = study.file.limits
    return rules.failures(
        one.hours,
        {node.node: node.coverage for node in one.nodes},
        {node.node: node.uncertainty_ms for node in one.nodes},
        limits.min_hours,
        limits.min_coverage,
        limits.max_clock_uncertainty_ms,
    )


def _phases(study: Study, facts: list[SessionFacts]) -> pd.DataFrame:
    """Noted phases clipped to the data; the whole session where none is noted."""
    rows = []
    for one in facts:
        noted = study.phases_of(one.session)
        source = "events" if noted else "session"
        for name, start, end in noted or [("session", one.start_ns, one.end_ns)]:
            start, end = max(start, one.start_ns), min(one.end_ns if end is None else end, one.end_ns)
            if start < end:
                rows.append((one.session, one.participant, name, start, end, source))
    return _built("phases", rows)


def _sessions(facts: list[SessionFacts], failed: dict[str, list[rules.Failure]]) -> pd.DataFrame:
    rows = []
    for one in facts:
        for node in one.nodes:
            failing = any(each.node in ("*", node.node) for each in failed[one.session])
            rows.append((
                one.session, one.participant, node.node, node.placement, one.start_ns, one.end_ns, one.hours,
                node.coverage, node.received, node.lost, node.restarts, node.unknown_gaps,
                np.nan if node.uncertainty_ms is None else node.uncertainty_ms,
                rules.verdict(failing, node.below),
            ))  # fmt: skip
    return _built("sessions", rows)


def _exclusions(facts: list[SessionFacts], failed: dict[str, list[rules.Failure]]) -> pd.DataFrame:
    rows = [
        (one.session, one.participant, each.node, each.rule, each.threshold,
         np.nan if each.value is None else each.value)
        for one in facts
        for each in failed[one.session]
    ]  # fmt: skip
    return _built("exclusions", rows)


def _built(name: str, rows: Sequence[tuple[object, ...]]) -> pd.DataFrame:
    table = TABLES[name]
    if not rows:
        return tables.empty(table)
    columns = list(zip(*rows, strict=True))
    return tables.build(table, {key: list(values) for key, values in zip(table.names, columns, strict=True)})


def _wide(
    study: Study, facts: list[SessionFacts], failed: dict[str, list[rules.Failure]]
) -> tuple[Table, pd.DataFrame]:
    """All sessions' epochs side by side; a column that a session does not have is null there."""
    pieces: list[pd.DataFrame] = []
    meaning: dict[str, tuple[str, str]] = {}
    units: dict[str, str] = {}
    for one in facts:
        piece, own = wide.pivot(one.epochs)
        meaning |= own
        units |= study.units_of(one.session)
        at = piece["start_ns"].to_numpy(np.int64)
        piece["phase"] = wide.phase_at(at, *_noted(study, one))
        piece["participant"], piece["session"] = one.participant, one.session
        piece["start_utc"] = wide.iso(at)
        for node in one.nodes:
            out = any(each.node in ("*", node.node) for each in failed[one.session])
            piece[f"{node.node}_excluded"] = "yes" if out else "no"
        pieces.append(piece)
    order = list(dict.fromkeys(row.node for row in study.nodes if row.node != HUB))
    nodes = [node for node in order if any(f"{node}_excluded" in piece for piece in pieces)]
    ranked = sorted(meaning, key=lambda name: order.index(name.split("_")[0]))
    table = wide.declare({name: meaning[name] for name in ranked}, nodes, units)
    if not pieces:
        return table, tables.empty(table)
    joined = pd.concat(pieces, ignore_index=True).reindex(columns=table.names)
    return table, tables.build(table, {name: joined[name] for name in table.names})


def _noted(study: Study, one: SessionFacts) -> tuple[list[str], list[int], list[int]]:
    """Names, starts and ends of the phases as noted, not clipped: the first epoch starts on a whole
    second, a moment before the first sample. Without notes the session is one phase."""
    spans = study.phases_of(one.session) or [("session", 0, None)]
    ends = [one.end_ns if end is None else end for _, _, end in spans]
    return [name for name, _, _ in spans], [start for _, start, _ in spans], ends


def _csv(target: Path, rows: pd.DataFrame) -> None:
    """The same rows as text; an empty field is a null. Appears under its name only when whole."""
    partial = target.with_name(f".{target.name}.partial")
    rows.to_csv(partial, index=False, lineterminator="\n")
    os.replace(partial, target)


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
