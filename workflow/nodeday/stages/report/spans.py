"""Spans of received and lost frames in UTC, and the share of each stretch of time that they fill.

Arrays in, arrays out. Frames of one stream in UTC, each covering a half-open span::

    |--f0--|--f1--|      lost      |--f4--|
                  ^ end of f1      ^ start of f4   -> the gap is [end of f1, start of f4)
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from nodeday.core.arrays import runs

SECOND, MINUTE, HOUR = 1_000_000_000, 60_000_000_000, 3_600_000_000_000
"""Lengths in ns."""
_BOOT = 1 << 40
"""Factor of the boot in a key that orders frames over all boots."""


@dataclass(frozen=True)
class FrameSpans:
    """Distinct frames (n,) of a stream: number within the boot (below 2**40) and span in UTC."""

    boot: NDArray[np.int64]
    seq: NDArray[np.int64]
    start_ns: NDArray[np.int64]
    end_ns: NDArray[np.int64]


def frame_spans(
    stamp_ns: NDArray[np.int64], samples: int, rate_hz: float, stamp: str
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return start and end in UTC, (n,) each, of frames that stamp their ``first`` or ``last`` sample."""
    period = SECOND / rate_hz
    start = stamp_ns - round((samples - 1) * period) if stamp == "last" else stamp_ns
    return start, start + round(samples * period)


def gap_spans(
    frames: FrameSpans,
    gap_boot: NDArray[np.int64],
    gap_from: NDArray[np.int64],
    gap_to: NDArray[np.int64],
    session: tuple[int, int],
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return start and end, (m,) each, of gaps of sequence numbers [from, to), between their neighbours.

    ``to`` is below ``from`` where the extent is not known. Frames need no order. A gap before the first
    frame begins with the session, one after the last frame ends with it. Several gaps of known extent in
    one hole share it by their numbers::

        |--f7--| 8  9 : 10 11 |--f12--|       gaps [8, 10) and [10, 12), of two causes
    """
    key = frames.boot * _BOOT + frames.seq
    order = np.argsort(key, kind="stable")
    after = np.searchsorted(key[order], gap_boot * _BOOT + gap_from)
    right = np.append(frames.start_ns[order], session[1])[after]
    left = np.insert(frames.end_ns[order], 0, session[0])[after]
    right = np.maximum(right, left)
    # A hole between two boots, or at an end of the session, has no numbers to share it by.
    near, far = np.insert(key[order], 0, -_BOOT)[after], np.append(key[order], 1 << 62)[after]
    shared = (near // _BOOT == gap_boot) & (far // _BOOT == gap_boot) & (gap_to > gap_from)
    lost = np.where(shared, far - near - 1, 1).astype(np.float64)
    first = np.where(shared, gap_boot * _BOOT + gap_from - near - 1, 0)
    last = np.where(shared, gap_boot * _BOOT + gap_to - near - 1, 1)
    width = (right - left).astype(np.float64) / lost
    start = left + np.where(shared, np.round(first * width), 0).astype(np.int64)
    end = np.where(shared, left + np.round(last * width).astype(np.int64), right)
    return start, np.minimum(np.maximum(end, start), right)


def outside(
    start_ns: NDArray[np.int64], end_ns: NDArray[np.int64], session: tuple[int, int]
) -> list[tuple[int, int]]:
    """Return the stretches of the session before the first and after the last span.

    Without any span that is the full session.
    """
    if not start_ns.size:
        return [session]
    edges = [(session[0], int(start_ns.min())), (int(end_ns.max()), session[1])]
    return [(a, b) for a, b in edges if b > a]


def shares(
    start_ns: NDArray[np.int64], end_ns: NDArray[np.int64], edges_ns: NDArray[np.int64]
) -> NDArray[np.float64]:
    """Return the share (0 to 1) of each bin between ``edges_ns`` (b + 1,) that spans (m,) fill; (b,).

    Overlapping spans count once.

    >>> shares(np.array([5]), np.array([15]), np.array([0, 10, 20])).tolist()
    [0.5, 0.5]
    """
    if not start_ns.size:
        return np.zeros(edges_ns.size - 1)
    order = np.argsort(start_ns, kind="stable")
    reach = np.maximum.accumulate(end_ns[order])
    begin = np.maximum(start_ns[order], np.append(start_ns[order][:1], reach[:-1]))
    origin = int(edges_ns[0])
    knots = np.column_stack([begin, np.maximum(reach, begin)]).ravel() - origin
    filled = np.zeros(knots.size)
    filled[1::2] = np.maximum(reach - begin, 0)
    total = np.interp(edges_ns - origin, knots, np.cumsum(filled))
    share: NDArray[np.float64] = np.clip(np.diff(total) / np.diff(edges_ns), 0.0, 1.0)
    return share


def stack(parts: Mapping[str, NDArray[np.float64]]) -> dict[str, NDArray[np.float64]]:
    """Return the shares of bins by cause, cut in order so that they never sum to more than one."""
    left: NDArray[np.float64] | None = None
    cut = {}
    for name, share in parts.items():
        left = np.ones_like(share) if left is None else left
        cut[name] = np.minimum(share, left)
        left = left - cut[name]
    return cut


def decimate(values: NDArray[np.float64], most: int) -> NDArray[np.intp]:
    """Return indices that keep the least and the greatest of each bucket, so that peaks survive.

    Buckets never reach across a hole (NaN), and one index of each hole is kept, so that a line drawn
    through the kept values still breaks there. Up to ``most`` values are kept all.
    """
    if values.size <= most:
        return np.arange(values.size)
    size = -(-2 * values.size // most)
    kept: list[NDArray[np.intp]] = []
    for first, last in zip(*runs(np.isfinite(values)), strict=True):
        cuts = np.arange(first, last, size)
        low = [cut + int(np.argmin(values[cut : min(cut + size, last)])) for cut in cuts]
        high = [cut + int(np.argmax(values[cut : min(cut + size, last)])) for cut in cuts]
        kept.append(np.array([first, last - 1, *low, *high], dtype=np.intp))
        if last < values.size:
            kept.append(np.array([last], dtype=np.intp))
    return np.unique(np.concatenate(kept)) if kept else np.zeros(0, dtype=np.intp)
