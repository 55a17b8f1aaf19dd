"""Recordings for the heart's benchmarks, what loses their frames, and their way through the stage's
arithmetic.

Records are those of the MIT-BIH Arrhythmia and Noise Stress Test databases that the folder
``NODEDAY_OPEN_DATA`` holds, channel 0."""

from __future__ import annotations

import os
import zlib
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as arrow
from nodeday.schemas import codes

from nodeday.config.models import EpochSettings, HeartSettings, Node
from nodeday.layouts import Kind
from nodeday.stages.features.heart import beats, quality
from nodeday.stages.features.heart.analysis import (
    HALF_NS,
    MARGIN_S,
    PIECE_S,
    EcgAnalysis,
    analyse,
    analyse_piece,
)
from nodeday.stages.features.heart.ecg_stream import HeartStream
from nodeday.stages.features.heart.epochs import features_of
from nodeday.stages.features.heart.intervals import rr_ms, rr_status
from nodeday.stages.features.heart.replay import GRID_HZ, GRID_NS, LossPattern
from nodeday.stages.features.heart.timing import Peaks
from nodeday.stages.features.pieces import SamplePiece, SampleRows, cuts
from nodeday.stages.features.stream import FeatureValues
from nodeday.stages.features.windows import Windows

SECOND, START = 1_000_000_000, 1_784_005_200_000_000_000
BEATS = frozenset("NLRBAaJSVrFejnE/fQ?")
FRAME_S = 0.08
LOSSES = ((0.01, 1), (0.02, 5), (0.05, 5), (0.1, 5), (0.2, 20))
"""Shares of the frames, and the mean burst."""


class Record:
    """Channel 0 of a WFDB record in mV, its beats, and its stretches of flutter as seconds [from, to)."""

    def __init__(self, path: Path) -> None:
        import wfdb

        self.name = path.name
        read, labels = wfdb.rdrecord(str(path), channels=[0]), wfdb.rdann(str(path), "atr")
        self.signal, self.rate = read.p_signal[:, 0], float(read.fs)
        symbols = np.array(labels.symbol)
        beats = np.isin(symbols, list(BEATS))
        self.beats, self.kinds = labels.sample[beats] / self.rate, symbols[beats]
        marks = [labels.sample[symbols == mark] / self.rate for mark in ("[", "]")]
        self.flutter = list(zip(*marks, strict=False))


def records(folder: str) -> list[Record]:
    paths = sorted((Path(os.environ["NODEDAY_OPEN_DATA"]) / folder).glob("*.hea"))
    return [Record(path.with_suffix("")) for path in paths]


def losing(seconds: float, share: float, burst: float, *about: Any) -> Any:
    """Which of the frames of 80 ms over ``seconds`` are lost, by Gilbert's model; another way for each
    ``about``."""
    rng = np.random.default_rng(zlib.crc32(repr((share, burst, *about)).encode()))
    frames, leave = int(seconds / FRAME_S) + 2, 1 / burst
    enter = leave * share / (1 - share)
    turns = int(2 * frames / (1 / enter + 1 / leave)) + 50
    lengths = rng.geometric([enter, leave], (turns, 2)).ravel()
    return np.repeat(np.tile([False, True], turns), lengths)[:frames]


def at_samples(frames: Any, samples: int, rate: float) -> Any:
    """A mask of frames as one of samples."""
    return frames[(np.arange(samples) / rate / FRAME_S).astype(int)]


def sample_rows(signal: Any, rate: float, lost: Any) -> SampleRows:
    """Rows of one boot, of which the ``lost`` samples are missing and all others good."""
    origin, quality_ = (
        np.where(lost, list(known).index(word), list(known).index(other)).astype(np.int8)
        for known, word, other in (
            (codes.ORIGIN, "missing", "measured"),
            (codes.QUALITY, "not_measured", "good"),
        )
    )
    at = START + np.rint(np.arange(len(signal)) * SECOND / rate).astype(np.int64)
    value, probability = np.where(lost, np.nan, signal), np.full(len(signal), np.nan)
    return SampleRows(0, at, value.astype(np.float32), origin, quality_, probability.astype(np.float32))


