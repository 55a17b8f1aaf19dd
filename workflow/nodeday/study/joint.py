"""The analysis-ready table of all sessions: their wide epochs joined, with phases and what is excluded."""

from __future__ import annotations

import numpy as np
import pandas as pd

from nodeday import tables
from nodeday.schemas import Table
from nodeday.settings import HUB, Study
from nodeday.study import wide
from nodeday.study.gather import SessionFacts
from nodeday.study.phases import OUTSIDE, SECOND, UNNOTED, Phase, wholly_in
from nodeday.study.rules import Applied


def table(
    study: Study, facts: list[SessionFacts], spans: dict[str, list[Phase]], applied: Applied
) -> tuple[Table, pd.DataFrame]:
    """All sessions' epochs side by side; a column that a session does not have is null there."""
    pieces: list[pd.DataFrame] = []
    meaning: dict[str, wide.Meaning] = {}
    units: dict[str, str] = {}
    for one in facts:
        piece, own = wide.pivot(one.epochs)
        meaning |= own
        units |= study.units_of(one.session)
        pieces.append(_about(study, one, spans[one.session], piece).assign(**_flags(one, own, applied)))
    order = list(dict.fromkeys(row.node for row in study.nodes if row.node != HUB))
    nodes = [node for node in order if any(f"{node}_excluded" in piece for piece in pieces)]
    ranked = sorted(meaning, key=lambda name: order.index(meaning[name].node))
    by_feature = any(rule.rule == "min_valid_epochs" for rule in study.file.inclusion)
    declared = wide.declare({name: meaning[name] for name in ranked}, nodes, units, by_feature)
    if not pieces:
        return declared, tables.empty(declared)
    joined = pd.concat(pieces, ignore_index=True).reindex(columns=declared.names)
    joined["age_years"] = joined["age_years"].astype("Int32")
    return declared, tables.build(declared, {name: joined[name] for name in declared.names})


def _about(study: Study, one: SessionFacts, spans: list[Phase], piece: pd.DataFrame) -> pd.DataFrame:
    """``piece`` with whose epochs these are, when they were, and the phase each begins in."""
    start = piece["start_ns"].to_numpy(np.int64)
    ends = start + study.file.epochs.seconds * SECOND
    told = next(each for each in study.participants if each.participant == one.participant)
    phases = [each for each in spans if each.source not in (OUTSIDE, UNNOTED)]
    # The first epoch begins on a whole second, a moment before the first sample.
    at = np.maximum(start, one.start_ns)
    names = wide.phase_at(at, [each.name for each in phases], [each.start_ns for each in phases],
                          [each.end_ns for each in phases])  # fmt: skip
    whole = np.full(len(start), "no", object)
    whole[pd.isna(names)] = None
    for each in phases:
        inside = wholly_in(each, (start, ends), (one.start_ns, one.end_ns))
        whole[inside & (names == each.name)] = "yes"
    return piece.assign(
        participant=one.participant, session=one.session, start_utc=wide.iso(start),
        minutes=(start - start[:1]) / (60 * SECOND), phase=names,
        phase_whole=whole,
        age_years=pd.array([told.age_years] * len(start), "Int32"),
        resting_bpm=np.nan if told.resting_bpm is None else told.resting_bpm,
    )  # fmt: skip


def _flags(one: SessionFacts, meaning: dict[str, wide.Meaning], applied: Applied) -> dict[str, str]:
    """Whether each node counts, and each of its features."""
    own = applied.series[(applied.series["session"] == one.session).to_numpy()]
    out = pd.Series(applied.out[own.index.to_numpy()], index=own.index)
    flags = {f"{node.node}_excluded": "yes" if out[own["node"] == node.node].all() else "no"
             for node in one.nodes}  # fmt: skip
    for name, each in meaning.items():
        series = (own["node"] == each.node) & (own["channel"] == each.channel)
        flags[f"{name}_excluded"] = "yes" if out[series & (own["feature"] == each.feature)].all() else "no"
    return flags
