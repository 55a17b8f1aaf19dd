"""The heart features of an ECG stream."""

from __future__ import annotations

from nodeday.features.heart import rates
from nodeday.features.heart.beats import Beats
from nodeday.features.stream import Feature, Stream


def features_of(stream: Stream, beats: Beats) -> list[Feature]:
    """Heart features of every epoch, from the stream's beats."""
    windows = stream.windows
    rate = rates.heart_rate(windows, beats.utc_ns, beats.rr_ms, beats.status)
    rmssd = rates.rmssd(windows, beats.utc_ns, beats.rr_ms, beats.status)
    return [
        stream.feature("heart_rate_bpm", *rate),
        stream.feature("rmssd_ms", *rmssd),
        stream.feature("beats", windows.sums(beats.utc_ns)),
    ]
