"""Stage `features`: tables ``beats`` and ``epochs`` from ``samples``."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import partial
from itertools import groupby

import numpy as np
import pandas as pd

from nodeday.config.device_records import calibration_of
from nodeday.config.models import Node
from nodeday.config.study import Study
from nodeday.core.arrays import Floats, Ints
from nodeday.core.errors import ContractError
from nodeday.core.parallel import map_on_cores
from nodeday.core.threads import one_thread
from nodeday.layouts import Kind
from nodeday.schemas import FEATURES, TABLES, codes
from nodeday.stages.features import others
from nodeday.stages.features.heart import epochs as heart
from nodeday.stages.features.heart.analysis import (
    MARGIN_S,
    PIECE_S,
    EcgAnalysis,
    PieceAnalysis,
    analyse,
    analyse_piece,
)
from nodeday.stages.features.heart.beats import Beats
from nodeday.stages.features.motion import joint
from nodeday.stages.features.motion import rows as motion_rows
from nodeday.stages.features.motion.calibrate import Temperature
from nodeday.stages.features.motion.epochs import Motion, motion_of
from nodeday.stages.features.pieces import ROWS, Cut, cuts, pieces_of, together
from nodeday.stages.features.stream import (
    RECEIVED,
    FeatureValues,
    Samples,
    SampleSource,
    is_acceleration,
    is_ecg,
)
from nodeday.stages.features.windows import Windows, windows_over
from nodeday.storage import samples, tables
from nodeday.storage.ledger import Entry, Ledger


@dataclass(frozen=True)
class StreamJob:
    """A stream, by its number among the session's own, or ``cuts`` of an ECG that are searched together."""

    stream: int
    node: Node
    kind: Kind
    cuts: list[Cut]


@dataclass(frozen=True)
class Computed:
    """What comes of one stream: features, rows of ``beats`` and of ``signal_quality``, motion with the
    stream it is of, part of the ledger.
    """

    features: list[FeatureValues]
    entries: list[Entry]
    beats: pd.DataFrame | None = None
    signal: pd.DataFrame | None = None
    motion: tuple[Node, Kind, Motion] | None = None


@one_thread()
def run(study: Study, session: str, cores: int = 1) -> None:
    """Write a session's beats and epochs, as many streams at a time as there are ``cores``; raise
    ContractError where there is no sample at all.
    """
    ledger = Ledger("features", session)
    windows = _windows(study, session)
    own = [
        one
        for one in study.streams_of(session)
        if samples.edges(study.results, session, one[0].node, one[1]) is not None
    ]
    streams = [
        _of_heart(study, session, windows, *one, found, cores) if isinstance(found, EcgAnalysis) else found
        for one, found in zip(own, _streams(study, session, windows, own, cores), strict=True)
    ]
    features = [feature for one in streams for feature in one.features]
    features += joint.features_of(features)
    for name, parts in (
        ("beats", [one.beats for one in streams]),
        ("signal_quality", [one.signal for one in streams]),
    ):
        rows = [tables.empty(TABLES[name]), *(part for part in parts if part is not None)]
        tables.write(tables.path(study.results, name, session), TABLES[name], rows)
    _write_motion(study, session, [one.motion for one in streams if one.motion])
    epochs = _epoch_rows(study.session(session).participant, windows, features)
    tables.write(tables.path(study.results, "epochs", session), TABLES["epochs"], epochs)
    ledger.entries += [entry for one in streams for entry in one.entries]
    _account(ledger, windows, features, epochs)
    ledger.close(study.results)


def _streams(
    study: Study, session: str, windows: Windows, own: list[tuple[Node, Kind]], cores: int
) -> list[Computed | EcgAnalysis]:
    """What comes of each of a session's ``own`` streams; of an ECG, what was heard of it."""
    # Streams that are one job go first: a long ECG is many short ones, which leave no core waiting.
    jobs = sorted(_jobs(study, session, own), key=lambda job: bool(job.cuts))
    done = zip(jobs, map_on_cores(partial(_done, study, session, windows), jobs, cores), strict=True)
    found: dict[int, Computed | EcgAnalysis] = {}
    for number, pairs in groupby(done, lambda pair: pair[0].stream):
        parts, kind = (part for _, part in pairs), own[number][1]
        if is_ecg(kind):
            pieces = (each for part in parts if not isinstance(part, Computed) for each in part)
            found[number] = analyse(pieces, kind.rate_hz or 1.0, windows)
        else:
            found[number] = next(part for part in parts if isinstance(part, Computed))
    return [found[number] for number in range(len(own))]