def r_peaks(signal: Any, rate: float, lost: Any = None) -> Peaks:
    """R peaks of a signal in mV, between the samples that are ``lost``."""
    lost = np.zeros(len(signal), bool) if lost is None else lost
    return beats.r_peaks(sample_rows(signal, rate, lost), rate).peaks


def analysed(
    signal: Any, rate: float, lost: Any, seconds: int, settings: HeartSettings
) -> dict[str, FeatureValues]:
    """Every heart feature of every epoch of an ECG, through the whole of the stage's arithmetic."""
    analysis, windows = _analysis(sample_rows(signal, rate, lost), rate, seconds)
    return _features(analysis, rate, windows, settings)


def analysed_rows(
    rows: SampleRows, rate: float, seconds: int, settings: HeartSettings
) -> dict[str, FeatureValues]:
    """The same of rows that may hold fills."""
    analysis, windows = _analysis(rows, rate, seconds)
    return _features(analysis, rate, windows, settings)


def analysed_with_signal(
    signal: Any, rate: float, seconds: int, settings: HeartSettings
) -> tuple[dict[str, FeatureValues], EcgAnalysis]:
    """The heart features of an ECG without losses, and the analysis that they are from."""
    rows = sample_rows(signal, rate, np.zeros(len(signal), bool))
    analysis, windows = _analysis(rows, rate, seconds)
    return _features(analysis, rate, windows, settings), analysis


def _analysis(rows: SampleRows, rate: float, seconds: int) -> tuple[EcgAnalysis, Windows]:
    windows = Windows(START, seconds, int(len(rows) / rate) // seconds)
    n = int(windows.count * seconds * rate)
    rows = rows.part(slice(n))
    boot = arrow.table({"boot": np.zeros(n, np.int32)})
    pieces = (
        SamplePiece(
            rows.part(slice(one.low, one.high)), slice(one.start - one.low, one.end - one.low), one.low
        )
        for one in cuts([boot], round(PIECE_S * rate), round(MARGIN_S * rate))
    )
    return analyse((analyse_piece(piece, rate, windows) for piece in pieces), rate, windows), windows


def analysed_beats(
    at_ns: Any, length_s: float, lost: Any, seconds: int, settings: HeartSettings
) -> dict[str, FeatureValues]:
    """Every heart feature of every epoch of beats at ``at_ns`` from the start on: those that the ``lost``
    cells of a grid of 10 ms leave are found, at their true instants."""
    losses = LossPattern(START, lost, np.zeros(len(lost), bool))
    cells = at_ns // GRID_NS
    seen = ~losses.unseen[cells]
    at, cell = at_ns[seen] + START, cells[seen]
    status = rr_status(rr_ms(at), losses.index.at(cell))
    none = np.zeros(len(at))
    unfilled = np.full(len(at), np.nan, np.float32)
    found = beats.Beats(
        none.astype(np.int32), at, none + 1, none, none.astype(np.int64), rr_ms(at), status, unfilled
    )
    starts = START + np.arange(0, length_s, quality.SECONDS).astype(np.int64) * SECOND
    signal = pd.DataFrame({"start_ns": starts, "coverage": 1.0, "use": quality.VARIABILITY})
    received = np.concatenate([[0], np.cumsum(~lost)])[:: HALF_NS // GRID_NS]
    analysis = EcgAnalysis(found, signal, received, losses, len(lost), int(lost.sum()))
    windows = Windows(START, seconds, int(len(lost) / GRID_HZ) // seconds)
    return _features(analysis, GRID_HZ, windows, settings)


def _features(
    analysis: EcgAnalysis, rate: float, windows: Windows, settings: HeartSettings
) -> dict[str, FeatureValues]:
    kind = Kind.model_validate(
        {
            "kind": 1,
            "stream": "ecg",
            "rate_hz": rate,
            "samples": 20,
            "bits": 12,
            "order": "big",
            "channels": [{"name": "ecg", "unit": "mV"}],
        }
    )
    node = Node(session="*", node="heart", address=1, placement="chest")
    epochs = EpochSettings(seconds=windows.seconds, min_coverage=0.0)
    heart = HeartStream(node, kind, windows, analysis, epochs, settings, None)
    return {one.name: one for one in features_of(heart)}
