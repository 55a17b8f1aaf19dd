"""Samples of one boot of a stream: its frames are placed once, then samples come a stretch at a time.

A stretch has a margin on both sides, so that results for its core do not depend on the cuts: the margin
holds all samples that a fill may rest on, and the starts of stretches are multiples of a bin of the pattern
fill's search apart::

    frames of a boot   |--------------------------------------------|
    a stretch                    | margin |   core   | margin |
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from math import lcm
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from nodeday.core.timeline import ticks_to_utc
from nodeday.layouts import Kind, instant_of, unpack_counts
from nodeday.layouts.codec import interleave_shift
from nodeday.stages.repair.candidates import bin_width
from nodeday.stages.repair.place_samples import PlacedFrames, follow_each_other, place_frames, sample_times
from nodeday.stages.repair.quality import MEASURED, MISSING, RECOVERED
from nodeday.storage.frames import DistinctFrames
from nodeday.storage.payloads import Payloads
from nodeday.storage.session_cut import SessionCut

SECOND, SLACK_S = 1_000_000_000, 2.0
"""Nanoseconds; and how far around a session frames are looked at before their samples are cut, in addition to
their own length. Choice of this project."""


@dataclass(frozen=True)
class SampleStretch:
    """Samples (n,) of a boot in order of time; those of ``core`` belong to the stretch, others to its margin.

    ``received`` is an index into ``codes.ORIGIN`` (never interpolated), ``counts`` is (n, channels),
    ``barred`` tells where no fill is allowed.
    """

    seq: NDArray[np.int64]
    position: NDArray[np.int16]
    utc_ns: NDArray[np.int64]
    received: NDArray[np.int8]
    barred: NDArray[np.bool_]
    counts: NDArray[np.int32]
    core: slice

    def cut(self, low: int, high: int) -> SampleStretch:
        """Return the samples [low, high); they must hold the core."""
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
        """Which samples were received, (n,)."""
        return np.asarray(self.received != MISSING, np.bool_)


@dataclass(frozen=True)
class BootSamples:
    """One boot of a stream: its ``placed`` frames (f,) and its map from ticks to UTC, as ``knots``.

    ``barred`` (f,) tells which frames no fill may touch. ``payload`` and ``again`` are of all distinct
    frames of the stream; ``placed.row`` holds indices into them. ``wanted`` are the slots [from, to) around
    which samples are asked for, None for all.
    """

    number: int
    kind: Kind
    payload: Payloads
    again: NDArray[np.bool_]
    placed: PlacedFrames
    barred: NDArray[np.bool_]
    knots: tuple[NDArray[np.int64], NDArray[np.int64]]
    ticks_per_sample: float
    wanted: tuple[int, int] | None = None

    def within(self, cut: SessionCut) -> BootSamples | None:
        """Return the boot with the slots that a session may take samples of; None where it takes none."""
        utc_ns = ticks_to_utc(self.placed.ticks, *self.knots)
        frame_s = self.kind.samples * self.kind.interleave / (self.kind.rate_hz or 1.0)
        near, low, high = round((SLACK_S + frame_s) * SECOND), 0, len(utc_ns)
        if cut.start_ns is not None:
            low = int(np.searchsorted(utc_ns, cut.start_ns - near))
        if cut.end_ns is not None:
            high = int(np.searchsorted(utc_ns, cut.end_ns + near))
        return replace(self, wanted=(low, high)) if low < high else None

    def stretches(self, samples: int, margin_s: float) -> Iterator[SampleStretch]:
        """Yield the boot in stretches of about ``samples`` instants, with ``margin_s`` around each.

        All starts are multiples of a bin of the pattern fill's search apart. Only the first stretch begins
        later, where a boot's frames do not begin with the first of those that share their instants.
        """
        deal, rate = self.kind.interleave, self.kind.rate_hz or 1.0
        step_samples = lcm(self.kind.samples * deal, bin_width(rate))
        frames = step_samples // self.kind.samples
        step = max(samples // step_samples, 1) * frames
        margin = -(-int(np.ceil(margin_s * rate)) // step_samples) * frames
        # Frames that share their instants stay together.
        first, count = -(self.placed.first_seq % deal), len(self.placed.row)
        low, high = self.wanted or (0, count)
        for start in range(first, count, step):
            if start + step <= low or start >= high:
                continue
            cut = [
                np.clip(at, 0, count) for at in (start - margin, start, start + step, start + step + margin)
            ]
            yield self._stretch(*(int(at) for at in cut))

    def _stretch(self, first: int, start: int, end: int, last: int) -> SampleStretch:
        """Return the samples of the slots [first, last) with the core [start, end)."""
        kind, row = self.kind, self.placed.row[first:last]
        size, present = kind.samples, row >= 0
        numbers = self.placed.first_seq + np.arange(first, last)
        times = sample_times(
            self.placed.ticks[first:last],
            size,
            self.ticks_per_sample * kind.interleave,
            kind.stamp == "last",
            *self.knots,
        ).ravel()
        times -= round(kind.converter_ms * 1e6)
        # The counts of a channel are adjacent in memory.
        by_channel = np.zeros((len(kind.channels), len(row), size), np.int32)
        by_channel[:, present] = unpack_counts(self.payload[row[present]], kind).transpose(2, 0, 1)
        counts = by_channel.reshape(len(kind.channels), -1).T
        received = np.full(len(row), MISSING, np.int8)
        received[present] = np.where(self.again[row[present]], RECOVERED, MEASURED)
        columns: list[NDArray[Any]] = [
            np.repeat(numbers, size),
            np.tile(np.arange(size, dtype=np.int16), len(row)),
            times,
            np.repeat(received, size),
            np.repeat(self.barred[first:last], size),
            counts,
        ]
        if kind.interleave > 1:
            order = np.argsort(instant_of(kind, numbers[:, None], np.arange(size)).ravel(), kind="stable")
            columns = [column[order] for column in columns]
        columns[2] = follow_each_other(columns[2], size)
        core = slice((start - first) * size, (end - first) * size)
        seq, position, utc_ns, origin, barred, count = columns
        return SampleStretch(seq, position, utc_ns, origin, barred, count, core)


def boot_of(
    number: int,
    kind: Kind,
    received: DistinctFrames,
    rows: NDArray[np.int64],
    gaps: pd.DataFrame,
    knots: pd.DataFrame,
    tick_hz: float,
) -> BootSamples:
    """Return a boot with its frames ``rows`` placed; ``gaps`` and ``knots`` are its rows of their tables.

    Frames lost while the hub was out may not be filled. Raises ValueError where counters contradict each
    other.
    """
    per_sample = tick_hz / (kind.rate_hz or 1.0)
    seq = received.seq[rows]
    straight = np.rint(received.ticks[rows] - interleave_shift(kind, seq, per_sample)).astype(np.int64)
    placed = place_frames(seq, straight, received.trusted[rows], per_sample * kind.samples)
    numbers = placed.first_seq + np.arange(len(placed.row))
    ticks = np.rint(placed.ticks + interleave_shift(kind, numbers, per_sample)).astype(np.int64)
    placed = PlacedFrames(placed.first_seq, np.where(placed.received, rows[placed.row], -1), ticks)
    barred = np.zeros(len(placed.row), np.bool_)
    silent = gaps[gaps["cause"].isin(["hub_outage", "joint_silence"]) & (gaps["extent"] == "known")]
    for start, end in zip(silent["seq_from"], silent["seq_to"], strict=True):
        barred[max(start - placed.first_seq, 0) : max(end - placed.first_seq, 0)] = True
    line = (knots["ticks"].to_numpy(), knots["utc_ns"].to_numpy())
    return BootSamples(number, kind, received.payload, received.again, placed, barred, line, per_sample)
