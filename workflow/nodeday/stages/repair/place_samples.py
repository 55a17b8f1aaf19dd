"""Received frames laid on the whole range of sequence numbers of a boot, and placed in time.

Frames 12, 13 and 16 of a boot arrived; 14 and 15 did not::

    seq        12    13    14    15    16
    received   yes   yes   no    no    yes
    ticks      t12   t13   on the line   t16
"""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from nodeday.core.arrays import Bools, Ints
from nodeday.core.timeline import ticks_to_utc

MOST_SLOTS = 50_000_000
"""More frames in one boot than a year of a fast stream: a sequence number must be wrong."""


@dataclass(frozen=True)
class PlacedFrames:
    """One boot of one stream: ``row`` (f,) is the received frame in each place, -1 where none is."""

    first_seq: int
    row: Ints
    ticks: Ints

    @property
    def received(self) -> Bools:
        return self.row >= 0


def place_frames(seq: Ints, ticks: Ints, trusted: Bools, ticks_per_frame: float) -> PlacedFrames:
    """Place frames (n,) in any order, each ``seq`` once, on every position (f,) from the first to the last.

    Ticks of absent frames lie on the line between their neighbours. A frame that is not
    ``trusted`` and lies more than half a frame off the line of those that are gets its ticks
    from that line, and so do frames whose ticks fall against the most that rise with the sequence.
    Ticks may stand still. Raises ValueError where the range cannot be one boot.
    """
    order = np.argsort(seq, kind="stable")
    place = seq[order] - seq[order[0]]
    if (np.diff(place) == 0).any():
        raise ValueError("a sequence number occurs twice among distinct frames")
    if place[-1] >= MOST_SLOTS:
        raise ValueError(f"sequence numbers of one boot span {place[-1] + 1} frames")
    base = int(ticks[order[0]])
    relative = (ticks[order] - base).astype(np.float64)
    anchor = _anchors(place, relative, trusted[order], ticks_per_frame)
    anchor[anchor] = _rising(relative[anchor])
    slots = np.arange(place[-1] + 1)
    on_line = _line(slots, place[anchor], relative[anchor], ticks_per_frame)
    whole = base + np.rint(on_line).astype(np.int64)
    row = np.full(len(slots), -1, np.int64)
    row[place] = order
    return PlacedFrames(int(seq[order[0]]), row, whole)


def _rising(ticks: NDArray[np.float64]) -> Bools:
    """Return which ``ticks`` (n,) make a longest row that never falls, by patience sorting (from memory)."""
    if (np.diff(ticks) >= 0).all():
        return np.ones(len(ticks), np.bool_)
    tops, last, before = list[float](), list[int](), list[int]()
    for at, tick in enumerate(ticks.tolist()):
        pile = bisect_right(tops, tick)
        tops[pile : pile + 1], last[pile : pile + 1] = [tick], [at]
        before.append(last[pile - 1] if pile else -1)
    keep, at = np.zeros(len(ticks), np.bool_), last[-1]
    while at >= 0:
        keep[at], at = True, before[at]
    return keep


def _line(at: Ints, place: Ints, ticks: NDArray[np.float64], per_frame: float) -> NDArray[np.float64]:
    """Straight lines through the anchors, past both ends at the nominal rate."""
    inside = np.interp(at, place, ticks)
    before, after = np.minimum(at - place[0], 0), np.maximum(at - place[-1], 0)
    return np.asarray(inside + (before + after) * per_frame, np.float64)


def _anchors(place: Ints, ticks: NDArray[np.float64], trusted: Bools, per_frame: float) -> Bools:
    if trusted.all() or not trusted.any():
        return np.ones(len(place), np.bool_)
    off = np.abs(ticks - _line(place, place[trusted], ticks[trusted], per_frame))
    return trusted | (off <= per_frame / 2)


def sample_times(
    ticks: Ints, samples: int, ticks_per_sample: float, stamps_last: bool, knot_ticks: Ints, knot_utc_ns: Ints
) -> Ints:
    """UTC in ns of every sample, shape (f,) ticks -> (f, samples).

    The stamped sample lies on the integer map; the others are whole sample periods from it, on
    the map's slope at the frame, since a sample period need not be a whole number of ticks.
    """
    first = -(samples - 1) if stamps_last else 0
    reach = max(round((samples - 1) * ticks_per_sample), 1) * (-1 if stamps_last else 1)
    stamped = ticks_to_utc(ticks, knot_ticks, knot_utc_ns)
    ns_per_tick = (ticks_to_utc(ticks + reach, knot_ticks, knot_utc_ns) - stamped) / reach
    from_stamp = (first + np.arange(samples)) * ticks_per_sample
    return stamped[:, None] + np.rint(from_stamp * ns_per_tick[:, None]).astype(np.int64)


def follow_each_other(utc_ns: Ints, samples: int) -> Ints:
    """Return instants (n,) of samples in order, of frames of ``samples``, each after the one before.

    Frames of one sample may share a tick: then they come a nanosecond apart. Raises ValueError where longer
    frames overlap.
    """
    if samples == 1:
        count = np.arange(len(utc_ns))
        return np.maximum.accumulate(utc_ns - count) + count
    if (np.diff(utc_ns) <= 0).any():
        raise ValueError("samples of neighbouring frames overlap in time; the layout's rate_hz is too low")
    return utc_ns
