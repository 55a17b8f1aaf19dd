"""Tables ``movements`` and ``agreement``: clocks held against movements that several nodes felt."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np
import pandas as pd

from nodeday.config.study import HUB, Study
from nodeday.core import timeline
from nodeday.core.arrays import Bytes, Singles
from nodeday.layouts import Kind, unpack_counts
from nodeday.schemas import TABLES
from nodeday.schemas.codes import DISTINCT
from nodeday.stages.clock.movements import (
    MovementMatch,
    MovementSignal,
    Pair,
    corrections,
    jerks,
    matches,
    moments,
    pairs_of,
)
from nodeday.storage import frames, tables
from nodeday.storage.frames import FrameColumns, Key, is_in
from nodeday.storage.payloads import Payloads

STATED_S = 120
"""A noted movement lies within so many seconds of the note. Choice of this project."""


def checked(
    study: Study, session: str, clock: pd.DataFrame, felt: list[MovementSignal]
) -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]:
    """Return tables ``clock``, ``movements`` and ``agreement``, by what the nodes felt on these clocks.

    The clocks are corrected where the study asks for that.
    """
    hard = jerks(felt)
    noted = [at for start, end in _stated(study, session) for at in moments(hard, (start, end))]
    near = [at for at in moments(hard) if all(abs(at - other) > 5e9 for other in noted)]
    # A moment after the other, so that the payloads around it are read once.
    rows = [("stated", each) for at in noted for each in matches(felt, [at])]
    rows += [("found", each) for at in near for each in matches(felt, [at])]
    pairs = pairs_of([each for _, each in rows])
    band = {each.node: _band(clock, each.node) for each in felt}
    fix: dict[str, float] = {}
    if study.file.movements.correct:
        fix = corrections([each for each in pairs], band) if _disagree(pairs, band) else {}
        clock = _corrected(clock, fix, max((each.uncertainty_ms for each in pairs), default=0.0))
    names = sorted(each.node for each in felt)
    return clock, _movement_rows(rows), _agreement_rows(names, pairs, band, fix)


def _stated(study: Study, session: str) -> list[tuple[int, int]]:
    """Stretches in which the events note a movement."""
    out = []
    for name, start, end in study.phases_of(session):
        if study.file.movements.noted_by(name):
            last = start + STATED_S * 1_000_000_000
            out.append((start, last if end is None else min(end, last)))
    return out


def kinds_of(study: Study, session: str) -> dict[Key, tuple[Kind, ...]]:
    """Kinds of frame of streams of acceleration in three channels of g, by node and stream."""
    return {
        (node.node, kind.stream): study.layout_of(session, node.node).kinds_of(kind.stream)
        for node in study.nodes_of(session).values()
        if node.node != HUB
        for kind in study.layout_of(session, node.node).streams
        if kind.type in (None, "acceleration") and [c.unit for c in kind.channels] == ["g"] * 3
    }


def signals(
    study: Study,
    session: str,
    streams: Mapping[Key, FrameColumns],
    kinds: Mapping[Key, tuple[Kind, ...]],
    clock: pd.DataFrame,
) -> Iterator[MovementSignal]:
    """Give the acceleration of each node that measures one and has a map; the faster of several.

    Of a stream that changed its rate, the part at the rate with most frames.
    """
    done = set[str]()
    sent = [key for key in kinds if key in streams]
    for key in sorted(sent, key=lambda one: -(kinds[one][0].rate_hz or 0.0)):
        node, stream = key
        knots = clock[(clock["node"] == node) & clock["stream"].isin(["*", stream])]
        if node not in done and len(knots):
            done.add(node)
            number, shared = streams[key]["kind"], len(kinds[key]) > 1
            kind = max(kinds[key], key=lambda one: np.count_nonzero(number == one.kind))
            payload = Payloads(frames.path(study.results, session, key), kind, shared=shared)
            signal = _signal(node, kind, streams[key], payload, knots)
            if len(signal.stamp_ns) * len(signal.wait_ns) > 1:
                yield signal


def _signal(
    node: str, kind: Kind, columns: FrameColumns, payload: Payloads, knots: pd.DataFrame
) -> MovementSignal:
    rate_hz = kind.rate_hz or 1.0
    position = np.arange(kind.samples) - (kind.samples - 1 if kind.stamp == "last" else 0)
    wait_ns = np.rint((position * kind.interleave / rate_hz - kind.converter_ms / 1e3) * 1e9).astype(np.int64)
    distinct, boot, ticks = is_in(columns["status"], DISTINCT), columns["boot"], columns["ticks"]
    distinct &= columns["kind"] == kind.kind
    rows, stamps = [np.zeros(0, np.int64)], [np.zeros(0, np.int64)]
    for number in np.unique(boot).tolist():
        line = knots[knots["boot"] == number]
        if len(line) > 1:
            rows.append(np.flatnonzero(distinct & (boot == number)))
            knot_ticks, knot_utc = line["ticks"].to_numpy(), line["utc_ns"].to_numpy()
            stamps.append(timeline.ticks_to_utc(ticks[rows[-1]], knot_ticks, knot_utc))
    return MovementSignal.of(
        node,
        np.concatenate(stamps),
        wait_ns,
        np.concatenate(rows),
        rate_hz,
        lambda wanted: _size_g(payload[wanted], kind),
    )


def _size_g(payload: Bytes, kind: Kind) -> Singles:
    """Magnitude of acceleration less 1 g of frames (f, bytes), (f, samples)."""
    counts, square = unpack_counts(payload, kind), np.zeros((len(payload), kind.samples), np.float32)
    for at, channel in enumerate(kind.channels):
        square += (counts[:, :, at] * np.float32(channel.scale) + np.float32(channel.offset)) ** 2
    return np.sqrt(square) - np.float32(1)


def _band(clock: pd.DataFrame, node: str) -> float:
    return float(clock.loc[clock["node"] == node, "uncertainty_ms"].median())


def _apart(pair: Pair, band: dict[str, float]) -> bool:
    claimed = np.hypot(band[pair.node], band[pair.other])
    return bool(abs(pair.offset_ms) > np.hypot(claimed, pair.uncertainty_ms))


def _disagree(pairs: list[Pair], band: dict[str, float]) -> bool:
    return any(_apart(each, band) for each in pairs)


def _corrected(clock: pd.DataFrame, fix: dict[str, float], band_ms: float) -> pd.DataFrame:
    add = clock["node"].astype(str).map(fix).fillna(0.0).to_numpy(np.float64)
    wide = np.where(add != 0, np.hypot(clock["uncertainty_ms"], band_ms), clock["uncertainty_ms"])
    moved = clock["utc_ns"].to_numpy() + np.rint(add * 1e6).astype(np.int64)
    return clock.assign(utc_ns=moved, corrected_ms=add, uncertainty_ms=wide)


def _movement_rows(rows: list[tuple[str, MovementMatch]]) -> pd.DataFrame:
    rows = sorted(rows, key=lambda each: (each[1].node, each[1].other, each[1].utc_ns))
    columns: dict[str, Any] = {
        name: [getattr(each, name) for _, each in rows]
        for name in ("node", "other", "utc_ns", "offset_ms", "correlation", "uncertainty_ms")
    }
    columns["source"] = [source for source, _ in rows]
    columns["utc_ns"] = np.array(columns["utc_ns"], np.int64)
    for name in ("offset_ms", "correlation", "uncertainty_ms"):
        columns[name] = np.array(columns[name], np.float64)
    return tables.build(TABLES["movements"], columns)


def _agreement_rows(
    names: list[str], pairs: list[Pair], band: dict[str, float], fix: dict[str, float]
) -> pd.DataFrame:
    by_nodes = {(each.node, each.other): each for each in pairs}
    rows = []
    for at, one in enumerate(names):
        for other in names[at + 1 :]:
            claimed, pair = float(np.hypot(band[one], band[other])), by_nodes.get((one, other))
            if pair is None:
                rows.append((one, other, 0, np.nan, np.nan, claimed, "no_movement"))
                continue
            verdict = "disagrees" if _apart(pair, band) else "agrees"
            if verdict == "disagrees" and (one in fix or other in fix):
                verdict = "corrected"
            rows.append((one, other, pair.moments, pair.offset_ms, pair.uncertainty_ms, claimed, verdict))
    columns: dict[str, Any] = {
        name: [row[at] for row in rows] for at, name in enumerate(TABLES["agreement"].names)
    }
    columns["moments"] = np.array(columns["moments"], np.int32)
    for name in ("offset_ms", "uncertainty_ms", "clock_ms"):
        columns[name] = np.array(columns[name], np.float64)
    return tables.build(TABLES["agreement"], columns)
