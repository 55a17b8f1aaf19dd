"""All samples of one stream of a node, from its frames, gaps and clock, before anything is filled."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from nodeday.errors import ContractError
from nodeday.layouts import Kind, instant_of, payload_matrix, unpack_counts
from nodeday.layouts.dealing import dealt_shift
from nodeday.repair.lay import Laid, follow_each_other, lay, sample_times

MEASURED, RECOVERED, INTERPOLATED, MISSING = range(4)
"""Places in ``codes.ORIGIN``."""


@dataclass(frozen=True)
class _Boot:
    """One boot of a stream: its frames in place, which frames no fill may touch, and the ``order``
    (f x samples) in which their samples follow each other, with the times in that order."""

    boot: int
    laid: Laid
    order: NDArray[np.int64]
    utc_ns: NDArray[np.int64]
    barred: NDArray[np.bool_]


@dataclass(frozen=True)
class Stream:
    """All samples (n,) of one stream of a node, boots one after the other; channels are columns.

    ``received`` is an index into ``codes.ORIGIN`` (never interpolated), ``counts`` is (n, channels),
    ``barred`` says where no fill is allowed, ``unplaced`` counts the sample instants of boots without
    a clock: all of them, and those received.
    """

    node: str
    kind: Kind
    boot: NDArray[np.int32]
    seq: NDArray[np.int64]
    position: NDArray[np.int16]
    utc_ns: NDArray[np.int64]
    received: NDArray[np.int8]
    barred: NDArray[np.bool_]
    counts: NDArray[np.int32]
    unplaced: tuple[int, int]


def assemble(
    node: str, kind: Kind, frames: pd.DataFrame, gaps: pd.DataFrame, knots: pd.DataFrame, tick_hz: float
) -> Stream:
    """Lay and time each boot of a stream from its own rows of the three tables.

    A boot without a map cannot be placed in time; it is left out and counted in ``unplaced``.
    Raises ContractError where counters contradict each other or payloads differ in length.
    """
    boots, expected, received = [], 0, 0
    numbers = frames["boot"].to_numpy(np.int64)
    for boot in np.unique(numbers).tolist():
        line, rows = knots[knots["boot"] == boot], np.flatnonzero(numbers == boot)
        if len(line) < 2:
            seq = frames["seq"].to_numpy()[rows]
            expected += int(seq.max() - seq.min() + 1) * kind.samples
            received += len(rows) * kind.samples
            continue
        try:
            boots.append(_boot(boot, kind, frames, rows, gaps, line, tick_hz))
        except ValueError as error:
            raise ContractError(str(error), f"node {node}, stream {kind.stream}, boot {boot}") from error
    return _joined(node, kind, frames, boots, (expected, received))


def _boot(
    boot: int, kind: Kind, frames: pd.DataFrame, rows: NDArray[np.int64], gaps: pd.DataFrame,
    knots: pd.DataFrame, tick_hz: float,
) -> _Boot:  # fmt: skip
    per_sample = tick_hz / (kind.rate_hz or 1.0)
    own = frames.iloc[rows]
    seq = own["seq"].to_numpy()
    straight = np.rint(own["ticks"].to_numpy() - dealt_shift(kind, seq, per_sample)).astype(np.int64)
    laid = lay(seq, straight, (own["status"] != "inconsistent").to_numpy(), per_sample * kind.samples)
    places = laid.first_seq + np.arange(len(laid.row))
    ticks = np.rint(laid.ticks + dealt_shift(kind, places, per_sample)).astype(np.int64)
    laid = Laid(laid.first_seq, np.where(laid.received, rows[laid.row], -1), ticks)
    times = sample_times(
        laid.ticks, kind.samples, per_sample * kind.interleave, kind.stamp == "last",
        knots["ticks"].to_numpy(), knots["utc_ns"].to_numpy(),
    )  # fmt: skip
    times -= round(kind.converter_ms * 1e6)
    barred = np.zeros(len(laid.row), np.bool_)
    never = gaps[(gaps["boot"] == boot) & (gaps["cause"] == "hub_outage") & (gaps["extent"] == "known")]
    for start, end in zip(never["seq_from"], never["seq_to"], strict=True):
        barred[max(start - laid.first_seq, 0) : max(end - laid.first_seq, 0)] = True
    order = np.argsort(instant_of(kind, places[:, None], np.arange(kind.samples)).ravel(), kind="stable")
    return _Boot(boot, laid, order, follow_each_other(times.ravel()[order]), barred)


def _joined(
    node: str, kind: Kind, frames: pd.DataFrame, boots: list[_Boot], unplaced: tuple[int, int]
) -> Stream:
    size = kind.samples
    rows = _concatenated([each.laid.row for each in boots], np.int64)
    counts = np.zeros((len(rows), size, len(kind.channels)), np.int32)
    got = rows >= 0
    counts[got] = unpack_counts(payload_matrix(frames["payload"], kind.payload_bytes), kind)[rows[got]]
    copy = np.where(frames["capture"].to_numpy() > 0, RECOVERED, MEASURED).astype(np.int8)
    origin = np.full(len(rows), MISSING, np.int8)
    origin[got] = copy[rows[got]]
    lengths = [len(each.laid.row) for each in boots]
    seq = [each.laid.first_seq + np.arange(length) for each, length in zip(boots, lengths, strict=True)]
    before = np.cumsum([0, *lengths]) * size
    order = _concatenated([each.order + first for each, first in zip(boots, before, strict=False)], np.int64)
    return Stream(
        node, kind,
        np.repeat(np.array([each.boot for each in boots], np.int32), np.multiply(lengths, size).astype(int)),
        np.repeat(_concatenated(seq, np.int64), size)[order],
        np.tile(np.arange(size, dtype=np.int16), len(rows))[order],
        _concatenated([each.utc_ns for each in boots], np.int64),
        np.repeat(origin, size)[order],
        np.repeat(_concatenated([each.barred for each in boots], np.bool_), size)[order],
        counts.reshape(-1, len(kind.channels))[order],
        unplaced,
    )  # fmt: skip


def _concatenated(parts: list[NDArray[Any]], dtype: type) -> NDArray[Any]:
    return np.concatenate([np.zeros(0, dtype), *parts])
