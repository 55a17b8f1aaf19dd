"""Beats of an ECG stream: boots apart, each R peak in UTC, each interval with its status."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from itertools import groupby
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nodeday.core.arrays import Floats, Ints
from nodeday.schemas import codes
from nodeday.stages.features.heart.candidates import REFRACTORY_S, apart
from nodeday.stages.features.heart.coarse import Coarse, coarse
from nodeday.stages.features.heart.intervals import Losses, rr_ms, rr_status
from nodeday.stages.features.heart.rates import BeatSeries
from nodeday.stages.features.heart.rpeaks import LEAST_HZ, NONE, Peaks, peaks_in
from nodeday.stages.features.pieces import GOOD, SamplePiece, SampleRows

MEASURED, IMPUTED = range(2)
"""Places in ``codes.BEAT_ORIGIN``."""
NOTHING = np.zeros((2, 1), np.int64)


@dataclass(frozen=True)
class Beats:
    """R peaks (b,) in order of time; ``origin`` and ``status`` are places in their lists of codes.
    ``base_mv`` is the signal's level around each.
    """

    boot: NDArray[np.int32]
    utc_ns: Ints
    height_mv: Floats
    base_mv: Floats
    origin: Ints
    rr_ms: Floats
    status: NDArray[np.int8]

    @property
    def series(self) -> BeatSeries:
        return BeatSeries(self.utc_ns, self.rr_ms, self.status)


@dataclass(frozen=True)
class FoundBeats:
    """Beats (b,) that lie in the core of a piece of ``boot``: number of the ``sample`` within the boot,
    instant, height and base, and how they stand to what was lost, counted from the core's start; ``lost``
    (2, 1) is how many of the core's samples stayed missing, and how many a fill replaced.
    """

    boot: int
    sample: Ints
    utc_ns: Ints
    height_mv: Floats
    base_mv: Floats
    losses: Losses
    lost: Ints


def beats_of(pieces: Iterable[SamplePiece], rate_hz: float) -> Beats:
    """Beats of one ECG channel in mV; nothing reaches from boot to boot."""
    return beats_in([found_in(piece, peaks_of(piece.rows, rate_hz)[0], rate_hz) for piece in pieces], rate_hz)


def peaks_of(rows: SampleRows, rate_hz: float) -> tuple[Peaks, Coarse | None]:
    """R peaks of one boot, and the signal that they were found in."""
    if rate_hz <= LEAST_HZ:
        return NONE, None
    signal = coarse(rows.value, ~rows.missing, rows.quality == GOOD, rate_hz)
    return NONE if signal is None else peaks_in(signal, rows.value, rate_hz), signal


def found_in(piece: SamplePiece, peaks: Peaks, rate_hz: float) -> FoundBeats:
    """Those of the ``peaks`` of a piece that are its own."""
    core, rows = piece.core, piece.rows
    own = (peaks.sample >= core.start) & (peaks.sample < core.stop)
    sample, at = peaks.sample[own], peak_times(peaks, rows.utc_ns)[own]
    missing, computed = rows.missing, rows.computed
    before, lost = (
        np.array([[np.count_nonzero(each[part])] for each in (missing, computed)])
        for part in (slice(0, core.start), core)
    )
    losses = Losses.beside(sample, missing, computed, rate_hz)
    losses = replace(losses, before=losses.before - before)
    return FoundBeats(
        rows.boot, sample + piece.first, at, peaks.height_mv[own], peaks.base_mv[own], losses, lost
    )


def beats_in(found: Iterable[FoundBeats], rate_hz: float) -> Beats:
    """The beats of pieces that follow each other; nothing reaches from boot to boot."""
    nothing = FoundBeats(-1, *(np.zeros(0, np.int64),) * 2, *(np.zeros(0),) * 2, Losses.joined([]), NOTHING)
    boots = [
        _of_boot([nothing], rate_hz),
        *(_of_boot(list(own), rate_hz) for _, own in groupby(found, lambda each: each.boot)),
    ]
    return Beats(*(np.concatenate(parts) for parts in zip(*boots, strict=True)))


def _of_boot(found: list[FoundBeats], rate_hz: float) -> tuple[Any, ...]:
    """The fields of :class:`Beats` of one boot, from its pieces."""
    sample, at, height, base = (
        np.concatenate([getattr(each, name) for each in found])
        for name in ("sample", "utc_ns", "height_mv", "base_mv")
    )
    done = np.cumsum([NOTHING, *(each.lost for each in found)], axis=0)
    around = [
        replace(each.losses, before=each.losses.before + before)
        for each, before in zip(found, done[:-1], strict=True)
    ]
    # Both of two pieces may see a beat on their border as their own.
    once = apart(sample / rate_hz, np.abs(height), REFRACTORY_S)
    at, height, base = (each[once] for each in (at, height, base))
    losses, rr = Losses.joined(around).at(once), rr_ms(at)
    origin = np.where(losses.computed, IMPUTED, MEASURED)
    boot = np.full(len(at), found[0].boot, np.int32)
    return boot, at, height, base, origin, rr, rr_status(rr, losses)


def peak_times(peaks: Peaks, utc_ns: Ints) -> Ints:
    """Instants (b,) of peaks between the samples at ``utc_ns`` (n,); a peak is never a first or last one."""
    if not len(peaks.sample):
        return np.zeros(0, np.int64)
    step = (utc_ns[peaks.sample + 1] - utc_ns[peaks.sample - 1]) / 2
    return utc_ns[peaks.sample] + np.rint(peaks.shift * step).astype(np.int64)


if list(codes.BEAT_ORIGIN) != ["measured", "imputed"]:
    raise ImportError("the codes of a beat's origin changed; nodeday.stages.features.heart.beats must follow")
