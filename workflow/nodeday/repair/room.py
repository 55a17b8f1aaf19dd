"""Room `repair`: tables ``samples`` and ``aligned`` from ``frames``, ``gaps`` and ``clock``."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from nodeday import tables
from nodeday.errors import ContractError
from nodeday.layouts import Channel, Kind
from nodeday.ledger import Ledger
from nodeday.repair import aligned, quality
from nodeday.repair.fill import fill
from nodeday.repair.gaps import fillable
from nodeday.repair.stream import INTERPOLATED, MISSING, Stream, assemble
from nodeday.schemas import TABLES, codes
from nodeday.sections import Fill
from nodeday.settings import HUB, Study

SECOND = 1_000_000_000
ORIGINS, QUALITIES = pd.CategoricalDtype(list(codes.ORIGIN)), pd.CategoricalDtype(list(codes.QUALITY))
PIECE = 500_000
"""Rows built, checked and written at a time."""


def run(study: Study, session: str) -> None:
    """Write a session's samples and grid; raise ContractError where no sample can be placed in time."""
    ledger, placed = Ledger("repair", session), []
    with tables.writer(tables.path(study.results, "samples", session), TABLES["samples"]) as out:
        for node, kind, frames, gaps, stream in _streams(study, session):
            counted = _write(out, stream, study.file.fill.get(kind.stream, Fill()))
            _account(ledger, frames, gaps, stream, counted)
            if len(stream.utc_ns):
                first, last = int(stream.utc_ns.min()), int(stream.utc_ns.max())
                placed += [aligned.Source(node, each.name, kind.rate_hz or 1.0, first, last)
                           for each in kind.channels]  # fmt: skip
        if not placed:
            raise ContractError(
                "no sample could be placed in time", f"session {session}", "frames and a clock"
            )
    aligned.write(study, session, placed)
    ledger.close(study.results)


def _streams(study: Study, session: str) -> Iterator[tuple[str, Kind, pd.DataFrame, pd.DataFrame, Stream]]:
    """Each stream that was heard, one at a time: node, kind, its frames and gaps, its samples."""
    every = tables.read(tables.path(study.results, "gaps", session), "gaps")
    clock = tables.read(tables.path(study.results, "clock", session), "clock")
    for node in study.nodes_of(session).values():
        layout = study.layout_of(session, node.node)
        for kind in layout.kinds:
            if node.node == HUB or not kind.channels:
                continue
            frames = _frames(study, session, node.node, kind)
            if not len(frames):
                continue
            gaps = every[(every["node"] == node.node) & (every["stream"] == kind.stream)]
            knots = clock[(clock["node"] == node.node) & clock["stream"].isin(["*", kind.stream])]
            tick_hz = layout.tick_hz(kind.stream)
            yield node.node, kind, frames, gaps, assemble(node.node, kind, frames, gaps, knots, tick_hz)


def _frames(study: Study, session: str, node: str, kind: Kind) -> pd.DataFrame:
    """Distinct received frames of a stream, in order of capture."""
    columns = ["capture", "boot", "seq", "ticks", "samples", "payload", "status"]
    wanted = [("node", "==", node), ("stream", "==", kind.stream)]
    rows = tables.read(tables.path(study.results, "frames", session), "frames", columns, wanted)
    return rows[rows["status"].isin(codes.DISTINCT)].reset_index(drop=True)


def _write(out: tables.Writer, stream: Stream, policy: Fill) -> NDArray[np.int64]:
    """Write all channels of a stream; return its sample instants by origin (of the first channel)."""
    counted = np.zeros(len(codes.ORIGIN), np.int64)
    for index, channel in enumerate(stream.kind.channels):
        counts = stream.counts[:, index]
        value, origin, grade = _channel(stream, channel, counts, policy)
        if index == 0:
            counted = np.bincount(origin, minlength=len(codes.ORIGIN))
        for rows in _pieces(len(origin)):
            out.write(_table(stream, channel.name, rows, counts, value, origin, grade))
    return counted


def _channel(
    stream: Stream, channel: Channel, counts: NDArray[np.int32], policy: Fill
) -> tuple[NDArray[np.float32], NDArray[np.int8], NDArray[np.int8]]:
    """Values, origins and quality (n,) of one channel, short gaps filled by ``policy``."""
    present, rate = stream.received != MISSING, stream.kind.rate_hz or 1.0
    at_rail = present & quality.clipped(counts, channel.rails)
    still = np.zeros(len(counts), np.bool_)
    if stream.kind.stream == "ecg" and channel.unit == "mV":
        still = quality.flat(counts, present, stream.boot, quality.FLAT_MS * rate / 1000)
    value = np.where(present, counts * channel.scale + channel.offset, np.nan)
    origin = stream.received.copy()
    if policy.method != "none" and policy.max_ms > 0:
        most = policy.max_ms * rate / 1000
        for boot in np.unique(stream.boot):
            start, end = np.searchsorted(stream.boot, [boot, boot + 1])
            part = slice(start, end)
            may = fillable(present[part], ~at_rail[part], stream.barred[part], most)
            seconds = (stream.utc_ns[part] - stream.utc_ns[start]) / SECOND
            value[part] = fill(seconds, value[part], present[part], may, policy.method)
            origin[part] = np.where(may, INTERPOLATED, origin[part])
    return value.astype(np.float32), origin, quality.grade(present, at_rail, still)


def _pieces(n: int) -> Iterator[slice]:
    for start in range(0, n, PIECE):
        yield slice(start, min(start + PIECE, n))


def _constant(text: str, n: int) -> object:
    return pd.Categorical.from_codes(np.zeros(n, np.int8), dtype=pd.CategoricalDtype([text]))


def _table(
    stream: Stream, channel: str, rows: slice, counts: NDArray[np.int32], value: NDArray[np.float32],
    origin: NDArray[np.int8], grade: NDArray[np.int8],
) -> pd.DataFrame:  # fmt: skip
    n = rows.stop - rows.start
    lost = stream.received[rows] == MISSING
    columns = {
        "node": _constant(stream.node, n),
        "stream": _constant(stream.kind.stream, n),
        "channel": _constant(channel, n),
        "boot": stream.boot[rows],
        "seq": stream.seq[rows],
        "position": stream.position[rows],
        "utc_ns": stream.utc_ns[rows],
        "raw": pd.arrays.IntegerArray(counts[rows].copy(), lost),
        "value": value[rows],
        "origin": pd.Categorical.from_codes(origin[rows], dtype=ORIGINS),
        "quality": pd.Categorical.from_codes(grade[rows], dtype=QUALITIES),
    }
    return tables.build(TABLES["samples"], columns)


def _account(
    ledger: Ledger, frames: pd.DataFrame, gaps: pd.DataFrame, stream: Stream, counted: NDArray[np.int64]
) -> None:
    """Expected comes from frames and gaps, the parts from the rows written; they meet or the run stops."""
    scope = f"{stream.node}/{stream.kind.stream}"
    written = dict(zip(codes.ORIGIN, counted.tolist(), strict=True))
    got = int(frames["samples"].sum())
    lost = int(gaps.loc[gaps["extent"] == "known", "frames"].sum()) * stream.kind.samples
    every, received = stream.unplaced
    ledger.add("samples", scope, got + lost, **written, no_clock=every)
    kept = {origin: written[origin] for origin in ("measured", "recovered")}
    ledger.add("samples received", scope, got, **kept, no_clock=received)
