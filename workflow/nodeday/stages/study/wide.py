"""The analysis-ready table: a row for each session and epoch, a column for each node and feature."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from nodeday.schemas import BARRED, FEATURE, Column, Table
from nodeday.schemas.declare import UNITS
from nodeday.schemas.studies import PARTICIPANTS, PHASES
from nodeday.schemas.tables import EPOCHS
from nodeday.stages.study.epochs import EpochMatrix, FeatureSeries

PER_CHANNEL = tuple(name for name, feature in FEATURE.items() if "mixed" in feature.unit)
"""Features that every channel of a stream has, in a unit that follows from the channel's own."""
OF_VALUE = tuple(column for column in EPOCHS.columns if column.dtype == "float64" and column.name != "value")
"""Columns of the epochs that go with a value: its coverage, and its error bar."""
WHOLE = {"yes": "the whole epoch", "no": "only its beginning"}
EXCLUDED = {"yes": "fails a rule of the study; see exclusions", "no": "meets every rule of the study"}


def column_of(node: str, channel: str, feature: str) -> str:
    """Return ``node_feature``, or ``node_channel_feature`` for features that every channel has.

    >>> column_of("heart", "ecg", "rmssd_ms"), column_of("skin", "skin", "mean")
    ('heart_rmssd_ms', 'skin_skin_mean')
    """
    return f"{node}_{channel}_{feature}" if feature in PER_CHANNEL else f"{node}_{feature}"


@dataclass(frozen=True)
class Meaning:
    """The values that a column of the wide table holds."""

    node: str
    channel: str
    feature: str


def declare(
    columns: Mapping[str, Meaning], nodes: list[str], units: Mapping[str, str], flagged: Collection[str] = ()
) -> Table:
    """Return the wide table's contract.

    ``columns`` maps a name to its meaning in the order wanted, ``units`` a channel to its unit; a unit that
    the contract does not list becomes ``mixed``. The columns ``flagged`` get a flag of their own: a rule of
    the study may exclude them and keep their node.
    """
    kept = (
        EPOCHS["participant"],
        PHASES["session"],
        EPOCHS["epoch"],
        Column("start_utc", "text", "", "first instant of the epoch in UTC, ISO 8601"),
        Column("minutes", "float64", "min", "time since the session's first epoch began", ge=0),
        Column("phase", "name", "", "phase of the protocol at the epoch's start", nullable=True),
        Column(
            "phase_whole",
            "code",
            "",
            "whether the epoch lies in that phase to its end; null without one",
            codes=WHOLE,
            nullable=True,
        ),
        PARTICIPANTS["age_years"],
        PARTICIPANTS["resting_bpm"],
    )
    values: list[Column] = []
    for name, about in columns.items():
        values += _columns(name, about, units)
        if name in flagged:
            values.append(_flag(name))
    row = "an epoch of a session"
    flags = tuple(_flag(node) for node in nodes)
    return Table("epochs_wide", row, (*kept, *flags, *values), key=("session", "epoch"))


def _flag(name: str) -> Column:
    """Return the column that states whether a node or a feature is excluded."""
    return Column(
        f"{name}_excluded",
        "code",
        "",
        f"whether {name} counts; null where the session has none",
        codes=EXCLUDED,
        nullable=True,
    )


def _columns(name: str, about: Meaning, units: Mapping[str, str]) -> list[Column]:
    """Return the columns of a feature: its value, its coverage, and its error bar where it has one."""
    feature = FEATURE[about.feature]
    unit = feature.unit.replace("mixed", units.get(about.channel, "mixed"))
    unit = unit if unit in UNITS else "mixed"
    columns = [Column(name, "float64", unit, f"{feature.meaning} ({about.channel})", nullable=True)]
    for column in _with_value(about.feature):
        changed = column.but(name=f"{name}_{column.name}", nullable=True)
        columns.append(changed.but(unit=unit) if column.unit == "mixed" else changed)
    return columns


def _with_value(feature: str) -> list[Column]:
    """Return the columns of the epochs that go with the feature's value: only some have an error bar."""
    return [column for column in OF_VALUE if column.name == "coverage" or feature in BARRED]


def columns_of(series: Sequence[FeatureSeries]) -> dict[str, Meaning]:
    """Return a column's name for each series of a session, in their order, and what the column holds."""
    meaning: dict[str, Meaning] = {}
    for one in series:
        name = column_of(one.node, one.channel, one.feature)
        if name in meaning:  # one feature from two streams of a node: the stream tells them apart
            name = f"{one.node}_{one.channel}_{one.feature}"
        meaning[name] = Meaning(one.node, one.channel, one.feature)
    return meaning


def pivot(epochs: EpochMatrix) -> dict[str, NDArray[Any]]:
    """Return the columns (n,) of a session by name.

    ``epoch``, and for each node and feature its value, ``_coverage`` and error bar. A null stays null.
    """
    cells: dict[str, NDArray[Any]] = {"epoch": epochs.number}
    for number, (name, about) in enumerate(columns_of(epochs.series).items()):
        cells[name] = epochs.value[number]
        for column in _with_value(about.feature):
            cells[f"{name}_{column.name}"] = epochs.numbers[column.name][number]
    return cells


def phase_at(
    at_ns: NDArray[np.int64], names: list[str], start_ns: list[int], end_ns: list[int]
) -> NDArray[np.object_]:
    """Return the name of the phase [start, end) that holds each instant (n,); None outside all of them.

    The phase that starts last wins where two overlap.
    """
    phase = np.full(at_ns.shape, None, dtype=object)
    for index in np.argsort(np.asarray(start_ns, dtype=np.int64), kind="stable"):
        phase[(at_ns >= start_ns[index]) & (at_ns < end_ns[index])] = names[index]
    return phase


def iso(at_ns: NDArray[np.int64]) -> list[str]:
    """Return instants (n,) in ns as ISO 8601 in UTC; fractions only where there are any.

    >>> iso(np.array([1_784_005_200_000_000_000]))
    ['2026-07-14T05:00:00Z']
    """
    unit: Literal["s", "ns"] = "s" if not np.any(at_ns % 1_000_000_000) else "ns"
    return [f"{text}Z" for text in np.datetime_as_string(at_ns.astype("datetime64[ns]"), unit=unit)]
