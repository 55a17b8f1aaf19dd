"""Beats of an ECG stream: boots apart, each R peak in UTC, each interval with its status."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from nodeday.arrays import Bools, Floats, Ints
from nodeday.features.heart.coarse import Coarse, coarse
from nodeday.features.heart.intervals import Losses, rr_ms, rr_status
from nodeday.features.heart.quality import Measures, measure
from nodeday.features.heart.rates import Series
from nodeday.features.heart.rpeaks import LEAST_HZ, NONE, Peaks, peaks_in
from nodeday.features.heart.twomeans import second_opinion
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


def beats_of(samples: pd.DataFrame, rate_hz: float) -> Beats:
    """Beats of one ECG channel: its rows of table ``samples``, columns ``boot``, ``utc_ns``,
    ``value`` in mV, ``origin`` and ``quality``, in order. Nothing reaches from boot to boot."""
    return examine(samples, rate_hz, None)[0]


def examine(samples: pd.DataFrame, rate_hz: float, ruler: Windows | None) -> tuple[Beats, Measures | None]:
    """Beats as :func:`beats_of` gives them, and measures of the signal in each window of ``ruler``."""
    boots = samples["boot"].to_numpy(np.int32)
    found, measures = [], None if ruler is None else Measures.none(ruler.count)
    for boot in np.unique(boots):
        start, end = np.searchsorted(boots, [boot, boot + 1])
        own = samples.iloc[start:end]
        utc = own["utc_ns"].to_numpy(np.int64)
        peaks, signal, losses = _peaks_of(own, rate_hz)
        at = peak_times(peaks, utc)
        rr = rr_ms(at)
        origin = np.where(
            losses.computed[peaks.sample + 1] > losses.computed[peaks.sample], IMPUTED, MEASURED
        )
        status = rr_status(rr, peaks.sample, losses, rate_hz)
        number = np.full(len(at), boot, np.int32)
        found.append((number, at, peaks.height_mv, peaks.base_mv, origin, rr, status))
        if ruler is not None and measures is not None and signal is not None:
            second = second_opinion(signal, rate_hz)
            measures += measure(signal, peaks.sample, second, utc, rate_hz, ruler)
    return Beats(*(np.concatenate(parts) for parts in zip(*found, strict=True))), measures


def _peaks_of(samples: pd.DataFrame, rate_hz: float) -> tuple[Peaks, Coarse | None, Losses]:
    """R peaks of one boot, the signal that they were found in, and what was lost of it."""
    missing: Bools = (samples["origin"] == "missing").to_numpy(np.bool_)
    computed: Bools = (samples["origin"] == "interpolated").to_numpy(np.bool_)
    trusted: Bools = (samples["quality"] == "good").to_numpy(np.bool_)
    value = np.where(missing, 0.0, samples["value"].to_numpy(np.float64))
    losses = Losses.of(missing, computed)
    signal = coarse(value, ~missing, trusted, rate_hz) if rate_hz > LEAST_HZ else None
    return NONE if signal is None else peaks_in(signal, value, rate_hz), signal, losses


def peak_times(peaks: Peaks, utc_ns: Ints) -> Ints:
    """Instants (b,) of peaks between the samples at ``utc_ns`` (n,); a peak is never a first or last one."""
    if not len(peaks.sample):
        return np.zeros(0, np.int64)
    step = (utc_ns[peaks.sample + 1] - utc_ns[peaks.sample - 1]) / 2
    return utc_ns[peaks.sample] + np.rint(peaks.shift * step).astype(np.int64)


if list(codes.BEAT_ORIGIN) != ["measured", "imputed"]:
    raise ImportError("the codes of a beat's origin changed; nodeday.features.heart.beats must follow")
