"""Facts of one finished session that the study needs, gathered from its tables."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import product

import numpy as np
import pandas as pd

from nodeday.config import device_records
from nodeday.config.study import HUB, Study
from nodeday.core import timeline
from nodeday.core.arrays import Floats
from nodeday.core.errors import ContractError
from nodeday.layouts import Kind
from nodeday.stages.study import rules
from nodeday.stages.study.epochs import EpochMatrix, FeatureSeries, epoch_matrix
from nodeday.stages.study.phases import SECOND, FeatureRow, Phase, feature_rows, inside, phases_of
from nodeday.storage import session_cut, tables
from nodeday.storage.frames import FrameStamps, Key, columns_of, frame_stamps
from nodeday.storage.session_cut import SessionCut


@dataclass(frozen=True)
class Received:
    """Distinct frames of a stream that hold samples: how many, and the sample instants in them.

    Instants at other rates count as many as at the rate of the stream's first kind would fill their time.
    ``ticks`` are the first and the last by boot and kind of frame.
    """

    frames: int
    samples: float
    ticks: dict[tuple[int, int], tuple[int, int]]


Frames = Mapping[Key, Received]
"""What was received of each node and stream that holds samples."""

COLUMNS = (
    "participant",
    "session",
    "node",
    "channel",
    "feature",
    "finished",
    "hours",
    "coverage",
    "valid",
    "uncertainty_ms",
    "calibrated",
    "bench_passed",
)
"""Columns of the series that rules apply to."""


@dataclass(frozen=True)
class NodeFacts:
    """Facts of a node in a session: counts, coverage of its weakest stream, its widest uncertainty.

    ``below`` is the share of epochs in which the node is below a limit; ``calibrated`` and ``bench_passed``
    are 1, 0, or NaN without a record of its device.
    """

    node: str
    placement: str
    coverage: float
    received: int
    lost: int
    restarts: int
    unknown_gaps: int
    uncertainty_ms: float | None
    below: float
    calibrated: float
    bench_passed: float


@dataclass(frozen=True)
class SessionFacts:
    """Facts of a session, all but its epochs.

    The span [start, end) in ns UTC, as written or of its samples; its nodes; its phases, and how many epochs
    lie in each from end to end (``in_phase``); how many epochs it has, and how many values in them; its k
    series, and the share (k,) of its epochs in which each has a value; its rows of ``phase_features``.
    """

    session: str
    participant: str
    start_ns: int
    end_ns: int
    nodes: list[NodeFacts]
    phases: list[Phase]
    in_phase: list[int]
    epochs: int
    values: int
    series: list[FeatureSeries]
    valid: Floats
    phase_features: list[FeatureRow]

    @property
    def hours(self) -> float:
        """Length of the span in hours."""
        return (self.end_ns - self.start_ns) / (3600 * SECOND)


def gather(study: Study, session: str) -> SessionFacts:
    """Return the facts of ``session``, from its tables.

    Raises ContractError where a table is absent or no sample could be placed in time.
    """

    def table(name: str, columns: list[str]) -> pd.DataFrame:
        return tables.read(tables.path(study.results, name, session), name, columns)

    cut = session_cut.read(study.results, session, study.is_cut(session))
    frames = received(study, session, cut)
    gaps = table("gaps", ["node", "stream", "frames", "extent"])
    clock = table("clock", ["node", "stream", "boot", "ticks", "utc_ns", "uncertainty_ms"])
    epochs = epochs_of(study, session)
    recorded = span(study, session, frames, clock, cut)
    nodes = [
        _node(study, session, row.node, row.placement, recorded, frames, gaps, clock, epochs)
        for row in study.nodes_of(session).values()
        if row.node != HUB
    ]
    phases, who = phases_of(study.phases_of(session), *recorded), study.session(session).participant
    return SessionFacts(
        session,
        who,
        *recorded,
        nodes,
        phases,
        [int(inside(epochs, phase, recorded).sum()) for phase in phases],
        len(epochs.number),
        int((~np.isnan(epochs.value)).sum()),
        epochs.series,
        epochs.valid,
        feature_rows(session, who, epochs, phases, recorded),
    )


def received(study: Study, session: str, cut: SessionCut | None) -> dict[Key, Received]:
    """Return what a session has of each stream of the sensor nodes, a stream in memory at a time."""
    found = {}
    for key, columns in columns_of(study.results, session).items():
        stamps = frame_stamps(columns, cut.of(key).hold if cut else None)
        if key[0] != HUB and len(stamps.boot):
            kinds = study.layout_of(session, key[0]).kinds_of(key[1])
            ticks = {
                (int(boot), kind.kind): (int(own.min()), int(own.max()))
                for kind, boot in product(kinds, np.unique(stamps.boot))
                if len(own := stamps.ticks[(stamps.boot == boot) & (stamps.kind == kind.kind)])
            }
            found[key] = Received(len(stamps.boot), _samples(stamps, kinds), ticks)
    return found


def _samples(stamps: FrameStamps, kinds: Sequence[Kind]) -> float:
    """Return the sample instants of a stream, as many as its first kind's rate would fill their time."""
    of_kind = [int(np.count_nonzero(stamps.kind == kind.kind)) * kind.samples for kind in kinds]
    first = kinds[0].rate_hz or 1.0
    return sum(n * (first / (kind.rate_hz or 1.0)) for n, kind in zip(of_kind, kinds, strict=True))


def epochs_of(study: Study, session: str) -> EpochMatrix:
    """Return the epochs of a session; raises ContractError where their table is absent."""
    return epoch_matrix(tables.read(tables.path(study.results, "epochs", session), "epochs"))


