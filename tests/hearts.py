"""ECGs with known beats, and their rows of table ``samples``, for the tests of stage `features`."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

import numpy as np
import pandas as pd
import pyarrow as arrow
from nodeday.schemas import codes

from nodeday.stages.features.heart import beats
from nodeday.stages.features.heart.analysis import analyse, analyse_piece
from nodeday.stages.features.heart.rates import BeatSeries
from nodeday.stages.features.heart.timing import Peaks
from nodeday.stages.features.pieces import GOOD, MEASURED, MISSING, SamplePiece, SampleRows, cuts
from nodeday.stages.features.pieces import pieces_of as pieces_in
from nodeday.stages.features.windows import windows_over

START = 1_784_005_200_000_000_000
SECOND = 1_000_000_000
RATE = 250.0


def ecg(beats_s: np.ndarray, length_s: float, rate_hz: float = RATE, seed: int = 1) -> np.ndarray:
    """P, Q, R, S and T bells around known beat times on a wandering baseline with 10 uV of noise, mV."""
    at = np.arange(int(length_s * rate_hz)) / rate_hz
    signal = 0.2 * np.sin(2 * np.pi * 0.25 * at) + 0.01 * np.random.default_rng(seed).standard_normal(len(at))
    for beat in beats_s:
        near = np.abs(at - beat) < 0.6
        for late, height, width in (
            (-0.17, 0.1, 0.025),
            (-0.025, -0.12, 0.008),
            (0, 1.0, 0.01),
            (0.027, -0.2, 0.009),
            (0.26, 0.25, 0.05),
        ):
            signal[near] += height * np.exp(-0.5 * ((at[near] - beat - late) / width) ** 2)
    return signal


def samples_of(
    signal: np.ndarray, lost: np.ndarray, rate_hz: float = RATE, filled: np.ndarray | None = None
) -> pd.DataFrame:
    """Rows of table ``samples`` of one channel, as far as beats need them."""
    n = len(signal)
    filled = np.zeros(n, np.bool_) if filled is None else filled
    origin = np.where(filled, "interpolated", np.where(lost, "missing", "measured"))
    return pd.DataFrame(
        {
            "boot": np.zeros(n, np.int32),
            "utc_ns": START + np.rint(np.arange(n) * SECOND / rate_hz).astype(np.int64),
            "value": np.where(lost & ~filled, np.nan, signal).astype(np.float32),
            "origin": pd.Categorical(origin, categories=list(codes.ORIGIN)),
            "quality": pd.Categorical(
                np.where(lost | filled, "not_measured", "good"), categories=list(codes.QUALITY)
            ),
            "fill_probability": np.full(n, np.nan, np.float32),
        }
    )


def steady(count: int = 100, rr_s: float = 0.8123) -> np.ndarray:
    return 1.0 + rr_s * np.arange(count)


def named(status: np.ndarray) -> list[str]:
    return [list(codes.RR_STATUS)[code] for code in status]


def series(rr_ms: np.ndarray, status: np.ndarray | None = None, start: int = 0) -> BeatSeries:
    """Intervals one on another, all normal but for a first beat that begins them."""
    at = start + np.concatenate([[0], np.rint(np.cumsum(rr_ms) * 1e6)]).astype(np.int64)
    given_status = np.zeros(len(rr_ms), np.int8) if status is None else status
    return BeatSeries(
        at, np.concatenate([[np.nan], rr_ms]), np.concatenate([[1], given_status]).astype(np.int8)
    )


def swaying(seconds: float, seed: int = 0) -> np.ndarray:
    """Intervals around 800 ms with a slow and a breathing part and noise."""
    rng = np.random.default_rng(seed)
    at, rr = 0.0, []
    while at < seconds:
        rr.append(800 + 40 * np.sin(0.2 * np.pi * at) + 25 * np.sin(0.5 * np.pi * at) + 5 * rng.normal())
        at += rr[-1] / 1000
    return np.array(rr)


def pieces_of(samples: pd.DataFrame, size: int = 10**9, margin: int = 0) -> Iterator[SamplePiece]:
    """Rows of table ``samples`` of one channel as a stage would hand them on."""
    table = arrow.Table.from_pandas(samples, preserve_index=False)
    for one in cuts([table], size, margin):
        yield from pieces_in([table.slice(one.low, one.high - one.low)], [one])


def beats_of(pieces: Iterable[SamplePiece], rate_hz: float) -> beats.Beats:
    """Beats of pieces of an ECG that follow each other."""
    parts = list(pieces)
    windows = windows_over(int(parts[0].rows.utc_ns[0]), int(parts[-1].rows.utc_ns[-1]), 10)
    return analyse([analyse_piece(part, rate_hz, windows) for part in parts], rate_hz, windows).beats


def r_peaks(
    signal: np.ndarray, rate_hz: float, present: np.ndarray | None = None, trusted: np.ndarray | None = None
) -> Peaks:
    """R peaks of a signal in mV; all samples are present and trusted unless masks say otherwise."""
    present = np.ones(len(signal), np.bool_) if present is None else present
    trusted = present if trusted is None else trusted
    clipped = list(codes.QUALITY).index("clipped")
    rows = SampleRows(
        0,
        START + np.rint(np.arange(len(signal)) * SECOND / rate_hz).astype(np.int64),
        signal.astype(np.float32),
        np.where(present, MEASURED, MISSING).astype(np.int8),
        np.where(trusted, GOOD, clipped).astype(np.int8),
        np.full(len(signal), np.nan, np.float32),
    )
    return beats.r_peaks(rows, rate_hz).peaks
