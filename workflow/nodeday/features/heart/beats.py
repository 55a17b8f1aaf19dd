"""Beats of an ECG stream: boots apart, each R peak in UTC, each interval with its status."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from nodeday.features.heart.intervals import rr_ms, rr_status
from nodeday.features.heart.rpeaks import Peaks, r_peaks
from nodeday.features.stretches import Floats, Ints
from nodeday.schemas import codes

MEASURED, IMPUTED = range(2)
"""Places in ``codes.BEAT_ORIGIN``."""


@dataclass(frozen=True)
class Beats:
    """R peaks (b,) in order of time; ``origin`` and ``status`` are places in their lists of codes."""

    boot: NDArray[np.int32]
    utc_ns: Ints
    height_mv: Floats
    origin: Ints
    rr_ms: Floats
    status: NDArray[np.int8]


def beats_of(samples: pd.DataFrame, rate_hz: float) -> Beats:
    """Beats of one ECG channel: its rows of table ``samples``, columns ``boot``, ``utc_ns``,
    ``value`` in mV, ``origin`` and ``quality``, in order. Nothing reaches from boot to boot."""
    boots = samples["boot"].to_numpy(np.int32)
    found = []
    for boot in np.unique(boots):
        start, end = np.searchsorted(boots, [boot, boot + 1])
        found.append(_beats_of_boot(int(boot), samples.iloc[start:end], rate_hz))
    return Beats(*(np.concatenate(parts) for parts in zip(*found, strict=True)))


def _beats_of_boot(
    boot: int, samples: pd.DataFrame, rate_hz: float
) -> tuple[NDArray[np.int32], Ints, Floats, Ints, Floats, NDArray[np.int8]]:
    missing = (samples["origin"] == "missing").to_numpy(np.bool_)
    computed = (samples["origin"] == "interpolated").to_numpy(np.bool_)
    trusted = (samples["quality"] == "good").to_numpy(np.bool_)
    utc = samples["utc_ns"].to_numpy(np.int64)
    value = np.where(missing, 0.0, samples["value"].to_numpy(np.float64))
    peaks = r_peaks(value, ~missing, trusted, rate_hz)
    at = peak_times(peaks, utc)
    rr = rr_ms(at)
    origin = np.where(computed[peaks.sample], IMPUTED, MEASURED)
    status = rr_status(rr, peaks.sample, missing, computed, rate_hz)
    return np.full(len(at), boot, np.int32), at, peaks.height_mv, origin, rr, status


def peak_times(peaks: Peaks, utc_ns: Ints) -> Ints:
    """Instants (b,) of peaks between the samples at ``utc_ns`` (n,); a peak is never a first or last one."""
    if not len(peaks.sample):
        return np.zeros(0, np.int64)
    step = (utc_ns[peaks.sample + 1] - utc_ns[peaks.sample - 1]) / 2
    return utc_ns[peaks.sample] + np.rint(peaks.shift * step).astype(np.int64)


if list(codes.BEAT_ORIGIN) != ["measured", "imputed"]:
    raise ImportError("the codes of a beat's origin changed; nodeday.features.heart.beats must follow")