def span(
    study: Study, session: str, frames: Frames, clock: pd.DataFrame, cut: SessionCut | None = None
) -> tuple[int, int]:
    """Return the first sample instant of all nodes, and one sample period past the last, in ns UTC.

    In their places stand the session's start and end where these are written.
    """
    edges = []
    for (node, stream), received in frames.items():
        kinds = {kind.kind: kind for kind in study.layout_of(session, node).kinds_of(stream)}
        maps = clock[(clock["node"] == node) & clock["stream"].isin(["*", stream])]
        for (boot, number), ticks in received.ticks.items():
            knots, kind = maps[maps["boot"] == boot], kinds[number]
            if len(knots) < 2 or kind.rate_hz is None:
                continue
            ends = np.array(ticks, dtype=np.int64)
            utc = timeline.ticks_to_utc(ends, knots["ticks"].to_numpy(), knots["utc_ns"].to_numpy())
            period = SECOND / kind.rate_hz
            before = round((kind.samples - 1) * period) if kind.stamp == "last" else 0
            edges.append((int(utc[0]) - before, int(utc[1]) - before + round(kind.samples * period)))
    if not edges:
        raise ContractError("no sample could be placed in time", f"session {session}", "frames and a clock")
    start, end = min(first for first, _ in edges), max(last for _, last in edges)
    if cut is not None:
        start = start if cut.start_ns is None else cut.start_ns
        end = end if cut.end_ns is None else cut.end_ns
    return start, end


def _node(
    study: Study,
    session: str,
    node: str,
    placement: str,
    recorded: tuple[int, int],
    frames: Frames,
    gaps: pd.DataFrame,
    clock: pd.DataFrame,
    epochs: EpochMatrix,
) -> NodeFacts:
    """Return the facts of one node over the span ``recorded``."""
    layout, limits = study.layout_of(session, node), study.file.limits
    lost, knots = (table[table["node"] == node] for table in (gaps, clock))
    streams = {stream: received for (name, stream), received in frames.items() if name == node}
    boots = {boot for received in streams.values() for boot, _ in received.ticks}
    seconds = (recorded[1] - recorded[0]) / SECOND
    shares = [
        rules.coverage(received.samples, layout.stream(stream).rate_hz or 1.0, seconds)
        for stream, received in streams.items()
    ]
    weakest = np.fmin.reduce(epochs.coverage[epochs.of(node)], axis=0, initial=np.nan)
    widths = rules.uncertainty_at(
        epochs.start_ns + (epochs.end_ns - epochs.start_ns) // 2,
        knots["utc_ns"].to_numpy(np.int64),
        knots["uncertainty_ms"].to_numpy(np.float64),
    )
    below = rules.share_below(weakest, widths, limits.min_coverage, limits.max_clock_uncertainty_ms)
    return NodeFacts(
        node,
        placement,
        min(shares, default=0.0),
        sum(received.frames for received in streams.values()),
        int(lost["frames"].fillna(0).sum()),
        max(len(boots) - 1, 0),
        int((lost["extent"] == "unknown").sum()),
        _widest(knots, recorded),
        below,
        *_device(study, session, node),
    )


def _widest(knots: pd.DataFrame, recorded: tuple[int, int]) -> float | None:
    """Return the greatest uncertainty of a node's clock over the span ``recorded``; None without a clock."""
    if not len(knots):
        return None
    utc_ns, width = knots["utc_ns"].to_numpy(np.int64), knots["uncertainty_ms"].to_numpy(np.float64)
    at_ns = np.append(utc_ns[(utc_ns >= recorded[0]) & (utc_ns < recorded[1])], recorded)
    return float(rules.uncertainty_at(at_ns, utc_ns, width).max())


def _device(study: Study, session: str, node: str) -> tuple[float, float]:
    """Return whether the node's device has coefficients and whether it passed its bench: 1, 0 or NaN."""
    last = device_records.record_of(study, session, node)
    if last is None:
        return float("nan"), float("nan")
    calibration = device_records.calibration_of(study, session, node)
    return float(calibration is not None), float(last.verdict == "pass")


def series(study: Study, facts: list[SessionFacts]) -> pd.DataFrame:
    """Return the series that rules apply to: a row for each feature of each node of each listed session.

    With all that was measured of it, in ``COLUMNS``. A node without features has a row with neither channel
    nor feature, and so has one of a session that is not finished; a participant without sessions has a row
    without a session.
    """
    done, rows = {one.session: one for one in facts}, []
    for name, sheet in study.sessions.items():
        if name in done:
            rows += _finished(done[name])
        else:
            nodes = [row.node for row in study.nodes if row.session in ("*", name) and row.node != HUB]
            rows += [
                (sheet.participant, name, node, "", "", 0.0) + (np.nan,) * 6 for node in dict.fromkeys(nodes)
            ]
    seen = {sheet.participant for sheet in study.sessions.values()}
    rows += [
        (person.participant, "", "", "", "", 0.0) + (np.nan,) * 6
        for person in study.participants
        if person.participant not in seen
    ]
    return pd.DataFrame(rows, columns=list(COLUMNS))


def _finished(session: SessionFacts) -> list[tuple[object, ...]]:
    """Return the series of a finished session, as tuples of ``COLUMNS``."""
    rows: list[tuple[object, ...]] = []
    for node in session.nodes:
        of_node = [
            (key.channel, key.feature, share)
            for key, share in zip(session.series, session.valid, strict=True)
            if key.node == node.node
        ]
        width = np.nan if node.uncertainty_ms is None else node.uncertainty_ms
        for channel, feature, share in of_node or [("", "", np.nan)]:
            rows.append(
                (
                    session.participant,
                    session.session,
                    node.node,
                    channel,
                    feature,
                    1.0,
                    session.hours,
                    node.coverage,
                    share,
                    width,
                    node.calibrated,
                    node.bench_passed,
                )
            )
    return rows
