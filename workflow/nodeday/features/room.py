"""Room `features`: tables ``beats`` and ``epochs`` from ``samples``."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial

import numpy as np
import pandas as pd

from nodeday import samples, tables
from nodeday.arrays import Floats, Ints
from nodeday.calibration import calibration_of
from nodeday.errors import ContractError
from nodeday.features import others
from nodeday.features.heart import epochs as heart
from nodeday.features.heart.beats import Beats
from nodeday.features.heart.listen import MARGIN_S, PIECE_S, listen
from nodeday.features.motion import joint
from nodeday.features.motion import rows as motion_rows
from nodeday.features.motion.calibrate import Temperature
from nodeday.features.motion.epochs import Motion, motion_of
from nodeday.features.pieces import ROWS, cut, rows_of
from nodeday.features.stream import RECEIVED, Feature, Samples, Stream, is_acceleration, is_ecg
from nodeday.features.windows import Windows, windows_over
from nodeday.layouts import Kind
from nodeday.ledger import Entry, Ledger
from nodeday.parallel import each
from nodeday.schemas import FEATURES, TABLES, codes
from nodeday.sections import Node
from nodeday.settings import Study


@dataclass(frozen=True)
class Computed:
    """What comes of one stream: features, rows of ``beats`` and of ``signal_quality``, motion with the
    stream it is of, part of the ledger."""

    features: list[Feature]
    entries: list[Entry]
    beats: pd.DataFrame | None = None
    signal: pd.DataFrame | None = None
    motion: tuple[Stream, Motion] | None = None


def run(study: Study, session: str, cores: int = 1) -> None:
    """Write a session's beats and epochs, as many streams at a time as there are ``cores``; raise
    ContractError where there is no sample at all."""
    ledger = Ledger("features", session)
    windows = _windows(study, session)
    own = [one for one in study.streams_of(session)
           if samples.edges(study.results, session, one[0].node, one[1]) is not None]  # fmt: skip
    # What is computed of a stream is kept, and its samples are gone before the next one's are read.
    streams = list(each(partial(_computed, study, session, windows), own, cores))
    features = [feature for one in streams for feature in one.features]
    features += joint.features_of(features)
    for name, parts in (("beats", [one.beats for one in streams]),
                        ("signal_quality", [one.signal for one in streams])):  # fmt: skip
        rows = [tables.empty(TABLES[name]), *(part for part in parts if part is not None)]
        tables.write(tables.path(study.results, name, session), TABLES[name], rows)
    _write_motion(study, session, [one.motion for one in streams if one.motion])
    epochs = _epoch_rows(study.session(session).participant, windows, features)
    tables.write(tables.path(study.results, "epochs", session), TABLES["epochs"], epochs)
    ledger.entries += [entry for one in streams for entry in one.entries]
    _account(ledger, windows, features, epochs)
    ledger.close(study.results)


def _computed(study: Study, session: str, windows: Windows, one: tuple[Node, Kind]) -> Computed:
    node, kind = one
    if is_ecg(kind):
        own = _heart(study, session, node, kind, windows)
        beats = _beat_rows(node.node, own.heard.beats)
        return Computed(heart.features_of(own), _heart_entries(own, beats), beats, _quality_rows(own))
    stream = _stream(study, session, node, kind, windows)
    entries = [_stream_entry(stream)]
    if not is_acceleration(kind):
        return Computed(others.features_of(stream), entries)
    motion = _motion(study, session, stream)
    return Computed(motion.features, entries, motion=(stream.without_samples(), motion))


def _windows(study: Study, session: str) -> Windows:
    """The session's epochs, from the first sample instant of any node to the last."""
    edges = [
        edge for node, kind in study.streams_of(session)
        for edge in samples.edges(study.results, session, node.node, kind) or ()
    ]  # fmt: skip
    if not edges:
        raise ContractError("holds no sample", f"session {session}, table samples", "at least one")
    return windows_over(min(edges), max(edges), study.file.epochs.seconds)


def _stream(study: Study, session: str, node: Node, kind: Kind, windows: Windows) -> Stream:
    channels = [channel.name for channel in kind.channels]
    stored = samples.pieces(study.results, session, node.node, kind, ["utc_ns", "origin", *channels])
    most = round((kind.rate_hz or 1.0) * windows.count * windows.seconds)
    return Stream(node, kind, Samples.joined(stored, channels, most), windows, study.file.epochs)


def _heart(study: Study, session: str, node: Node, kind: Kind, windows: Windows) -> heart.HeartStream:
    """An ECG stream with its beats and the quality of each ten seconds."""
    channel, rate_hz = kind.channels[0].name, kind.rate_hz or 1.0
    columns = ["boot", "utc_ns", channel, "origin", f"{channel}_quality"]
    stored = samples.pieces(study.results, session, node.node, kind, columns)
    rows = (each for table in stored for each in rows_of(table.rename_columns(ROWS)))
    heard = listen(cut(rows, round(PIECE_S * rate_hz), round(MARGIN_S * rate_hz)), rate_hz, windows)
    who = study.session(session).participant
    person = next((each for each in study.participants if each.participant == who), None)
    return heart.HeartStream(node, kind, windows, heard, study.file.epochs, study.file.heart, person)


def _stream_entry(stream: Stream) -> Entry:
    parts = {"received": int(stream.held.sum()), "not_received": int((~stream.received).sum())}
    return Entry("samples", f"{stream.node.node}/{stream.kind.stream}", len(stream.utc_ns), parts)


def _heart_entries(own: heart.HeartStream, beats: pd.DataFrame) -> list[Entry]:
    heard, scope = own.heard, f"{own.node.node}/{own.kind.stream}"
    parts = {"received": int(heard.received[-1]), "not_received": heard.not_received}
    by_status = {str(key): int(n) for key, n in beats["rr_status"].value_counts().items()}
    return [Entry("samples", scope, heard.samples, parts),
            Entry("beats", scope, len(heard.beats.utc_ns), by_status)]  # fmt: skip


def _quality_rows(own: heart.HeartStream) -> pd.DataFrame:
    table, rows = TABLES["signal_quality"], own.heard.signal
    return tables.build(table, {
        **{name: rows[name].to_numpy() for name in table.names if name in rows},
        "node": np.full(len(rows), own.node.node, object),
        "channel": np.full(len(rows), own.kind.stream, object),
        "beats": rows["beats"].to_numpy(np.int64),
        "use": _coded(rows["use"].to_numpy(np.int64), list(codes.SIGNAL_USE)),
    })  # fmt: skip


def _write_motion(study: Study, session: str, moved: list[tuple[Stream, Motion]]) -> None:
    target = tables.path(study.results, "calibration", session)
    tables.write(target, TABLES["calibration"], motion_rows.calibration(moved))
    bouts = [tables.empty(TABLES["bouts"]), *(motion_rows.bouts(*each) for each in moved)]
    tables.write(tables.path(study.results, "bouts", session), TABLES["bouts"], bouts)


def _motion(study: Study, session: str, stream: Stream) -> Motion:
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


def _epoch_rows(participant: str, windows: Windows, features: list[Feature]) -> pd.DataFrame:
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


def _account(ledger: Ledger, windows: Windows, features: list[Feature], epochs: pd.DataFrame) -> None:
    """Every feature of every stream has a row in every epoch: a value, or a reason."""
    for one in FEATURES:
        series = sum(feature.name == one.name for feature in features)
        rows = epochs[epochs["feature"] == one.name]
        if series:
            null = int(rows["value"].isna().sum())
            ledger.add("epochs", one.name, series * windows.count, value=len(rows) - null, null=null)
