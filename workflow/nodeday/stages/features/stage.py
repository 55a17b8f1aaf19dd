"""Stage `features`: beats, quality of the signal and features of epochs, from table ``samples``.

Writes tables ``beats``, ``rhythm``, ``signal_quality``, ``epochs``, ``calibration`` and ``bouts``.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import partial
from itertools import groupby

import numpy as np
import pandas as pd

from nodeday.config.device_records import calibration_of
from nodeday.config.models import Node
from nodeday.config.study import Study
from nodeday.core.arrays import Bools
from nodeday.core.parallel import map_on_cores
from nodeday.core.threads import one_thread
from nodeday.layouts import Kind
from nodeday.schemas import FEATURES, TABLES
from nodeday.stages.features import others, rows, steps
from nodeday.stages.features.heart import epochs as heart
from nodeday.stages.features.heart.analysis import (
    MARGIN_S,
    PIECE_S,
    EcgAnalysis,
    PieceAnalysis,
    analyse,
    analyse_piece,
)
from nodeday.stages.features.heart.ecg_stream import HeartStream
from nodeday.stages.features.heart.rhythm import rhythm_events
from nodeday.stages.features.motion import joint
from nodeday.stages.features.motion.calibrate import Temperature
from nodeday.stages.features.motion.epochs import Motion, motion_of
from nodeday.stages.features.pieces import ROWS, Cut, cuts, grouped, pieces_of
from nodeday.stages.features.stream import (
    RECEIVED,
    FeatureValues,
    Samples,
    SampleSource,
)
from nodeday.stages.features.windows import Windows, windows_over
from nodeday.storage import samples, session_cut, tables
from nodeday.storage.ledger import Entry, Ledger


@dataclass(frozen=True)
class StreamJob:
    """A stream by its number in the session, or of an ECG the ``cuts`` that are searched together."""

    stream: int
    node: Node
    kind: Kind
    cuts: list[Cut]


@dataclass(frozen=True)
class Computed:
    """The results of one stream.

    Features, its part of the ledger, rows of ``beats``, of ``rhythm`` and of ``signal_quality``, the epochs
    in which beats of an ECG are ``clear`` (:mod:`.steps`), and motion with the stream that it is of.
    """

    features: list[FeatureValues]
    entries: list[Entry]
    beats: pd.DataFrame | None = None
    rhythm: pd.DataFrame | None = None
    signal: pd.DataFrame | None = None
    clear: dict[tuple[str, str], Bools] = field(default_factory=dict)
    motion: tuple[Node, Kind, Motion] | None = None


@one_thread()
def run(study: Study, session: str, cores: int = 1) -> None:
    """Write a session's tables of features, as many streams at a time as there are ``cores``.

    A session without samples has no epoch, and its tables are empty.
    """
    ledger = Ledger("features", session)
    windows = _windows(study, session)
    streams = [
        (node, kind)
        for node, kind in study.streams_of(session)
        if samples.edges(study.results, session, node.node, kind) is not None
    ]
    computed = [
        _heart(study, session, windows, *stream, result, cores) if isinstance(result, EcgAnalysis) else result
        for stream, result in zip(streams, _results(study, session, windows, streams, cores), strict=True)
    ]
    features = [feature for one in computed for feature in one.features]
    clear = {stream: epochs for one in computed for stream, epochs in one.clear.items()}
    features = steps.without_step_rates(features, clear)
    features += joint.features_of(features)
    for name, parts in (
        ("beats", [one.beats for one in computed]),
        ("rhythm", [one.rhythm for one in computed]),
        ("signal_quality", [one.signal for one in computed]),
    ):
        present = [tables.empty(TABLES[name]), *(part for part in parts if part is not None)]
        tables.write(tables.path(study.results, name, session), TABLES[name], present)
    _write_motion(study, session, [one.motion for one in computed if one.motion])
    epochs = rows.epochs(study.session(session).participant, windows, features)
    tables.write(tables.path(study.results, "epochs", session), TABLES["epochs"], epochs)
    ledger.entries += [entry for one in computed for entry in one.entries]
    _account(ledger, windows, features, epochs)
    ledger.close(study.results)


def _windows(study: Study, session: str) -> Windows:
    """Return the session's epochs, from its written start or the first sample of any node to the last.

    Without a sample there are none.
    """
    cut = session_cut.read(study.results, session, study.is_cut(session))
    edges = [
        edge
        for node, kind in study.streams_of(session)
        for edge in samples.edges(study.results, session, node.node, kind) or ()
    ]
    seconds = study.file.epochs.seconds
    if not edges:
        return Windows(0, seconds, 0)
    start_ns, end_ns = (cut.start_ns, cut.end_ns) if cut else (None, None)
    last_ns = max(edges) if end_ns is None else end_ns - 1
    return windows_over(min(edges), last_ns, seconds, start_ns)


# --- jobs, some at a time ------------------------------------------------------------------


def _results(
    study: Study, session: str, windows: Windows, streams: list[tuple[Node, Kind]], cores: int
) -> list[Computed | EcgAnalysis]:
    """Return the result of each of a session's ``streams``; of an ECG, its analysis."""
    # Streams that are one job go first: a long ECG is many short ones, which leave no core waiting.
    jobs = sorted(_jobs(study, session, streams), key=lambda job: bool(job.cuts))
    done = zip(jobs, map_on_cores(partial(_compute, study, session, windows), jobs, cores), strict=True)
    results: dict[int, Computed | EcgAnalysis] = {}
    for number, pairs in groupby(done, lambda pair: pair[0].stream):
        parts, kind = (part for _, part in pairs), streams[number][1]
        if kind.is_ecg:
            pieces = (piece for part in parts if not isinstance(part, Computed) for piece in part)
            results[number] = analyse(pieces, kind.rate_hz or 1.0, windows)
        else:
            results[number] = next(part for part in parts if isinstance(part, Computed))
    return [results[number] for number in range(len(streams))]


