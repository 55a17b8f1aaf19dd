"""Beats of an ECG stream: each R peak in UTC, each interval with its status, boots apart."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from itertools import groupby
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from nodeday.core.arrays import Bools, Floats, Ints, Singles
from nodeday.schemas import codes
from nodeday.stages.features.heart.candidates import REFRACTORY_S, highest_apart
from nodeday.stages.features.heart.coarse import CoarseSignal, coarse_signal
from nodeday.stages.features.heart.intervals import Losses, rr_ms, rr_status
from nodeday.stages.features.heart.mains import without_mains
from nodeday.stages.features.heart.measures import second_detector
from nodeday.stages.features.heart.pauses import empty_before
from nodeday.stages.features.heart.rates import BeatSeries
from nodeday.stages.features.heart.rpeaks import LEAST_HZ, find_r_peaks
from nodeday.stages.features.heart.spikes import pacing, spikes, without_spikes
from nodeday.stages.features.heart.timing import NONE, Peaks
from nodeday.stages.features.pieces import GOOD, SamplePiece, SampleRows

MEASURED, IMPUTED = range(2)
"""Indices into ``codes.BEAT_ORIGIN``."""
NOTHING_LOST = np.zeros((2, 1), np.int64)

if list(codes.BEAT_ORIGIN) != ["measured", "imputed"]:
    raise ImportError("the codes of a beat's origin changed; nodeday.stages.features.heart.beats must follow")


@dataclass(frozen=True)
class Beats:
    """R peaks (b,) in order of time.

    ``origin`` and ``status`` (b,) are indices into ``codes.BEAT_ORIGIN`` and ``codes.RR_STATUS``;
    ``base_mv`` (b,) is the signal's level around each peak; ``fill_probability`` (b,) belongs to the fill
    that a peak lies on, NaN for others.
    """

    boot: NDArray[np.int32]
    utc_ns: Ints
    height_mv: Floats
    base_mv: Floats
    origin: Ints
    rr_ms: Floats
    status: NDArray[np.int8]
    fill_probability: Singles

    @property
    def series(self) -> BeatSeries:
        """The beats' instants, intervals and status."""
        return BeatSeries(self.utc_ns, self.rr_ms, self.status)


@dataclass(frozen=True)
class PieceBeats:
    """Beats (b,) that lie in the core of a piece of ``boot``.

    ``sample`` (b,) is counted within the boot, or within the part of it that began with row ``began`` and was
    sampled at ``rate_hz``; ``losses`` are given at the beats and counted from the core's start; ``lost``
    (2, 1) is how many of the core's samples stayed missing, and how many a fill replaced; ``empty`` (b,) is
    where a long interval before is seen to hold no beat.
    """

    boot: int
    sample: Ints
    utc_ns: Ints
    height_mv: Floats
    base_mv: Floats
    fill_probability: Singles
    losses: Losses
    lost: Ints
    empty: Bools
    rate_hz: float
    began: int


class Search(NamedTuple):
    """The beats of an ECG, and what they were found with.

    ``peaks``; the coarse ``signal``, None where nothing was sought; ``alone_s``, the beats of the first and
    of the second detector by itself, in seconds of the sample clock.
    """

    peaks: Peaks
    signal: CoarseSignal | None
    alone_s: tuple[Floats, Floats]
    pacing: Ints


def r_peaks(rows: SampleRows, rate_hz: float) -> Search:
    """Return the R peaks of samples of one boot in mV.

    Nothing is sought at ``LEAST_HZ`` and below, nor where no stretch is long enough.
    """
    signal, at = None, spikes(rows.value, rate_hz)
    value = without_mains(without_spikes(rows.value, at, rate_hz), ~rows.missing, rate_hz)
    if rate_hz > LEAST_HZ:
        signal = coarse_signal(value, ~rows.missing, rows.quality == GOOD, rate_hz)
    if signal is None:
        return Search(NONE, None, (np.zeros(0), np.zeros(0)), at[:0])
    second_s = second_detector(signal, rate_hz)
    peaks, alone_s = find_r_peaks(signal, value, rate_hz, second_s)
    return Search(peaks, signal, (alone_s, second_s), pacing(rows.value, at, rate_hz))


