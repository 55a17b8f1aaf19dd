"""What was measured in each phase: rows of table ``phase_features``, from the epochs of a session."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from nodeday.study.gather import SessionFacts
from nodeday.study.phases import Phase, summary, wholly_in


def epochs_in(one: SessionFacts, phase: Phase) -> int:
    """Epochs of a session that lie in a phase wholly."""
    first = one.epochs.drop_duplicates("epoch")
    return int(_inside(first, one, phase).sum())


def rows(facts: list[SessionFacts], spans: dict[str, list[Phase]]) -> list[tuple[object, ...]]:
    """Every feature of every node in every phase, in the order of the table's columns."""
    return [row for one in facts for phase in spans[one.session] for row in _of_phase(one, phase)]


def _of_phase(one: SessionFacts, phase: Phase) -> list[tuple[object, ...]]:
    inside = _inside(one.epochs, one, phase)
    found: list[tuple[object, ...]] = []
    keys = ["node", "placement", "channel", "feature"]
    for key, every in one.epochs.groupby(keys, observed=True, sort=False):
        own = every[inside[every.index.to_numpy()]].sort_values("epoch")
        half = None
        if {"low", "high"} <= set(own.columns):  # a feature may state its own error bar, or not
            width = ((own["high"] - own["low"]) / 2).to_numpy(np.float64)
            half = np.where(np.isnan(width), 0.0, width)
        told = summary(own["value"].to_numpy(np.float64), own["coverage"].to_numpy(np.float64), half)
        found.append((
            one.session, one.participant, phase.name, phase.start_ns, *map(str, key), told.epochs,
            told.with_value, told.value, told.reason, told.spread, told.low, told.high, told.coverage,
        ))  # fmt: skip
    return found


def _inside(epochs: pd.DataFrame, one: SessionFacts, phase: Phase) -> NDArray[np.bool_]:
    edges = epochs["start_ns"].to_numpy(np.int64), epochs["end_ns"].to_numpy(np.int64)
    return wholly_in(phase, edges, (one.start_ns, one.end_ns))
