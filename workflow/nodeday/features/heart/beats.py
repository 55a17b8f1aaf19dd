"""Beats of an ECG stream: boots apart, each R peak in UTC, each interval with its status."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from itertools import groupby
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nodeday.arrays import Floats, Ints
from nodeday.features.heart.candidates import REFRACTORY_S, apart
from nodeday.features.heart.coarse import Coarse, coarse
from nodeday.features.heart.intervals import Losses, rr_ms, rr_status
from nodeday.features.heart.quality import Measures, measure
from nodeday.features.heart.rates import Series
from nodeday.features.heart.rpeaks import LEAST_HZ, NONE, Peaks, peaks_in
from nodeday.features.heart.twomeans import second_opinion
from nodeday.features.pieces import GOOD, Piece, Rows
from nodeday.features.windows import Windows
from nodeday.schemas import codes

MEASURED, IMPUTED = range(2)
"""Places in ``codes.BEAT_ORIGIN``."""


@dataclass(frozen=True)
class Beats:
    """R peaks (b,) in order of time; ``origin`` and ``status`` are places in their lists of codes.
    ``base_mv`` is the signal's level around each."""

    boot: NDArray[np.int32]
    utc_ns: Ints
    height_mv: Floats
    base_mv: Floats
    origin: Ints
    rr_ms: Floats
    status: NDArray[np.int8]

    @property
    def series(self) -> Series:
        return Series(self.utc_ns, self.rr_ms, self.status)


def beats_of(pieces: Iterable[Piece], rate_hz: float) -> Beats:
    """Beats of one ECG channel in mV; nothing reaches from boot to boot."""
    return examine(pieces, rate_hz, None)[0]


def examine(pieces: Iterable[Piece], rate_hz: float, ruler: Windows | None) -> tuple[Beats, Measures | None]:
    """Beats as :func:`beats_of` gives them, and measures of the signal in each window of ``ruler``."""
    found = [_of_boot([], -1, rate_hz, None, None)]
    measures = None if ruler is None else Measures.none(ruler.count)
    for boot, own in groupby(pieces, lambda piece: piece.rows.boot):
        found.append(_of_boot(own, boot, rate_hz, ruler, measures))
    return Beats(*(np.concatenate(parts) for parts in zip(*found, strict=True))), measures


def _of_boot(
    pieces: Iterable[Piece], boot: int, rate_hz: float, ruler: Windows | None, measures: Measures | None
) -> tuple[Any, ...]:
    """The fields of :class:`Beats` of one boot; adds to ``measures``."""
    parts, found = [_own(NONE, np.zeros(0, np.int64), slice(0, 0), 0)], []
    done = np.zeros((2, 1), np.int64)
    for piece in pieces:
        peaks, signal = _peaks_of(piece.rows, rate_hz)
        parts.append(_own(peaks, piece.rows.utc_ns, piece.core, piece.first))
        losses, done = _around(piece, parts[-1][0], done, rate_hz)
        found.append(losses)
        if ruler is not None and measures is not None and signal is not None:
            second = second_opinion(signal, rate_hz)
            measures += measure(signal, peaks.sample, second, piece.rows.utc_ns, rate_hz, ruler, piece.core)
    sample, at, height, base = (np.concatenate(part) for part in zip(*parts, strict=True))
    # Both of two pieces may see a beat on their border as their own.
    once = apart(sample / rate_hz, np.abs(height), REFRACTORY_S)
    at, height, base = (each[once] for each in (at, height, base))
    losses, rr = Losses.joined(found).at(once), rr_ms(at)
    origin = np.where(losses.computed, IMPUTED, MEASURED)
    return np.full(len(at), boot, np.int32), at, height, base, origin, rr, rr_status(rr, losses)


def _around(piece: Piece, sample: Ints, done: Ints, rate_hz: float) -> tuple[Losses, Ints]:
    """What was lost around the beats at ``sample`` (b,) of the boot, which lie in the core of ``piece``, and
    how many (2, 1) were lost up to its end, given those ``done`` before it."""
    missing, computed = piece.rows.missing, piece.rows.computed
    own = Losses.beside(sample - piece.first, missing, computed, rate_hz)
    before, within = (
        np.array([[np.count_nonzero(each[part])] for each in (missing, computed)])
        for part in (slice(0, piece.core.start), piece.core)
    )
    return replace(own, before=own.before + done - before), done + within


def _own(peaks: Peaks, utc_ns: Ints, core: slice, first: int) -> tuple[Ints, Ints, Floats, Floats]:
    """Number within the boot, instant, height and base of the peaks that lie in ``core``."""
    own = (peaks.sample >= core.start) & (peaks.sample < core.stop)
    at = peak_times(peaks, utc_ns)
    return peaks.sample[own] + first, at[own], peaks.height_mv[own], peaks.base_mv[own]


def _peaks_of(rows: Rows, rate_hz: float) -> tuple[Peaks, Coarse | None]:
    """R peaks of one boot, and the signal that they were found in."""
    if rate_hz <= LEAST_HZ:
        return NONE, None
    signal = coarse(rows.value, ~rows.missing, rows.quality == GOOD, rate_hz)
    return NONE if signal is None else peaks_in(signal, rows.value, rate_hz), signal


def peak_times(peaks: Peaks, utc_ns: Ints) -> Ints:
    """Instants (b,) of peaks between the samples at ``utc_ns`` (n,); a peak is never a first or last one."""
    if not len(peaks.sample):
        return np.zeros(0, np.int64)
    step = (utc_ns[peaks.sample + 1] - utc_ns[peaks.sample - 1]) / 2
    return utc_ns[peaks.sample] + np.rint(peaks.shift * step).astype(np.int64)


if list(codes.BEAT_ORIGIN) != ["measured", "imputed"]:
    raise ImportError("the codes of a beat's origin changed; nodeday.features.heart.beats must follow")