def _jobs(study: Study, session: str, streams: list[tuple[Node, Kind]]) -> Iterator[StreamJob]:
    """Yield the jobs of a session: one for each stream, several for a long ECG."""
    for number, (node, kind) in enumerate(streams):
        if not kind.is_ecg:
            yield StreamJob(number, node, kind, [])
            continue
        rate_hz = kind.rate_hz or 1.0
        size, margin = round(PIECE_S * rate_hz), round(MARGIN_S * rate_hz)
        columns = ["boot", "seq", "rate_hz"] if len(_rates(study, session, node, kind)) > 1 else ["boot"]
        boots = samples.pieces(study.results, session, node.node, kind, columns)
        for group in grouped(cuts(boots, size, margin, rate_hz), size + 2 * margin):
            yield StreamJob(number, node, kind, group)


def _rates(study: Study, session: str, node: Node, kind: Kind) -> list[float]:
    """Return the different rates of a stream, that of its first kind first."""
    kinds = study.layout_of(session, node.node).kinds_of(kind.stream)
    return list(dict.fromkeys(each.rate_hz or 1.0 for each in kinds))


def _compute(study: Study, session: str, windows: Windows, job: StreamJob) -> Computed | list[PieceAnalysis]:
    """Return the result of a job; of an ECG, the analyses of its pieces."""
    if job.cuts:
        return _analyse_pieces(study, session, windows, job)
    source = _source(study, session, job.node, job.kind, windows)
    if not job.kind.is_acceleration:
        found = others.features_of(source)
        return Computed(found.features, [_entry(source, found.rows, found.received)])
    motion = _motion(study, session, source)
    entries = [_entry(source, motion.rows, motion.received)]
    return Computed(motion.features, entries, motion=(job.node, job.kind, motion))


def _source(study: Study, session: str, node: Node, kind: Kind, windows: Windows) -> SampleSource:
    """Return a stream whose rows are read as they are asked for."""
    channels, rates = [channel.name for channel in kind.channels], _rates(study, session, node, kind)

    def read() -> Iterator[Samples]:
        columns = ["utc_ns", "origin", *channels, *(["rate_hz"] if len(rates) > 1 else [])]
        for table in samples.pieces(study.results, session, node.node, kind, columns):
            yield Samples.of(table, channels)

    groups = samples.groups(study.results, session, node.node, kind)
    return SampleSource(node, kind, groups, read, windows, study.file.epochs, tuple(rates))


def _entry(source: SampleSource, total: int, received: int) -> Entry:
    """Return the ledger's entry of a stream's samples."""
    parts = {"received": received, "not_received": total - received}
    return Entry("samples", f"{source.node.node}/{source.kind.stream}", total, parts)


