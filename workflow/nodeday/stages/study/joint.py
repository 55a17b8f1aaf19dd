"""The analysis-ready table of all sessions: their wide epochs joined, with phases and what is excluded."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd

from nodeday.config.study import HUB, Study
from nodeday.core.arrays import Ints
from nodeday.schemas import Table
from nodeday.stages.study import wide
from nodeday.stages.study.gather import SessionFacts, epochs_of
from nodeday.stages.study.phases import OUTSIDE, SECOND, UNNOTED, wholly_in
from nodeday.stages.study.rules import Applied
from nodeday.storage import tables


def declared(study: Study, facts: list[SessionFacts]) -> Table:
    """The contract of the table of all sessions."""
    meaning: dict[str, wide.Meaning] = {}
    units: dict[str, str] = {}
    for one in facts:
        meaning |= wide.columns_of(one.series)
        units |= study.units_of(one.session)
    order = list(dict.fromkeys(row.node for row in study.nodes if row.node != HUB))
    heard = {node.node for one in facts for node in one.nodes}
    ranked = sorted(meaning, key=lambda name: order.index(meaning[name].node))
    by_feature = any(rule.rule == "min_valid_epochs" for rule in study.file.inclusion)
    return wide.declare(
        {name: meaning[name] for name in ranked}, [node for node in order if node in heard], units, by_feature
    )


def piece(study: Study, table: Table, one: SessionFacts, applied: Applied) -> pd.DataFrame:
    """A session's epochs with what ``table`` says of them beside, before their columns are put in order."""
    epochs = epochs_of(study, one.session)
    beside = _about(study, one, epochs.start_ns) | _flags(one, applied)
    return pd.DataFrame(wide.pivot(epochs) | {name: beside[name] for name in table.names if name in beside})


def joined(table: Table, pieces: Sequence[pd.DataFrame]) -> pd.DataFrame:
    """Sessions one below the other; a column that a session does not have is null there."""
    whole = pd.concat(pieces, ignore_index=True).reindex(columns=table.names)
    whole["age_years"] = whole["age_years"].astype("Int32")
    return tables.build(table, {name: whole[name] for name in table.names})


def _about(study: Study, one: SessionFacts, start_ns: Ints) -> dict[str, Any]:
    """Whose epochs these are, when they were, and the phase each begins in; by column."""
    ends = start_ns + study.file.epochs.seconds * SECOND
    told = next(each for each in study.participants if each.participant == one.participant)
    phases = [each for each in one.phases if each.source not in (OUTSIDE, UNNOTED)]
    # The first epoch begins on a whole second, a moment before the first sample.
    at = np.maximum(start_ns, one.start_ns)
    names = wide.phase_at(
        at,
        [each.name for each in phases],
        [each.start_ns for each in phases],
        [each.end_ns for each in phases],
    )
    whole = np.full(len(at), "no", object)
    whole[pd.isna(names)] = None
    for each in phases:
        inside = wholly_in(each, (start_ns, ends), (one.start_ns, one.end_ns))
        whole[inside & (names == each.name)] = "yes"
    return {
        "participant": one.participant,
        "session": one.session,
        "start_utc": wide.iso(start_ns),
        "minutes": (start_ns - start_ns[:1]) / (60 * SECOND),
        "phase": names,
        "phase_whole": whole,
        "age_years": pd.array([told.age_years] * len(at), "Int32"),
        "resting_bpm": np.nan if told.resting_bpm is None else told.resting_bpm,
    }


def _flags(one: SessionFacts, applied: Applied) -> dict[str, str]:
    """Whether each node counts, and each of its features."""
    rows = applied.series[(applied.series["session"] == one.session).to_numpy()]
    out = dict(
        zip(
            rows[["node", "channel", "feature"]].itertuples(index=False, name=None),
            applied.out[rows.index.to_numpy()].tolist(),
            strict=True,
        )
    )
    nodes = {node.node: [gone for (name, *_), gone in out.items() if name == node.node] for node in one.nodes}
    taken = {name: all(gone) for name, gone in nodes.items()}
    taken |= {
        name: out[each.node, each.channel, each.feature] for name, each in wide.columns_of(one.series).items()
    }
    return {f"{name}_excluded": "yes" if gone else "no" for name, gone in taken.items()}
