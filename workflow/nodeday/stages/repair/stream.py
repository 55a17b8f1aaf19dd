"""All samples of one boot of a stream: its frames placed once, then samples a stretch at a time.

A stretch is worked on with a margin on both sides, so that what is computed for its core is the same
wherever the cuts lie: the margin holds all that a fill may rest on, and stretches begin whole bins of the
pattern fill's search apart::

    frames of a boot   |--------------------------------------------|
    a stretch                    | margin |   core   | margin |
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from math import lcm
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from nodeday.layouts import Kind, instant_of, unpack_counts
from nodeday.layouts.codec import interleave_shift
from nodeday.stages.repair.candidates import bin_width
from nodeday.stages.repair.place_samples import PlacedFrames, follow_each_other, place_frames, sample_times
from nodeday.storage.frames import DistinctFrames, Payloads

MEASURED, RECOVERED, INTERPOLATED, MISSING = range(4)
"""Places in ``codes.ORIGIN``."""


@dataclass(frozen=True)
class SampleStretch:
    """Samples (n,) of a boot in order of time; ``core`` is what of them belongs to the stretch.

    ``received`` is an index into ``codes.ORIGIN`` (never interpolated), ``counts`` is (n, channels),
    ``barred`` says where no fill is allowed.
    """

    seq: NDArray[np.int64]
    position: NDArray[np.int16]
    utc_ns: NDArray[np.int64]
    received: NDArray[np.int8]
    barred: NDArray[np.bool_]
    counts: NDArray[np.int32]
    core: slice

    def cut(self, low: int, high: int) -> SampleStretch:
        """Its samples [low, high), which hold the core."""
        return SampleStretch(
            self.seq[low:high],
            self.position[low:high],
            self.utc_ns[low:high],
            self.received[low:high],
            self.barred[low:high],
            self.counts[low:high],
            slice(self.core.start - low, self.core.stop - low),
        )

    @property
    def present(self) -> NDArray[np.bool_]:
        return np.asarray(self.received != MISSING, np.bool_)


@dataclass(frozen=True)
class BootSamples:
    """One boot of a stream: its ``placed`` frames, which of them (f,) no fill may touch, its map.

    ``payload`` and ``again`` are of all distinct frames of the stream, which ``placed.row`` counts.
    """

    number: int
    kind: Kind
    payload: Payloads
    again: NDArray[np.bool_]
    placed: PlacedFrames
    barred: NDArray[np.bool_]
    knots: tuple[NDArray[np.int64], NDArray[np.int64]]
    ticks_per_sample: float

    def stretches(self, samples: int, margin_s: float) -> Iterator[SampleStretch]:
        """The boot in stretches of about ``samples`` instants, with ``margin_s`` around each.

        All begin whole bins of the pattern fill's search apart, but for the first where a boot's frames do
        not begin with the first of those that share their instants.
        """
        deal, rate = self.kind.interleave, self.kind.rate_hz or 1.0
        whole = lcm(self.kind.samples * deal, bin_width(rate))
        frames = whole // self.kind.samples
        step = max(samples // whole, 1) * frames
        margin = -(-int(np.ceil(margin_s * rate)) // whole) * frames
        # Frames that share their instants stay together.
        first, count = -(self.placed.first_seq % deal), len(self.placed.row)
        for start in range(first, count, step):
            cut = [
                np.clip(place, 0, count)
                for place in (start - margin, start, start + step, start + step + margin)
            ]
            yield self._stretch(*(int(place) for place in cut))

    def _stretch(self, first: int, start: int, end: int, last: int) -> SampleStretch:
        kind, row = self.kind, self.placed.row[first:last]
        size, got = kind.samples, row >= 0
        places = self.placed.first_seq + np.arange(first, last)
        times = sample_times(
            self.placed.ticks[first:last],
            size,
            self.ticks_per_sample * kind.interleave,
            kind.stamp == "last",
            *self.knots,
        ).ravel()
        times -= round(kind.converter_ms * 1e6)
        whole = np.zeros((len(kind.channels), len(row), size), np.int32)  # a channel's counts side by side
        whole[:, got] = unpack_counts(self.payload[row[got]], kind).transpose(2, 0, 1)
        counts = whole.reshape(len(kind.channels), -1).T
        received = np.full(len(row), MISSING, np.int8)
        received[got] = np.where(self.again[row[got]], RECOVERED, MEASURED)
        columns: list[NDArray[Any]] = [
            np.repeat(places, size),
            np.tile(np.arange(size, dtype=np.int16), len(row)),
            times,
            np.repeat(received, size),
            np.repeat(self.barred[first:last], size),
            counts,
        ]
        if kind.interleave > 1:
            order = np.argsort(instant_of(kind, places[:, None], np.arange(size)).ravel(), kind="stable")
            columns = [column[order] for column in columns]
        columns[2] = follow_each_other(columns[2], size)
        core = slice((start - first) * size, (end - first) * size)
        seq, position, utc_ns, came, barred, count = columns
        return SampleStretch(seq, position, utc_ns, came, barred, count, core)


def boot_of(
    number: int,
    kind: Kind,
    received: DistinctFrames,
    rows: NDArray[np.int64],
    gaps: pd.DataFrame,
    knots: pd.DataFrame,
    tick_hz: float,
) -> BootSamples:
    """Place the frames ``rows`` of a boot; ``gaps`` and ``knots`` are the boot's rows of their tables.

    Raises ValueError where counters contradict each other.
    """
    per_sample = tick_hz / (kind.rate_hz or 1.0)
    seq = received.seq[rows]
    straight = np.rint(received.ticks[rows] - interleave_shift(kind, seq, per_sample)).astype(np.int64)
    placed = place_frames(seq, straight, received.trusted[rows], per_sample * kind.samples)
    places = placed.first_seq + np.arange(len(placed.row))
    ticks = np.rint(placed.ticks + interleave_shift(kind, places, per_sample)).astype(np.int64)
    placed = PlacedFrames(placed.first_seq, np.where(placed.received, rows[placed.row], -1), ticks)
    barred = np.zeros(len(placed.row), np.bool_)
    never = gaps[(gaps["cause"] == "hub_outage") & (gaps["extent"] == "known")]
    for start, end in zip(never["seq_from"], never["seq_to"], strict=True):
        barred[max(start - placed.first_seq, 0) : max(end - placed.first_seq, 0)] = True
    line = (knots["ticks"].to_numpy(), knots["utc_ns"].to_numpy())
    return BootSamples(number, kind, received.payload, received.again, placed, barred, line, per_sample)
