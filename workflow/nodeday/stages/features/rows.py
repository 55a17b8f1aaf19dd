"""Rows of the tables that stage `features` writes."""

from __future__ import annotations

import numpy as np
import pandas as pd

from nodeday.config.models import Node
from nodeday.core.arrays import Floats, Ints
from nodeday.layouts import Kind
from nodeday.schemas import TABLES, codes
from nodeday.stages.features.heart.beats import Beats
from nodeday.stages.features.heart.ecg_stream import HeartStream
from nodeday.stages.features.heart.rhythm import RhythmEvents
from nodeday.stages.features.motion.epochs import Motion
from nodeday.stages.features.stream import FeatureValues
from nodeday.stages.features.windows import SECOND, Windows
from nodeday.storage import tables


def beats(node: str, found: Beats) -> pd.DataFrame:
    """Return the rows of table ``beats``, one for each beat of one stream."""
    n = len(found.utc_ns)
    return tables.build(
        TABLES["beats"],
        {
            "node": np.full(n, node, object),
            "boot": found.boot,
            "utc_ns": found.utc_ns,
            "amplitude_mv": found.height_mv.astype(np.float32),
            "origin": _coded(found.origin, list(codes.BEAT_ORIGIN)),
            "fill_probability": found.fill_probability,
            "rr_ms": found.rr_ms,
            "rr_status": _coded(found.status.astype(np.int64), list(codes.RR_STATUS)),
        },
    )


def rhythm(stream: HeartStream, found: RhythmEvents) -> pd.DataFrame:
    """Return the rows of table ``rhythm`` of one stream, one for each event."""
    n = len(found.event)
    return tables.build(
        TABLES["rhythm"],
        {
            "node": np.full(n, stream.node.node, object),
            "channel": np.full(n, stream.kind.stream, object),
            "event": _coded(found.event, list(codes.RHYTHM_EVENT)),
            "start_ns": found.start_ns,
            "end_ns": found.end_ns,
            "rr_ms": found.rr_ms,
            "rate_bpm": found.rate_bpm,
        },
    )


def signal_quality(stream: HeartStream) -> pd.DataFrame:
    """Return the rows of table ``signal_quality``, one for each ten seconds of one stream."""
    table, rows = TABLES["signal_quality"], stream.analysis.signal
    return tables.build(
        table,
        {
            **{name: rows[name].to_numpy() for name in table.names if name in rows},
            "node": np.full(len(rows), stream.node.node, object),
            "channel": np.full(len(rows), stream.kind.stream, object),
            "beats": rows["beats"].to_numpy(np.int64),
            "signs": rows["signs"].to_numpy(np.int64),
            "pacing_spikes": rows["pacing_spikes"].to_numpy(np.int64),
            "use": _coded(rows["use"].to_numpy(np.int64), list(codes.SIGNAL_USE)),
        },
    )


def calibration(streams: list[tuple[Node, Kind, Motion]]) -> pd.DataFrame:
    """Return the rows of table ``calibration``, a row for each acceleration stream."""
    chosen = [motion.calibration for _, _, motion in streams]
    nothing = np.full(3, np.nan)
    slopes = [nothing if (c := one.coefficients.slope_g_per_c) is None else 1000 * c for one in chosen]
    columns: dict[str, object] = {
        "node": [node.node for node, _, _ in streams],
        "stream": [kind.stream for _, kind, _ in streams],
        "method": [one.method for one in chosen],
        "note": [one.note for one in chosen],
        "source": [one.source or None for one in chosen],
        "temperature_c": _floats([one.coefficients.temperature_c for one in chosen]),
        "still_windows": np.array([one.still for one in chosen], np.int64),
        "sphere_sides": np.array([one.sides for one in chosen], np.int64),
        "residual_before_mg": _floats([one.before_mg for one in chosen]),
        "residual_after_mg": _floats([one.after_mg for one in chosen]),
    }
    for k, axis in enumerate("xyz"):
        columns[f"offset_{axis}_g"] = _floats([one.coefficients.offset_g[k] for one in chosen])
        columns[f"gain_{axis}"] = _floats([one.coefficients.gain[k] for one in chosen])
        columns[f"slope_{axis}_mg_per_c"] = _floats([slope[k] for slope in slopes])
    return tables.build(TABLES["calibration"], columns)


def bouts(node: Node, kind: Kind, motion: Motion) -> pd.DataFrame:
    """Return the rows of table ``bouts``, a row for each bout of walking of one stream."""
    found, edges = motion.bouts, list(codes.BOUT_EDGE)
    n = len(found.start_ns)
    return tables.build(
        TABLES["bouts"],
        {
            "node": np.full(n, node.node, object),
            "stream": np.full(n, kind.stream, object),
            "start_ns": found.start_ns,
            "end_ns": found.end_ns,
            "steps": found.steps,
            "cadence_step_min": found.cadence,
            "mad_mg": found.mad_mg,
            "before": [edges[index] for index in found.before.tolist()],
            "after": [edges[index] for index in found.after.tolist()],
        },
    )


def epochs(participant: str, windows: Windows, features: list[FeatureValues]) -> pd.DataFrame:
    """Return the rows of table ``epochs``, one for each feature in each epoch."""
    if not features:
        return tables.empty(TABLES["epochs"])
    n, k = windows.count, len(features)

    def repeated(values: list[str]) -> pd.Series[str]:
        return pd.Series(np.repeat(np.array(values, object), n), dtype="object")

    def joined(name: str) -> Floats:
        return np.concatenate([getattr(feature, name) for feature in features])

    without = (*(np.full(n, np.nan) for _ in range(3)), np.full(n, -1))
    low, high, bias, how = (
        np.concatenate(part) for part in zip(*(one.bars or without for one in features), strict=True)
    )
    return tables.build(
        TABLES["epochs"],
        {
            "participant": repeated([participant] * k),
            "node": repeated([feature.node.node for feature in features]),
            "placement": repeated([feature.node.placement for feature in features]),
            "channel": repeated([feature.channel for feature in features]),
            "epoch": np.tile(np.arange(n, dtype=np.int32), k),
            "start_ns": np.tile(windows.starts_ns, k),
            "end_ns": np.tile(windows.starts_ns + windows.seconds * SECOND, k),
            "feature": repeated([feature.name for feature in features]),
            "value": joined("value"),
            "coverage": joined("coverage"),
            "reason": _coded(joined("reason").astype(np.int64), list(codes.NO_VALUE)),
            "low": low,
            "high": high,
            "bias": bias,
            "bar": _coded(how, list(codes.LOSS_BAR)),
        },
    )


def _coded(indices: Ints, names: list[str]) -> pd.Categorical[str]:
    """Return codes by their index (n,) into ``names``; null for -1."""
    return pd.Categorical.from_codes(indices, pd.Index(names))


def _floats(values: list[float | None]) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """Return the values as an array (n,), NaN for None."""
    return np.array([np.nan if value is None else value for value in values], np.float64)
