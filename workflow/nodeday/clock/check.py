"""Tables ``movements`` and ``agreement``: clocks held against movements that several nodes felt."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from nodeday import tables, timeline
from nodeday.clock.movements import Match, Pair, Signal, corrections, matches, moments, pairs_of
from nodeday.layouts import Kind, Layout, payload_matrix, unpack_counts
from nodeday.schemas import TABLES
from nodeday.schemas.codes import DISTINCT
from nodeday.settings import HUB, Study

COLUMNS = ["stream", "boot", "ticks", "payload", "status"]
STATED_S = 120
"""A noted movement lies within so many seconds of the note. Choice of this project."""


def checked(
    study: Study, session: str, clock: pd.DataFrame
) -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]:
    """Table ``clock``, corrected where the study asks for that, and tables ``movements`` and
    ``agreement``."""
    signals = [
        each for node in study.nodes_of(session).values() if node.node != HUB
        for each in _signals(study, session, node.node, clock)
    ]  # fmt: skip
    told = [at for start, end in _stated(study, session) for at in moments(signals, (start, end))]
    near = [at for at in moments(signals) if all(abs(at - other) > 5e9 for other in told)]
    rows = [("stated", each) for each in matches(signals, told)]
    rows += [("found", each) for each in matches(signals, near)]
    pairs = pairs_of([each for _, each in rows])
    band = {each.node: _band(clock, each.node) for each in signals}
    fix: dict[str, float] = {}
    if study.file.movements.correct:
        fix = corrections([each for each in pairs], band) if _disagree(pairs, band) else {}
        clock = _corrected(clock, fix, max((each.uncertainty_ms for each in pairs), default=0.0))
    names = sorted(each.node for each in signals)
    return clock, _movement_rows(rows), _agreement_rows(names, pairs, band, fix)


def _stated(study: Study, session: str) -> list[tuple[int, int]]:
    """Stretches in which the events note a movement."""
    wanted, out = study.file.movements.phases, []
    for name, start, end in study.phases_of(session):
        if name.split("-")[0] in wanted:
            last = start + STATED_S * 1_000_000_000
            out.append((start, last if end is None else min(end, last)))
    return out


def _signals(study: Study, session: str, node: str, clock: pd.DataFrame) -> list[Signal]:
    """A node's acceleration, where it measures one in three channels of g; the faster of several."""
    layout = study.layout_of(session, node)
    kinds = [kind for kind in layout.kinds if [c.unit for c in kind.channels] == ["g"] * 3]
    for kind in sorted(kinds, key=lambda each: -(each.rate_hz or 0.0)):
        wanted = [("node", "==", node), ("stream", "==", kind.stream)]
        frames = tables.read(tables.path(study.results, "frames", session), "frames", COLUMNS, wanted)
        frames = frames[frames["status"].isin(DISTINCT)].reset_index(drop=True)
        knots = clock[(clock["node"] == node) & clock["stream"].isin(["*", kind.stream])]
        if len(frames) and len(knots):
            signal = _signal(node, layout, kind, frames, knots)
            return [signal] if len(signal.utc_ns) > 1 else []
    return []


def _signal(node: str, layout: Layout, kind: Kind, frames: pd.DataFrame, knots: pd.DataFrame) -> Signal:
    counts = unpack_counts(payload_matrix(frames["payload"], kind.payload_bytes), kind)
    scale, offset = (np.array([getattr(c, name) for c in kind.channels]) for name in ("scale", "offset"))
    size = np.linalg.norm(counts * scale + offset, axis=-1) - 1.0
    rate_hz = kind.rate_hz or 1.0
    place = np.arange(kind.samples) - (kind.samples - 1 if kind.stamp == "last" else 0)
    wait_ns = np.rint((place * kind.interleave / rate_hz - kind.converter_ms / 1e3) * 1e9).astype(np.int64)
    times, values = [], []
    for boot, rows in frames.groupby("boot").groups.items():
        line = knots[knots["boot"] == boot]
        if len(line) > 1:
            ticks = frames["ticks"].to_numpy()[rows]
            stamp = timeline.ticks_to_utc(ticks, line["ticks"].to_numpy(), line["utc_ns"].to_numpy())
            times.append((stamp[:, None] + wait_ns).ravel())
            values.append(size[rows].ravel())
    at = np.concatenate([np.zeros(0, np.int64), *times])
    order = np.argsort(at, kind="stable")
    return Signal(node, at[order], np.concatenate([np.zeros(0), *values])[order], rate_hz)


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


def _movement_rows(rows: list[tuple[str, Match]]) -> pd.DataFrame:
    rows = sorted(rows, key=lambda each: (each[1].node, each[1].other, each[1].utc_ns))
    columns: dict[str, Any] = {
        name: [getattr(each, name) for _, each in rows] for name in ("node", "other", "utc_ns", "offset_ms",
                                                                     "correlation", "uncertainty_ms")
    }  # fmt: skip
    columns["source"] = [source for source, _ in rows]
    columns["utc_ns"] = np.array(columns["utc_ns"], np.int64)
    for name in ("offset_ms", "correlation", "uncertainty_ms"):
        columns[name] = np.array(columns[name], np.float64)
    return tables.build(TABLES["movements"], columns)


def _agreement_rows(
    names: list[str], pairs: list[Pair], band: dict[str, float], fix: dict[str, float]
) -> pd.DataFrame:
    told = {(each.node, each.other): each for each in pairs}
    rows = []
    for at, one in enumerate(names):
        for other in names[at + 1 :]:
            claimed, pair = float(np.hypot(band[one], band[other])), told.get((one, other))
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