def piece_beats(piece: SamplePiece, peaks: Peaks, signal: CoarseSignal | None, rate_hz: float) -> PieceBeats:
    """Return the beats in the core of a piece, from the ``peaks`` and the ``signal`` of all its rows."""
    core, rows = piece.core, piece.rows
    in_core = (peaks.sample >= core.start) & (peaks.sample < core.stop)
    sample, utc_ns = peaks.sample[in_core], peak_times(peaks, rows.utc_ns)[in_core]
    missing, computed = rows.missing, rows.computed
    before, lost = (
        np.array([[np.count_nonzero(mask[part])] for mask in (missing, computed)])
        for part in (slice(0, core.start), core)
    )
    losses = Losses.of_samples(sample, missing, computed, rate_hz)
    losses = replace(losses, before=losses.before - before)
    heights = peaks.height_mv[in_core], peaks.base_mv[in_core]
    empty = np.zeros(0, np.bool_) if signal is None else empty_before(signal, peaks.sample, rate_hz)[in_core]
    at, probability = (sample + piece.first, utc_ns), rows.fill_probability[sample]
    return PieceBeats(rows.boot, *at, *heights, probability, losses, lost, empty, rate_hz, piece.began)


def join_beats(pieces: Iterable[PieceBeats]) -> Beats:
    """Return the beats of ``pieces`` that follow each other.

    Nothing reaches from boot to boot, nor across a change of rate.
    """
    nothing = PieceBeats(
        -1,
        *(np.zeros(0, np.int64),) * 2,
        *(np.zeros(0),) * 2,
        np.zeros(0, np.float32),
        Losses.joined([]),
        NOTHING_LOST,
        np.zeros(0, np.bool_),
        1.0,
        0,
    )
    boots = [
        _of_part([nothing]),
        *(_of_part(list(group)) for _, group in groupby(pieces, lambda piece: (piece.boot, piece.began))),
    ]
    return Beats(*(np.concatenate(parts) for parts in zip(*boots, strict=True)))


def _of_part(pieces: list[PieceBeats]) -> tuple[Any, ...]:
    """Return the fields of :class:`Beats` of one boot, or of a part of it at one rate, from its pieces."""
    sample, utc_ns, height, base, probability, empty = (
        np.concatenate([getattr(piece, name) for piece in pieces])
        for name in ("sample", "utc_ns", "height_mv", "base_mv", "fill_probability", "empty")
    )
    lost_before = np.cumsum([NOTHING_LOST, *(piece.lost for piece in pieces)], axis=0)
    around = [
        replace(piece.losses, before=piece.losses.before + before)
        for piece, before in zip(pieces, lost_before[:-1], strict=True)
    ]
    # Two pieces may both see a beat on their border in their core.
    once = highest_apart(sample / pieces[0].rate_hz, np.abs(height), REFRACTORY_S)
    utc_ns, height, base, probability = (part[once] for part in (utc_ns, height, base, probability))
    losses, rr = Losses.joined(around).at(once), rr_ms(utc_ns)
    origin = np.where(losses.computed, IMPUTED, MEASURED)
    boot = np.full(len(utc_ns), pieces[0].boot, np.int32)
    return boot, utc_ns, height, base, origin, rr, rr_status(rr, losses, empty=empty[once]), probability


def peak_times(peaks: Peaks, utc_ns: Ints) -> Ints:
    """Return the instants (b,) of peaks among samples at ``utc_ns`` (n,), in ns.

    A peak is never the first or the last sample.
    """
    if not len(peaks.sample):
        return np.zeros(0, np.int64)
    step = (utc_ns[peaks.sample + 1] - utc_ns[peaks.sample - 1]) / 2
    return utc_ns[peaks.sample] + np.rint(peaks.shift * step).astype(np.int64)
