"""Captures of one session into one: each frame of a further capture gets its place in the first.

Two captures count boots and sequence numbers from wherever they began, so that the same frame has
other numbers in each. What a node sent is the same in both: frames whose raw sequence number, raw
ticks and content agree are one frame, and the difference of their unwrapped ticks, the same for
all of a boot, places everything that one capture has and the other has not::

    first     20 21 22 -- -- 25 26        ticks 20 .. 26
    second             3  4  5  6  7      ticks 3 .. 7; 5, 6 are 25, 26: the difference is 20
    merged    20 21 22 23 24 25 26 27     23, 24, 27 recovered; 25, 26 have a second copy

A difference that more frames contradict than bear out is not believed, and a stretch that shares
no frame, not even by way of a third capture, stays unplaced.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from nodeday.core.arrays import Bools, Ints
from nodeday.stages.frames import unwrap
from nodeday.stages.frames.columns import (
    CONFLICT,
    DISTINCT,
    DUPLICATE,
    GOOD,
    IN_ORDER,
    INCONSISTENT,
    LATE,
    UNPLACED,
    FrameRows,
    States,
    joined,
)
from nodeday.stages.frames.match import place

LONG_NS = 60_000_000_000
"""Frames this far apart tell a node's rate better than its nominal one does."""
_CHANGED = ("boot", "seq", "ticks", "hub_ns", "status")


@dataclass(frozen=True)
class FramePeriod:
    """Of a stream: the range of its sequence number, ticks from frame to frame, and ticks a second."""

    modulus: int
    ticks_per_frame: float
    rate_hz: float


def merge(captures: Sequence[FrameRows], paces: Mapping[tuple[int, int], FramePeriod]) -> list[FrameRows]:
    """The captures with the boots, numbers, stamps and statuses of the merged session.

    The first capture comes back as it was. ``hub_ns`` of the others is on the first one's clock, by
    way of the node's ticks. ``paces`` are by (node, stream). Which frames are distinct does not
    depend on the order of the captures after the first.
    """
    out = [captures[0], *(_own_copy(each) for each in captures[1:])]
    for node in np.unique(np.concatenate([each.node for each in captures])).tolist():
        rows = [np.flatnonzero(each.node == node) for each in captures]
        placed = place([each.take(own) for each, own in zip(captures, rows, strict=True)])
        own_paces = {stream: pace for (n, stream), pace in paces.items() if n == node}
        for done, target, own in zip(_numbered(placed, own_paces), out[1:], rows[1:], strict=True):
            for name in _CHANGED:
                getattr(target, name)[own] = getattr(done, name)
    return out


def _own_copy(frames: FrameRows) -> FrameRows:
    return replace(frames, **{name: getattr(frames, name).copy() for name in _CHANGED})


def _numbered(captures: list[FrameRows], paces: Mapping[int, FramePeriod]) -> list[FrameRows]:
    """The further captures of one node, numbered and stamped as the first capture would have."""
    sizes = [len(each) for each in captures]
    whole = joined(captures)
    capture = np.repeat(np.arange(len(captures)), sizes)
    done = _own_copy(whole)
    placed = (capture == 0) | (whole.status != UNPLACED)
    first = (capture == 0) & np.isin(whole.status, IN_ORDER)
    both = zip(whole.stream[placed].tolist(), whole.boot[placed].tolist(), strict=True)
    for stream, boot in sorted({*both}):
        of_boot = placed & (whole.boot == boot)
        rows = np.flatnonzero(of_boot & (whole.stream == stream))
        new = rows[capture[rows] > 0]
        if not len(new):
            continue
        done.seq[rows], done.status[rows] = _sequence(whole.take(rows), capture[rows], paces[stream])
        # Streams wait differently long for their last sample; another one only where there is no other.
        base = rows[first[rows]] if first[rows].any() else np.flatnonzero(of_boot & first)
        if len(base):
            known = whole.ticks[base], whole.hub_ns[base]
            done.hub_ns[new] = hub_time(whole.ticks[new], *known, paces[stream].rate_hz)
    edges = np.cumsum(sizes)
    return [done.take(slice(start, end)) for start, end in pairwise(edges.tolist())]


def _sequence(frames: FrameRows, capture: Ints, pace: FramePeriod) -> tuple[Ints, States]:
    """Sequence number and status (n,) of one stream in one boot; those of capture 0 stay."""
    base = np.flatnonzero((capture == 0) & np.isin(frames.status, IN_ORDER))
    seq = frames.seq
    if not len(base):  # nothing to count from: the earliest frame counts as its raw number
        distinct = np.flatnonzero(np.isin(frames.status, DISTINCT))
        # A second copy may stand alone, where its first one went with another boot.
        distinct = distinct if len(distinct) else np.arange(len(frames))
        base = distinct[np.lexsort((frames.seq_raw[distinct], frames.ticks[distinct]))[:1]]
        seq = frames.seq_raw
    base = base[np.argsort(frames.ticks[base], kind="stable")]
    near = base[np.clip(np.searchsorted(frames.ticks[base], frames.ticks) - 1, 0, None)]
    expected = (frames.ticks - frames.ticks[near]) / pace.ticks_per_frame
    whole = np.rint(expected).astype(np.int64)
    steps = unwrap.wrap_steps(frames.seq_raw - frames.seq_raw[near], whole, pace.modulus)
    odd = np.abs(expected - steps) > pace.modulus / unwrap.ODD_PART
    number = seq[near] + np.where(odd, whole, steps)
    own = capture == 0
    number[own] = frames.seq[own]
    return number, _statuses(number, frames, own, odd)


def _statuses(number: Ints, frames: FrameRows, own: Bools, odd: Bools) -> States:
    """The first frame of each number is the frame; others are its copies, or contradict it."""
    status = frames.status.copy()
    _, lead, group = np.unique(number, return_index=True, return_inverse=True)
    first = lead[group]
    equal = (frames.content == frames.content[first]) & (frames.ticks_raw == frames.ticks_raw[first])
    again = ~own & (first != np.arange(len(number)))
    status[again] = np.where(equal[again], DUPLICATE, CONFLICT)
    new = ~own & ~again
    status[new] = np.where(odd[new], INCONSISTENT, np.where(status[new] == GOOD, GOOD, LATE))
    return status


def hub_time(ticks: Ints, known_ticks: Ints, known_hub_ns: Ints, rate_hz: float) -> Ints:
    """The hub's clock at ``ticks`` (n,), from frames (k,) of the same boot that the hub stamped.

    Straight lines between them; past both ends at the rate of the whole boot, or the nominal one
    where they span less than a minute.
    """
    order = np.argsort(known_ticks, kind="stable")
    at, first = np.unique(known_ticks[order], return_index=True)
    hub = known_hub_ns[order][first]
    # From the first one on, a float holds days to far below a microsecond.
    since, stamp = (at - at[0]).astype(np.float64), (hub - hub[0]).astype(np.float64)
    span = since[-1] / rate_hz * 1e9
    slope = stamp[-1] / since[-1] if span > LONG_NS and stamp[-1] > 0 else 1e9 / rate_hz
    wanted = (ticks - at[0]).astype(np.float64)
    out = np.interp(wanted, since, stamp)
    out += np.minimum(wanted, 0.0) * slope + np.maximum(wanted - since[-1], 0.0) * slope
    return np.asarray(hub[0] + np.rint(out).astype(np.int64), np.int64)