def _jobs(study: Study, session: str, own: list[tuple[Node, Kind]]) -> Iterator[StreamJob]:
    for number, (node, kind) in enumerate(own):
        if not is_ecg(kind):
            yield StreamJob(number, node, kind, [])
            continue
        rate_hz = kind.rate_hz or 1.0
        size, margin = round(PIECE_S * rate_hz), round(MARGIN_S * rate_hz)
        boots = samples.pieces(study.results, session, node.node, kind, ["boot"])
        for pieces in together(cuts(boots, size, margin), size + 2 * margin):
            yield StreamJob(number, node, kind, pieces)


def _done(study: Study, session: str, windows: Windows, job: StreamJob) -> Computed | list[PieceAnalysis]:
    if job.cuts:
        return _heard(study, session, windows, job)
    source = _source(study, session, job.node, job.kind, windows)
    if not is_acceleration(job.kind):
        told = others.features_of(source)
        return Computed(told.features, [_entry(source, told.rows, told.received)])
    motion = _motion(study, session, source)
    entries = [_entry(source, motion.rows, motion.received)]
    return Computed(motion.features, entries, motion=(job.node, job.kind, motion))


def _of_heart(
    study: Study, session: str, windows: Windows, node: Node, kind: Kind, heard: EcgAnalysis, cores: int
) -> Computed:
    """What comes of an ECG stream, from what was heard of it."""
    who = study.session(session).participant
    person = next((one for one in study.participants if one.participant == who), None)
    own = heart.HeartStream(node, kind, windows, heard, study.file.epochs, study.file.heart, person)
    beats = _beat_rows(node.node, own.heard.beats)
    features = heart.features_of(own, partial(map_on_cores, cores=cores))
    return Computed(features, _heart_entries(own, beats), beats, _quality_rows(own))


def _windows(study: Study, session: str) -> Windows:
    """The session's epochs, from the first sample instant of any node to the last."""
    edges = [
        edge
        for node, kind in study.streams_of(session)
        for edge in samples.edges(study.results, session, node.node, kind) or ()
    ]
    if not edges:
        raise ContractError("holds no sample", f"session {session}, table samples", "at least one")
    return windows_over(min(edges), max(edges), study.file.epochs.seconds)


def _source(study: Study, session: str, node: Node, kind: Kind, windows: Windows) -> SampleSource:
    """A stream's rows, read as they are asked for."""
    channels = [channel.name for channel in kind.channels]

    def read() -> Iterator[Samples]:
        columns = ["utc_ns", "origin", *channels]
        for table in samples.pieces(study.results, session, node.node, kind, columns):
            yield Samples.of(table, channels)

    groups = samples.groups(study.results, session, node.node, kind)
    return SampleSource(node, kind, groups, read, windows, study.file.epochs)


def _heard(study: Study, session: str, windows: Windows, job: StreamJob) -> list[PieceAnalysis]:
    """What is left of some pieces of an ECG stream."""
    channel, first, last = job.kind.channels[0].name, job.cuts[0].low, job.cuts[-1].high
    columns = ["utc_ns", channel, "origin", f"{channel}_quality"]
    stored = samples.pieces(study.results, session, job.node.node, job.kind, columns, first, last)
    pieces = pieces_of((table.rename_columns(ROWS) for table in stored), job.cuts)
    return [analyse_piece(piece, job.kind.rate_hz or 1.0, windows) for piece in pieces]


def _entry(source: SampleSource, rows: int, received: int) -> Entry:
    parts = {"received": received, "not_received": rows - received}
    return Entry("samples", f"{source.node.node}/{source.kind.stream}", rows, parts)


def _heart_entries(own: heart.HeartStream, beats: pd.DataFrame) -> list[Entry]:
    heard, scope = own.heard, f"{own.node.node}/{own.kind.stream}"
    parts = {"received": int(heard.received[-1]), "not_received": heard.not_received}
    by_status = {str(key): int(n) for key, n in beats["rr_status"].value_counts().items()}
    return [
        Entry("samples", scope, heard.samples, parts),
        Entry("beats", scope, len(heard.beats.utc_ns), by_status),
    ]


def _quality_rows(own: heart.HeartStream) -> pd.DataFrame:
    table, rows = TABLES["signal_quality"], own.heard.signal
    return tables.build(
        table,
        {
            **{name: rows[name].to_numpy() for name in table.names if name in rows},
            "node": np.full(len(rows), own.node.node, object),
            "channel": np.full(len(rows), own.kind.stream, object),
            "beats": rows["beats"].to_numpy(np.int64),
            "use": _coded(rows["use"].to_numpy(np.int64), list(codes.SIGNAL_USE)),
        },
    )


