"""An ECG stream over the epochs of a session: its windows, and features that are null for a stated reason."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from nodeday.config.models import EpochSettings, HeartSettings, Node, Participant
from nodeday.core.arrays import Bools, Floats, Ints
from nodeday.layouts import Kind
from nodeday.stages.features.heart import quality
from nodeday.stages.features.heart.analysis import HALF_NS, EcgAnalysis
from nodeday.stages.features.heart.rates import BeatSeries
from nodeday.stages.features.heart.replay import Replays
from nodeday.stages.features.stream import FeatureValues
from nodeday.stages.features.windows import (
    HAS_VALUE,
    LOW_COVERAGE,
    NO_DATA,
    POOR_SIGNAL,
    SECOND,
    TOO_FEW_BEATS,
    Windows,
    ratio,
)

Lack = tuple[Bools, int]
"""In which windows (w,) a value is not valid, and the reason, an index into ``codes.NO_VALUE``."""


@dataclass(frozen=True)
class Span:
    """Windows [start, end) of one kind, one for each epoch (w,).

    ``seconds`` long around the epoch's middle, cut off at the session's ends; ``coverage`` (w,) is theirs.
    """

    seconds: float
    starts_ns: Ints
    ends_ns: Ints
    coverage: Floats
    usable: dict[int, Floats]
    """Share (w,) of the received signal that is good enough, by use."""

    @property
    def length_s(self) -> Floats:
        """Length of each window in s, (w,)."""
        return np.asarray((self.ends_ns - self.starts_ns) / SECOND, np.float64)


@dataclass(frozen=True)
class HeartStream:
    """An ECG stream over the epochs ``windows``: its analysis, and what the study asks for."""

    node: Node
    kind: Kind
    windows: Windows
    analysis: EcgAnalysis
    epochs: EpochSettings
    settings: HeartSettings
    person: Participant | None

    @cached_property
    def series(self) -> BeatSeries:
        """The beats and their intervals."""
        return self.analysis.beats.series

    @cached_property
    def replays(self) -> Replays:
        """The losses of the stream, to be replayed over its own beats."""
        return Replays(self.series, self.analysis.losses)

    def span(self, seconds: float) -> Span:
        """Return windows of ``seconds``, or of an epoch's length where that is longer."""
        windows = self.windows
        seconds = max(seconds, float(windows.seconds))
        extra = round((seconds - windows.seconds) / 2 * SECOND)
        last = windows.starts_ns[-1] + windows.seconds * SECOND
        starts = np.maximum(windows.starts_ns - extra, windows.start_ns)
        ends = np.minimum(windows.starts_ns + windows.seconds * SECOND + extra, last)
        received = self.analysis.received
        low, high = (received[(edge - windows.start_ns) // HALF_NS] for edge in (starts, ends))
        cover = np.minimum((high - low) / ((self.kind.rate_hz or 1.0) * (ends - starts) / SECOND), 1.0)
        return Span(seconds, starts, ends, cover, self.usable(starts, ends))

    def usable(self, starts: Ints, ends: Ints) -> dict[int, Floats]:
        """Return the share (w,) of the received signal in [start, end) that is good enough, by use."""
        signal = self.analysis.signal
        start_ns, use = signal["start_ns"].to_numpy(np.int64), signal["use"].to_numpy(np.int64)
        covered = signal["coverage"].to_numpy(np.float64) >= quality.LEAST_COVERAGE
        low = np.maximum(np.searchsorted(start_ns, starts, side="right") - 1, 0)
        high = np.searchsorted(start_ns, ends)
        shares = {}
        for least in (quality.VARIABILITY, quality.RATE):
            totals = [
                np.concatenate([[0.0], np.cumsum(mask)]) for mask in (covered & (use <= least), covered)
            ]
            # Where no ten seconds are received well enough to be graded, coverage decides.
            shares[least] = np.nan_to_num(ratio(*(total[high] - total[low] for total in totals)), nan=1.0)
        return shares

    def feature(self, name: str, value: Floats, span: Span, use: int, lacks: list[Lack]) -> FeatureValues:
        """Return ``value`` (w,) as a feature, null with a reason where it is not valid.

        The reason is the first that holds: no or little coverage, the first of ``lacks``, a signal too poor
        for this ``use``, the other ``lacks``, no value.
        """
        reason = np.full(len(value), HAS_VALUE, np.int64)
        ranked = [
            (span.coverage == 0, NO_DATA),
            (span.coverage < self.epochs.min_coverage, LOW_COVERAGE),
            *lacks[:1],
            (span.usable[use] < self.settings.min_usable, POOR_SIGNAL),
            *lacks[1:],
            (~np.isfinite(value), TOO_FEW_BEATS),
        ]
        for where, why in reversed(ranked):
            reason[where] = why
        kept = np.where(reason == HAS_VALUE, value, np.nan)
        return FeatureValues(self.node, self.kind.stream, name, kept, span.coverage, reason)
