"""Facts of one finished session that the study needs, gathered from its tables."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from nodeday.config import device_records
from nodeday.config.study import HUB, Study
from nodeday.core.arrays import Floats
from nodeday.layouts import Layout
from nodeday.stages.study import rules
from nodeday.stages.study.epochs import EpochMatrix, FeatureSeries, epoch_matrix
from nodeday.stages.study.phases import SECOND, FeatureRow, Phase, feature_rows, inside, phases_of
from nodeday.stages.study.recorded import Received, Streams, hub_hours, received, span
from nodeday.storage import session_cut, shares, tables

COLUMNS = (
    "participant",
    "session",
    "node",
    "channel",
    "feature",
    "finished",
    "hours",
    "coverage",
    "carries_samples",
    "valid",
    "uncertainty_ms",
    "calibrated",
    "bench_passed",
)
"""Columns of the series that rules apply to."""


@dataclass(frozen=True)
class NodeFacts:
    """Facts of a node in a session: counts, coverage of its weakest stream, its widest uncertainty.

    ``coverage`` is NaN with a ``coverage_reason``, a code of NO_COVERAGE; ``below`` is the share of epochs in
    which the node is below a limit; ``calibrated`` and ``bench_passed`` are 1, 0, or NaN without a record of
    its device.
    """

    node: str
    placement: str
    coverage: float
    coverage_reason: str | None
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

    The span [start, end) in ns UTC, as written or of its received samples (of its frames where none holds
    samples, None where no clock leads to UTC), and its length in ``hours`` (by the hub's clock where there is
    no span); its nodes; its phases, and how many epochs lie in each from end to end (``in_phase``); how many
    epochs it has, and how many values in them; its k series, and the share (k,) of its epochs in which each
    has a value; its rows of ``phase_features``.
    """

    session: str
    participant: str
    span: tuple[int, int] | None
    hours: float
    nodes: list[NodeFacts]
    phases: list[Phase]
    in_phase: list[int]
    epochs: int
    values: int
    series: list[FeatureSeries]
    valid: Floats
    phase_features: list[FeatureRow]


def gather(study: Study, session: str) -> SessionFacts:
    """Return the facts of ``session``, from its tables.

    Raises ContractError where a table is absent, or there are samples and none could be placed in time.
    """

    def table(name: str, columns: list[str]) -> pd.DataFrame:
        return tables.read(tables.path(study.results, name, session), name, columns)

    cut = session_cut.read(study.results, session, study.is_cut(session))
    frames = received(study, session, cut)
    gaps = table("gaps", ["node", "stream", "boot", "frames", "extent", "before_hub_ns", "after_hub_ns"])
    clock = table("clock", ["node", "stream", "boot", "ticks", "utc_ns", "uncertainty_ms"])
    epochs = epochs_of(study, session)
    recorded = span(study, session, frames, clock, gaps, cut)
    hours = (recorded[1] - recorded[0]) / (3600 * SECOND) if recorded else hub_hours(study, session)
    nodes = [
        _node(study, session, row.node, row.placement, hours, recorded, frames, gaps, clock, epochs)
        for row in study.nodes_of(session).values()
        if row.node != HUB
    ]
    phases = phases_of(study.phases_of(session), *recorded) if recorded else []
    who = study.session(session).participant
    return SessionFacts(
        session,
        who,
        recorded,
        hours,
        nodes,
        phases,
        [int(inside(epochs, phase, recorded).sum()) for phase in phases if recorded],
        len(epochs.number),
        int((~np.isnan(epochs.value)).sum()),
        epochs.series,
        epochs.valid,
        feature_rows(session, who, epochs, phases, recorded) if recorded else [],
    )


def epochs_of(study: Study, session: str) -> EpochMatrix:
    """Return the epochs of a session; raises ContractError where their table is absent."""
    return epoch_matrix(tables.read(tables.path(study.results, "epochs", session), "epochs"))


def _node(
    study: Study,
    session: str,
    node: str,
    placement: str,
    hours: float,
    recorded: tuple[int, int] | None,
    frames: Streams,
    gaps: pd.DataFrame,
    clock: pd.DataFrame,
    epochs: EpochMatrix,
) -> NodeFacts:
    """Return the facts of one node over a session of so many ``hours``."""
    layout, limits = study.layout_of(session, node), study.file.limits
    lost, knots = (table[table["node"] == node] for table in (gaps, clock))
    streams = {stream: received for (name, stream), received in frames.items() if name == node}
    boots = {boot for received in streams.values() for boot, _ in received.ticks}
    covered, reason = _coverage(layout, streams, lost, hours)
    weakest = np.fmin.reduce(epochs.coverage[epochs.of(node)], axis=0, initial=np.nan)
    widths = rules.uncertainty_at(
        epochs.start_ns + (epochs.end_ns - epochs.start_ns) // 2,
        knots["utc_ns"].to_numpy(np.int64),
        knots["uncertainty_ms"].to_numpy(np.float64),
    )
    no_samples = reason == "no_samples"
    below = (
        0.0
        if no_samples
        else rules.share_below(weakest, widths, limits.min_coverage, limits.max_clock_uncertainty_ms)
    )
    return NodeFacts(
        node,
        placement,
        covered,
        reason,
        sum(received.frames for received in streams.values()),
        int(lost["frames"].fillna(0).sum()),
        max(len(boots) - 1, 0),
        int((lost["extent"] == "unknown").sum()),
        _widest(knots, recorded),
        below,
        *_device(study, session, node),
    )


def _widest(knots: pd.DataFrame, recorded: tuple[int, int] | None) -> float | None:
    """Return the greatest uncertainty of a node's clock over the span ``recorded``; None without a clock."""
    if not len(knots) or recorded is None:
        return None
    utc_ns, width = knots["utc_ns"].to_numpy(np.int64), knots["uncertainty_ms"].to_numpy(np.float64)
    at_ns = np.append(utc_ns[(utc_ns >= recorded[0]) & (utc_ns < recorded[1])], recorded)
    return float(rules.uncertainty_at(at_ns, utc_ns, width).max())


def _coverage(
    layout: Layout, streams: Mapping[str, Received], lost: pd.DataFrame, hours: float
) -> tuple[float, str | None]:
    """Return the coverage of a node's weakest stream of samples, or NaN and the reason why it has none.

    ``lost`` are the node's gaps.
    """
    if not any(kind.channels for kind in layout.kinds):
        return float("nan"), "no_samples"
    lost_of = lost.groupby("stream", observed=True)["frames"].sum()
    covered = [
        shares.coverage(
            own.sample_s,
            3600 * hours,
            shares.frame_loss(float(lost_of.get(stream, 0.0)), own.frames),
        )
        for stream, own in streams.items()
        if own.sample_s
    ]
    if streams and not covered:
        return float("nan"), "none_with_samples"
    return min(covered, default=0.0), None


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
                (sheet.participant, name, node, "", "", 0.0) + (np.nan,) * 7 for node in dict.fromkeys(nodes)
            ]
    seen = {sheet.participant for sheet in study.sessions.values()}
    rows += [
        (person.participant, "", "", "", "", 0.0) + (np.nan,) * 7
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
                    float(node.coverage_reason != "no_samples"),
                    share,
                    width,
                    node.calibrated,
                    node.bench_passed,
                )
            )
    return rows
