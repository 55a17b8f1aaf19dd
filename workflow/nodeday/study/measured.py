"""What was measured in each phase: rows of table ``phase_features``, from the epochs of a session."""

from __future__ import annotations

import numpy as np

from nodeday.arrays import Bools
from nodeday.study.epochs import Epochs
from nodeday.study.phases import Phase, summary, wholly_in

Row = tuple[object, ...]


def inside(epochs: Epochs, phase: Phase, recorded: tuple[int, int]) -> Bools:
    """Epochs (n,) of a session that lie in a phase wholly."""
    return wholly_in(phase, (epochs.start_ns, epochs.end_ns), recorded)


def rows(
    session: str, participant: str, epochs: Epochs, phases: list[Phase], recorded: tuple[int, int]
) -> list[Row]:
    """Every feature of every node in every phase, in the order of the table's columns."""
    found: list[Row] = []
    width = (epochs.numbers["high"] - epochs.numbers["low"]) / 2
    half = np.where(np.isnan(width), 0.0, width)  # a value may state its own error bar, or not
    for phase in phases:
        within = inside(epochs, phase, recorded)
        for place, series in enumerate(epochs.series):
            own = within & epochs.listed[place]
            told = summary(epochs.value[place, own], epochs.coverage[place, own], half[place, own])
            found.append(
                (
                    session,
                    participant,
                    phase.name,
                    phase.start_ns,
                    *series,
                    told.epochs,
                    told.with_value,
                    told.value,
                    told.reason,
                    told.spread,
                    told.low,
                    told.high,
                    told.coverage,
                )
            )
    return found