def _write_motion(study: Study, session: str, moved: list[tuple[Node, Kind, Motion]]) -> None:
    target = tables.path(study.results, "calibration", session)
    tables.write(target, TABLES["calibration"], motion_rows.calibration(moved))
    bouts = [tables.empty(TABLES["bouts"]), *(motion_rows.bouts(*each) for each in moved)]
    tables.write(tables.path(study.results, "bouts", session), TABLES["bouts"], bouts)


def _motion(study: Study, session: str, stream: SampleSource) -> Motion:
    """Motion of one acceleration stream, calibrated by the bench or by itself."""
    bench = calibration_of(study, session, stream.node.node)
    mounting = study.file.motion.mounting.get(stream.node.placement)
    return motion_of(stream, bench, _temperature(study, session, stream.node), mounting)


def _temperature(study: Study, session: str, node: Node) -> Temperature | None:
    """What the node's own thermometer said; None where it has none, or nothing of it was received."""
    kinds = study.layout_of(session, node.node).kinds
    channels = [(kind, each.name) for kind in kinds for each in kind.channels if each.unit == "degC"]
    for kind, name in channels:
        columns = ["utc_ns", "value", "origin"]
        rows = samples.read(study.results, session, node.node, kind, columns, channel=name)
        rows = rows[rows["origin"].isin(RECEIVED)].sort_values("utc_ns")
        if len(rows):
            return rows["utc_ns"].to_numpy(np.int64), rows["value"].to_numpy(np.float64)
    return None


def _beat_rows(node: str, beats: Beats) -> pd.DataFrame:
    n = len(beats.utc_ns)
    return tables.build(
        TABLES["beats"],
        {
            "node": np.full(n, node, object),
            "boot": beats.boot,
            "utc_ns": beats.utc_ns,
            "amplitude_mv": beats.height_mv.astype(np.float32),
            "origin": _coded(beats.origin, list(codes.BEAT_ORIGIN)),
            "rr_ms": beats.rr_ms,
            "rr_status": _coded(beats.status.astype(np.int64), list(codes.RR_STATUS)),
        },
    )


def _coded(places: Ints, names: list[str]) -> pd.Categorical[str]:
    """Codes by their place in ``names``; none for -1."""
    return pd.Categorical.from_codes(places, pd.Index(names))


def _epoch_rows(participant: str, windows: Windows, features: list[FeatureValues]) -> pd.DataFrame:
    n, k = windows.count, len(features)

    def each(values: list[str]) -> pd.Series[str]:
        return pd.Series(np.repeat(np.array(values, object), n), dtype="object")

    def joined(name: str) -> Floats:
        return np.concatenate([getattr(feature, name) for feature in features])

    without = (*(np.full(n, np.nan) for _ in range(3)), np.full(n, -1))
    low, high, bias, how = (
        np.concatenate(part) for part in zip(*(each.bars or without for each in features), strict=True)
    )

    return tables.build(
        TABLES["epochs"],
        {
            "participant": each([participant] * k),
            "node": each([feature.node.node for feature in features]),
            "placement": each([feature.node.placement for feature in features]),
            "channel": each([feature.channel for feature in features]),
            "epoch": np.tile(np.arange(n, dtype=np.int32), k),
            "start_ns": np.tile(windows.starts_ns, k),
            "end_ns": np.tile(windows.starts_ns + windows.seconds * 1_000_000_000, k),
            "feature": each([feature.name for feature in features]),
            "value": joined("value"),
            "coverage": joined("coverage"),
            "reason": _coded(joined("reason").astype(np.int64), list(codes.NO_VALUE)),
            "low": low,
            "high": high,
            "bias": bias,
            "bar": _coded(how, list(codes.LOSS_BAR)),
        },
    )


def _account(ledger: Ledger, windows: Windows, features: list[FeatureValues], epochs: pd.DataFrame) -> None:
    """Every feature of every stream has a row in every epoch: a value, or a reason."""
    for one in FEATURES:
        series = sum(feature.name == one.name for feature in features)
        rows = epochs[epochs["feature"] == one.name]
        if series:
            null = int(rows["value"].isna().sum())
            ledger.add("epochs", one.name, series * windows.count, value=len(rows) - null, null=null)
