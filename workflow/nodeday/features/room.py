"""Room `features`: tables ``beats`` and ``epochs`` from ``samples``."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd

from nodeday import tables
from nodeday.errors import ContractError
from nodeday.features import heart, motion
from nodeday.features.beats import Beats, beats_of
from nodeday.features.spread import mean_and_spread
from nodeday.features.stretches import Bools, Floats, Ints
from nodeday.features.windows import Windows, coverage, judged, ratio, windows_over
from nodeday.layouts import Channel, Kind
from nodeday.ledger import Ledger
from nodeday.schemas import FEATURES, TABLES, codes
from nodeday.sections import Node
from nodeday.settings import HUB, Study

RECEIVED = ("measured", "recovered")
SAMPLE_COLUMNS = ["boot", "utc_ns", "value", "origin", "quality"]


@dataclass(frozen=True)
class Feature:
    """One feature of one channel in every epoch: values, coverage and reasons, (count,) each."""

    node: Node
    channel: str
    name: str
    value: Floats
    coverage: Floats
    reason: Ints


def is_ecg(kind: Kind) -> bool:
    return kind.stream == "ecg" and [channel.unit for channel in kind.channels] == ["mV"]


def is_acceleration(kind: Kind) -> bool:
    """Three axes x, y and z in g."""
    return {(each.name, each.unit) for each in kind.channels} == {("x", "g"), ("y", "g"), ("z", "g")}


def run(study: Study, session: str) -> None:
    """Write a session's beats and epochs; raise ContractError where there is no sample at all."""
    ledger = Ledger("features", session)
    windows = _windows(study, session)
    features: list[Feature] = []
    with tables.writer(tables.path(study.results, "beats", session), TABLES["beats"]) as out:
        out.write(tables.empty(TABLES["beats"]))
        for node, kind in _streams(study, session):
            found, beats = _features(study, session, node, kind, windows, ledger)
            features += found
            if beats is not None:
                rows = _beat_rows(node.node, beats)
                out.write(rows)
                by_status = {str(key): n for key, n in rows["rr_status"].value_counts().items()}
                ledger.add("beats", f"{node.node}/{kind.stream}", len(beats.utc_ns), **by_status)
    epochs = _epoch_rows(study.session(session).participant, windows, features)
    tables.write(tables.path(study.results, "epochs", session), TABLES["epochs"], epochs)
    _account(ledger, windows, features, epochs)
    ledger.close(study.results)


def _streams(study: Study, session: str) -> Iterator[tuple[Node, Kind]]:
    for node in study.nodes_of(session).values():
        for kind in study.layout_of(session, node.node).kinds:
            if node.node != HUB and kind.channels:
                yield node, kind


def _samples(study: Study, session: str, node: Node, channel: Channel, columns: list[str]) -> pd.DataFrame:
    wanted = [("node", "==", node.node), ("channel", "==", channel.name)]
    return tables.read(tables.path(study.results, "samples", session), "samples", columns, wanted)


def _windows(study: Study, session: str) -> Windows:
    """The session's epochs, from the first sample instant of any node to the last."""
    edges: list[int] = []
    for node, kind in _streams(study, session):
        utc = _samples(study, session, node, kind.channels[0], ["utc_ns"])["utc_ns"]
        if len(utc):
            edges += [int(utc.min()), int(utc.max())]
    if not edges:
        raise ContractError("holds no sample", f"session {session}, table samples", "at least one")
    return windows_over(min(edges), max(edges), study.file.epochs.seconds)


def _features(
    study: Study, session: str, node: Node, kind: Kind, windows: Windows, ledger: Ledger
) -> tuple[list[Feature], Beats | None]:
    """Features of one stream, and its beats where it is an ECG; nothing for one never heard."""
    parts = [_samples(study, session, node, channel, SAMPLE_COLUMNS) for channel in kind.channels]
    if not len(parts[0]):
        return [], None
    utc = parts[0]["utc_ns"].to_numpy(np.int64)
    got = np.logical_and.reduce([part["origin"].isin(RECEIVED).to_numpy(np.bool_) for part in parts])
    counted = int(windows.sums(utc[got]).sum())
    ledger.add("samples", f"{node.node}/{kind.stream}", len(utc), received=counted,
               not_received=int((~got).sum()))  # fmt: skip
    cover, least = coverage(windows, utc[got], kind.rate_hz or 1.0), study.file.epochs.min_coverage
    if is_ecg(kind):
        beats = beats_of(parts[0], kind.rate_hz or 1.0)
        return _heart(node, kind, windows, beats, cover, least), beats
    if is_acceleration(kind):
        return _motion(
            node, kind, windows, utc[got], [part["value"] for part in parts], got, cover, least
        ), None
    return _others(node, kind, windows, utc, parts, cover, least), None


def _heart(
    node: Node, kind: Kind, windows: Windows, beats: Beats, cover: Floats, least: float
) -> list[Feature]:
    rate = heart.heart_rate(windows, beats.utc_ns, beats.rr_ms, beats.status)
    rmssd = heart.rmssd(windows, beats.utc_ns, beats.rr_ms, beats.status)
    found = {
        "heart_rate_bpm": judged(rate[0], cover, least, rate[1]),
        "rmssd_ms": judged(rmssd[0], cover, least, rmssd[1]),
        "beats": judged(windows.sums(beats.utc_ns), cover, least),
    }
    return [Feature(node, kind.stream, name, value, cover, why) for name, (value, why) in found.items()]


def _motion(
    node: Node, kind: Kind, windows: Windows, utc: Ints, axes: list[pd.Series[float]], got: Bools,
    cover: Floats, least: float,
) -> list[Feature]:  # fmt: skip
    vector = np.stack([axis.to_numpy()[got].astype(np.float64) for axis in axes], axis=1)
    enmo = ratio(windows.sums(utc, motion.enmo_mg(vector)), windows.sums(utc))
    value, why = judged(enmo, cover, least)
    return [Feature(node, kind.stream, "enmo_mg", value, cover, why)]


def _others(
    node: Node,
    kind: Kind,
    windows: Windows,
    utc: Ints,
    parts: list[pd.DataFrame],
    cover: Floats,
    least: float,
) -> list[Feature]:
    """Mean and spread of each channel; a spread that no epoch could hold two samples for is left out."""
    found = []
    for channel, part in zip(kind.channels, parts, strict=True):
        got = part["origin"].isin(RECEIVED).to_numpy(np.bool_)
        mean, spread = mean_and_spread(windows, utc[got], part["value"].to_numpy(np.float64)[got])
        value, why = judged(mean, cover, least)
        found.append(Feature(node, channel.name, "mean", value, cover, why))
        if (kind.rate_hz or 1.0) * windows.seconds >= 2:
            # One sample of two or more expected is too small a share to tell a spread.
            value, why = judged(spread, np.where(np.isnan(spread) & (cover > 0), -1.0, cover), least)
            found.append(Feature(node, channel.name, "spread", value, cover, why))
    return found


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


def _coded(places: Ints, names: list[str]) -> list[str | None]:
    """Codes by their place in ``names``; None for -1."""
    known = [*names, None]
    return [known[place] for place in places.tolist()]


def _epoch_rows(participant: str, windows: Windows, features: list[Feature]) -> pd.DataFrame:
    n, k = windows.count, len(features)

    def each(values: list[str]) -> pd.Series[str]:
        return pd.Series(np.repeat(np.array(values, object), n), dtype="object")

    def joined(name: str) -> Floats:
        return np.concatenate([getattr(feature, name) for feature in features])

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
