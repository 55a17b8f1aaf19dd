"""The analysis-ready table: a row for each session and epoch, a column for each node and feature."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from nodeday.schemas import BARRED, FEATURE, Column, Table
from nodeday.schemas.columns import coverage
from nodeday.schemas.declare import UNITS
from nodeday.schemas.tables import EPOCHS, PHASES

PER_CHANNEL = ("mean", "spread", "slope", "rate_of_change")
BAR = ("low", "high", "bias")
EXCLUDED = {"yes": "fails a rule of the study; see exclusions", "no": "meets every rule of the study"}


def column_of(node: str, channel: str, feature: str) -> str:
    """``node_feature``, or ``node_channel_feature`` for features that every channel has.

    >>> column_of("heart", "ecg", "rmssd_ms"), column_of("skin", "skin", "mean")
    ('heart_rmssd_ms', 'skin_skin_mean')
    """
    return f"{node}_{channel}_{feature}" if feature in PER_CHANNEL else f"{node}_{feature}"


def declare(columns: Mapping[str, tuple[str, str]], nodes: list[str], units: Mapping[str, str]) -> Table:
    """The wide table's contract. ``columns`` maps a name to (channel, feature) in the order wanted,
    ``units`` a channel to its unit; a unit that the contract does not list becomes ``mixed``."""
    kept = (
        EPOCHS["participant"],
        PHASES["session"],
        EPOCHS["epoch"],
        Column("start_utc", "text", "", "first instant of the epoch in UTC, ISO 8601"),
        Column("phase", "name", "", "phase of the protocol at the epoch's start", nullable=True),
    )
    flags = tuple(
        Column(f"{node}_excluded", "code", "", f"whether {node} counts; null where the session has no such "
               "node", codes=EXCLUDED, nullable=True)
        for node in nodes
    )  # fmt: skip
    values: list[Column] = []
    for name, (channel, feature) in columns.items():
        unit = FEATURE[feature].unit.replace("mixed", units.get(channel, "mixed"))
        values.append(Column(name, "float64", unit if unit in UNITS else "mixed",
                             f"{FEATURE[feature].meaning} ({channel})", nullable=True))  # fmt: skip
        values.append(coverage.but(name=f"{name}_coverage", nullable=True))
        if feature in BARRED:
            values += [EPOCHS[end].but(name=f"{name}_{end}", unit=unit) for end in BAR]
    row = "an epoch of a session"
    return Table("epochs_wide", row, (*kept, *flags, *values), key=("session", "epoch"))


def pivot(epochs: pd.DataFrame) -> tuple[pd.DataFrame, dict[str, tuple[str, str]]]:
    """Long epochs of one session as a frame with ``epoch``, ``start_ns`` and, for each node and
    feature, its value, ``_coverage`` and, where it has error bars, ``_low``, ``_high`` and ``_bias``;
    and what each column holds, as (channel, feature).

    A null stays null. The long table's key makes each place unique.
    """
    first = epochs.drop_duplicates("epoch").sort_values("epoch")
    wide = first[["epoch", "start_ns"]].reset_index(drop=True)
    index = pd.Index(wide["epoch"])
    pieces: dict[str, NDArray[np.float64]] = {}
    meaning: dict[str, tuple[str, str]] = {}
    groups = epochs.groupby(["node", "channel", "feature"], observed=True, sort=False)
    for (node, channel, feature), rows in groups:
        name = column_of(str(node), str(channel), str(feature))
        if name in meaning:  # one feature from two streams of a node: the stream tells them apart
            name = f"{node}_{channel}_{feature}"
        meaning[name] = (str(channel), str(feature))
        ends = BAR if feature in BARRED else ()
        by_epoch = rows.set_index("epoch")[["value", "coverage", *ends]].reindex(index)
        pieces[name] = by_epoch["value"].to_numpy(np.float64)
        pieces |= {f"{name}_{each}": by_epoch[each].to_numpy(np.float64) for each in ("coverage", *ends)}
    return pd.concat([wide, pd.DataFrame(pieces)], axis=1), meaning


def phase_at(
    at_ns: NDArray[np.int64], names: list[str], start_ns: list[int], end_ns: list[int]
) -> NDArray[np.object_]:
    """Name of the phase [start, end) that holds each instant (n,); None outside all of them. The
    phase that starts last wins where two overlap."""
    found = np.full(at_ns.shape, None, dtype=object)
    for index in np.argsort(np.asarray(start_ns, dtype=np.int64), kind="stable"):
        found[(at_ns >= start_ns[index]) & (at_ns < end_ns[index])] = names[index]
    return found


def iso(at_ns: NDArray[np.int64]) -> list[str]:
    """Instants (n,) as ISO 8601 in UTC; fractions only where there are any.

    >>> iso(np.array([1_784_005_200_000_000_000]))
    ['2026-07-14T05:00:00Z']
    """
    unit: Literal["s", "ns"] = "s" if not np.any(at_ns % 1_000_000_000) else "ns"
    return [f"{text}Z" for text in np.datetime_as_string(at_ns.astype("datetime64[ns]"), unit=unit)]
