"""The analysis-ready table of all sessions: their wide epochs joined, with phases and what is excluded."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd

from nodeday.config.study import HUB, Study
from nodeday.schemas import Table
from nodeday.stages.study import wide
from nodeday.stages.study.epochs import EpochMatrix
from nodeday.stages.study.gather import SessionFacts, epochs_of
from nodeday.stages.study.phases import OUTSIDE, SECOND, UNNOTED, inside
from nodeday.stages.study.rules import Applied
from nodeday.storage import tables


def declared(study: Study, facts: list[SessionFacts]) -> Table:
    """Return the contract of the table of all sessions."""
    meaning: dict[str, wide.Meaning] = {}
    units: dict[str, str] = {}
    for session in facts:
        meaning |= wide.columns_of(session.series)
        units |= study.units_of(session.session)
    order = list(dict.fromkeys(row.node for row in study.nodes if row.node != HUB))
    present = {node.node for session in facts for node in session.nodes}
    ranked = sorted(meaning, key=lambda name: order.index(meaning[name].node))
    flagged = {
        name
        for name, about in meaning.items()
        for rule in study.file.inclusion
        if rule.rule == "min_valid_epochs"
        and rule.node in (None, about.node)
        and rule.feature in (None, about.feature)
    }
    return wide.declare(
        {name: meaning[name] for name in ranked},
        [node for node in order if node in present],
        units,
        flagged,
    )


def piece(study: Study, table: Table, facts: SessionFacts, applied: Applied) -> pd.DataFrame:
    """Return a session's epochs with what ``table`` adds to them, before their columns are put in order."""
    epochs = epochs_of(study, facts.session)
    added = _about(study, facts, epochs) | _flags(facts, applied)
    return pd.DataFrame(wide.pivot(epochs) | {name: added[name] for name in table.names if name in added})


def joined(table: Table, pieces: Sequence[pd.DataFrame]) -> pd.DataFrame:
    """Return sessions one below the other; a column that a session does not have is null for it."""
    rows = pd.concat(pieces, ignore_index=True).reindex(columns=table.names)
    rows["age_years"] = rows["age_years"].astype("Int32")
    return tables.build(table, {name: rows[name] for name in table.names})


def _about(study: Study, facts: SessionFacts, epochs: EpochMatrix) -> dict[str, Any]:
    """Return by column whose ``epochs`` these are, when they were, and the phase in which each begins."""
    start_ns, recorded = epochs.start_ns, facts.span or (0, 0)  # without a span there is no epoch
    person = next(one for one in study.participants if one.participant == facts.participant)
    phases = [phase for phase in facts.phases if phase.source not in (OUTSIDE, UNNOTED)]
    # The first epoch begins on a whole second, a moment before the first sample.
    at_ns = np.maximum(start_ns, recorded[0])
    names = wide.phase_at(
        at_ns,
        [phase.name for phase in phases],
        [phase.start_ns for phase in phases],
        [phase.end_ns for phase in phases],
    )
    to_end = np.full(len(at_ns), "no", object)
    to_end[pd.isna(names)] = None
    for phase in phases:
        to_end[inside(epochs, phase, recorded) & (names == phase.name)] = "yes"
    return {
        "participant": facts.participant,
        "session": facts.session,
        "start_utc": wide.iso(start_ns),
        "minutes": (start_ns - start_ns[:1]) / (60 * SECOND),
        "phase": names,
        "phase_whole": to_end,
        "age_years": pd.array([person.age_years] * len(at_ns), "Int32"),
        "resting_bpm": np.nan if person.resting_bpm is None else person.resting_bpm,
    }


def _flags(facts: SessionFacts, applied: Applied) -> dict[str, str]:
    """Return by column whether each node of a session is excluded, and each of its features."""
    rows = applied.series[(applied.series["session"] == facts.session).to_numpy()]
    out = dict(
        zip(
            rows[["node", "channel", "feature"]].itertuples(index=False, name=None),
            applied.out[rows.index.to_numpy()].tolist(),
            strict=True,
        )
    )
    excluded = {
        node.node: all(gone for (name, *_), gone in out.items() if name == node.node) for node in facts.nodes
    }
    excluded |= {
        name: out[key.node, key.channel, key.feature] for name, key in wide.columns_of(facts.series).items()
    }
    return {f"{name}_excluded": "yes" if gone else "no" for name, gone in excluded.items()}