# --- heart ----------------------------------------------------------------------------------


def _analyse_pieces(study: Study, session: str, windows: Windows, job: StreamJob) -> list[PieceAnalysis]:
    """Return the analysis of each piece of an ECG stream that is in a job."""
    channel, first, last = job.kind.channels[0].name, job.cuts[0].low, job.cuts[-1].high
    columns = ["utc_ns", channel, "origin", f"{channel}_quality", "fill_probability"]
    stored = samples.pieces(study.results, session, job.node.node, job.kind, columns, first, last)
    pieces = pieces_of((table.rename_columns(ROWS) for table in stored), job.cuts)
    return [analyse_piece(piece, job.kind.rate_hz or 1.0, windows) for piece in pieces]


def _heart(
    study: Study, session: str, windows: Windows, node: Node, kind: Kind, analysis: EcgAnalysis, cores: int
) -> Computed:
    """Return the results of an ECG stream, from its analysis."""
    who = study.session(session).participant
    person = next((one for one in study.participants if one.participant == who), None)
    stream = HeartStream(node, kind, windows, analysis, study.file.epochs, study.file.heart, person)
    beats = rows.beats(node.node, analysis.beats)
    features = heart.features_of(stream, partial(map_on_cores, cores=cores))
    clear = {(node.node, kind.stream): steps.clear_epochs(analysis.signal, windows)}
    rhythm = rows.rhythm(stream, rhythm_events(stream, features))
    signal = rows.signal_quality(stream)
    return Computed(features, _heart_entries(stream, beats), beats, rhythm, signal, clear)


def _heart_entries(stream: HeartStream, beats: pd.DataFrame) -> list[Entry]:
    """Return the ledger's entries of an ECG: its samples, and its beats by the status of their interval."""
    analysis, scope = stream.analysis, f"{stream.node.node}/{stream.kind.stream}"
    parts = {"received": analysis.samples - analysis.not_received, "not_received": analysis.not_received}
    by_status = {str(key): int(n) for key, n in beats["rr_status"].value_counts().items()}
    return [
        Entry("samples", scope, analysis.samples, parts),
        Entry("beats", scope, len(analysis.beats.utc_ns), by_status),
    ]


# --- motion ---------------------------------------------------------------------------------


def _motion(study: Study, session: str, stream: SampleSource) -> Motion:
    """Return the motion of one acceleration stream, calibrated by the bench or by itself."""
    bench = calibration_of(study, session, stream.node.node)
    mounting = study.file.motion.mounting.get(stream.node.placement)
    return motion_of(stream, bench, _temperature(study, session, stream.node), mounting)


def _temperature(study: Study, session: str, node: Node) -> Temperature | None:
    """Return what the node's own thermometer measured; None where it has none, or nothing was received."""
    every = study.layout_of(session, node.node).streams
    kinds = [kind for kind in every if kind.type in (None, "temperature")]
    channels = [(kind, channel.name) for kind in kinds for channel in kind.channels if channel.unit == "degC"]
    for kind, name in channels:
        columns = ["utc_ns", "value", "origin"]
        measured = samples.read(study.results, session, node.node, kind, columns, channel=name)
        measured = measured[measured["origin"].isin(RECEIVED)].sort_values("utc_ns")
        if len(measured):
            return measured["utc_ns"].to_numpy(np.int64), measured["value"].to_numpy(np.float64)
    return None


def _write_motion(study: Study, session: str, motions: list[tuple[Node, Kind, Motion]]) -> None:
    """Write tables ``calibration`` and ``bouts``."""
    target = tables.path(study.results, "calibration", session)
    tables.write(target, TABLES["calibration"], rows.calibration(motions))
    bouts = [tables.empty(TABLES["bouts"]), *(rows.bouts(*one) for one in motions)]
    tables.write(tables.path(study.results, "bouts", session), TABLES["bouts"], bouts)


def _account(ledger: Ledger, windows: Windows, features: list[FeatureValues], epochs: pd.DataFrame) -> None:
    """Enter into the ledger that every feature has a row in every epoch: a value, or a reason."""
    for one in FEATURES:
        series = sum(feature.name == one.name for feature in features)
        values = epochs.loc[epochs["feature"] == one.name, "value"]
        if series:
            null = int(values.isna().sum())
            ledger.add("epochs", one.name, series * windows.count, value=len(values) - null, null=null)
