"""One pass over all rows of a file: nodes, ranges, decimals, and where counters fell."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
import pyarrow as arrow

from nodeday.cli.init.recordings.counters import Falls
from nodeday.cli.init.recordings.numbers import decimals_of
from nodeday.cli.init.recordings.source import Source
from nodeday.cli.init.recordings.times import TimeFound
from nodeday.core.arrays import Bools, Ints
from nodeday.core.errors import ContractError, SettingsError
from nodeday.stages.frames.rowfile import RowBatch

BACK_NS = 60_000_000_000
"""Rows that go back in time by more, to another node or stream, are no late frames. A choice of this
project."""


@dataclass
class AllRows:
    """What all rows of a file hold: counts of rows by node, greatest size and decimals by column.

    ``decimals`` is None for a column whose numbers need too many. ``sequence`` and ``ticks`` say where the
    counters fell. ``span_ns`` are the least and the greatest time, ``last_ns`` is that of the last row.
    """

    rows: int = 0
    nodes: dict[str, int] = field(default_factory=dict)
    most: dict[str, float] = field(default_factory=dict)
    decimals: dict[str, int | None] = field(default_factory=dict)
    sequence: Falls = field(default_factory=Falls)
    ticks: Falls = field(default_factory=Falls)
    span_ns: tuple[int, int] = (0, 0)
    last_ns: int = 0


class StreamColumnNames(NamedTuple):
    """A stream by its label in a column of streams and its columns; ``period_s`` is from frame to frame."""

    label: str | None
    columns: list[str]
    period_s: float


def keys_of(rows: RowBatch, columns: list[str]) -> tuple[Ints, list[str]]:
    """Return for each row the number of its words in ``columns``, (n,), and those words by number."""
    key, words = np.zeros(len(rows.at), np.int64), [""]
    for name in columns:
        encoded = rows.table[name].cast(arrow.string()).combine_chunks().dictionary_encode()
        index = encoded.indices.fill_null(-1).to_numpy(zero_copy_only=False)
        if (index < 0).any():
            where = rows.where(int(np.argmax(index < 0)))
            raise SettingsError(f"{name} is empty", where, "a name or number in every row")
        texts = [str(each) for each in encoded.dictionary.to_pylist()]
        key = key * len(texts) + index
        words = [f"{word}\t{text}" if word else text for word in words for text in texts]
    return key, words


def go_over(
    source: Source,
    roles: Mapping[str, str],
    time: TimeFound,
    streams: Sequence[StreamColumnNames],
    tick_s: float,
) -> AllRows:
    """Return what all rows of a file hold.

    ``tick_s`` are the seconds of a tick.

    Raises SettingsError for a row that does not hold what its columns promise.
    """
    found = AllRows()
    try:
        for rows in source.batches():
            _add(found, rows, roles, time, streams, tick_s)
    except ContractError as error:
        raise SettingsError(error.found, error.where, error.expected, error.remedy) from None
    return found


def _add(
    found: AllRows,
    rows: RowBatch,
    roles: Mapping[str, str],
    time: TimeFound,
    streams: Sequence[StreamColumnNames],
    tick_s: float,
) -> None:
    at = time.nanoseconds(rows)
    _refuse_unordered(found, rows, roles, at)
    first = found.span_ns[0] if found.rows else int(at.min())
    found.span_ns = min(first, int(at.min())), max(found.span_ns[1], int(at.max()))
    found.rows += len(at)
    if "node" in roles:
        key, words = keys_of(rows, [roles["node"]])
        for number, count in enumerate(np.bincount(key, minlength=len(words)).tolist()):
            found.nodes[words[number]] = found.nodes.get(words[number], 0) + count
    key, words = keys_of(rows, [roles[role] for role in ("node", "stream") if role in roles])
    counters = {role: rows.ints(roles[role]) for role in ("sequence", "ticks") if role in roles}
    for number, (label, columns, period_s) in enumerate(streams):
        there = np.zeros(len(at), np.bool_)
        for name in columns:
            there |= _numbers(found, rows, name)
        for each in np.unique(key[there]).tolist():
            if label is not None and words[each].split("\t")[-1] != label:
                continue
            own = there & (key == each)
            key_of = number, words[each]
            found.sequence.add(key_of, counters["sequence"][own], at[own], period_s, time.resolution_ns)
            if "ticks" in counters:
                found.ticks.add(key_of, counters["ticks"][own], at[own], tick_s, time.resolution_ns)


def _refuse_unordered(found: AllRows, rows: RowBatch, roles: Mapping[str, str], at: Ints) -> None:
    """Raise SettingsError where a file goes node by node, or stream by stream, and not with the time."""
    key, _ = keys_of(rows, [roles[role] for role in ("node", "stream") if role in roles])
    fell = np.diff(at, prepend=found.last_ns if found.rows else at[0])
    back = np.flatnonzero((fell < -BACK_NS) & (np.diff(key, prepend=key[0]) != 0))
    if len(back):
        raise SettingsError(
            f"goes back in time by {-fell[back[0]] / 1e9:,.0f} s, to rows of another node or stream",
            rows.where(int(back[0])),
            "rows in order of time, as a logger writes them",
            "Sort the rows of a copy by time; keep the order of rows that share one.",
        )
    found.last_ns = int(at[-1])


def _numbers(found: AllRows, rows: RowBatch, name: str) -> Bools:
    """Take in the numbers of a column; return where it has any, (n,)."""
    values, null = rows.measured(name)
    values = values[~null]
    if len(values):
        found.most[name] = max(found.most.get(name, 0.0), float(np.abs(values).max()))
        before, new = found.decimals.get(name, 0), None
        if before is not None:
            new = decimals_of(values)
        found.decimals[name] = None if before is None or new is None else max(before, new)
    return ~null
