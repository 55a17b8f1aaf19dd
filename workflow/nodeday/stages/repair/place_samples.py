"""Placement of received frames among all sequence numbers of a boot, and of their samples in time.

Frames 12, 13 and 16 of a boot arrived; 14 and 15 did not::

    seq        12    13    14    15    16
    slot       0     1     2     3     4
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
"""Frames in one boot from which on a sequence number must be wrong: more than a year of a fast stream."""


@dataclass(frozen=True)
class PlacedFrames:
    """Slots (f,) for all frames of one boot of one stream, from sequence number ``first_seq`` on.

    ``row`` is the index of the received frame in each slot, -1 for none. ``ticks`` are those of all slots.
    """

    first_seq: int
    row: Ints
    ticks: Ints

    @property
    def received(self) -> Bools:
        """Which slots hold a received frame, (f,)."""
        return self.row >= 0


def place_frames(seq: Ints, ticks: Ints, trusted: Bools, ticks_per_frame: float) -> PlacedFrames:
    """Return the slots (f,) from the first to the last of frames (n,) in any order, each ``seq`` once.

    Ticks of absent frames lie on the line between their neighbours. A frame that is not ``trusted`` and lies
    more than half a frame off the line of those that are gets its ticks from that line, and so do frames
    whose ticks fall against the most that rise with the sequence. Ticks may stand still.

    Raises ValueError where a ``seq`` occurs twice, and where the range of ``seq`` cannot be one boot.
    """
    order = np.argsort(seq, kind="stable")
    slot = seq[order] - seq[order[0]]
    if (np.diff(slot) == 0).any():
        raise ValueError("a sequence number occurs twice among distinct frames")
    if slot[-1] >= MOST_SLOTS:
        raise ValueError(f"sequence numbers of one boot span {slot[-1] + 1} frames")
    base = int(ticks[order[0]])
    relative = (ticks[order] - base).astype(np.float64)
    anchor = _anchors(slot, relative, trusted[order], ticks_per_frame)
    anchor[anchor] = _rising(relative[anchor])
    slots = np.arange(slot[-1] + 1)
    on_line = _line(slots, slot[anchor], relative[anchor], ticks_per_frame)
    slot_ticks = base + np.rint(on_line).astype(np.int64)
    row = np.full(len(slots), -1, np.int64)
    row[slot] = order
    return PlacedFrames(int(seq[order[0]]), row, slot_ticks)


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


def _line(at: Ints, slot: Ints, ticks: NDArray[np.float64], per_frame: float) -> NDArray[np.float64]:
    """Return ticks at slots ``at``: straight lines through the anchors, past both ends the nominal rate."""
    inside = np.interp(at, slot, ticks)
    before, after = np.minimum(at - slot[0], 0), np.maximum(at - slot[-1], 0)
    return np.asarray(inside + (before + after) * per_frame, np.float64)


def _anchors(slot: Ints, ticks: NDArray[np.float64], trusted: Bools, per_frame: float) -> Bools:
    """Return which frames (n,) the line of ticks goes through."""
    if trusted.all() or not trusted.any():
        return np.ones(len(slot), np.bool_)
    off = np.abs(ticks - _line(slot, slot[trusted], ticks[trusted], per_frame))
    return trusted | (off <= per_frame / 2)


def sample_times(
    ticks: Ints, samples: int, ticks_per_sample: float, stamps_last: bool, knot_ticks: Ints, knot_utc_ns: Ints
) -> Ints:
    """Return UTC in ns of all samples (f, samples) of frames of ``ticks`` (f,).

    The stamped sample, the last of its frame or the first, lies on the integer map of knots. The others are
    whole sample periods away, on the map's slope at the frame: a sample period need not be a whole number
    of ticks.
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
