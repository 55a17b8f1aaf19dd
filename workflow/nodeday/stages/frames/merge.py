"""Merge of the captures of one session: frames of further captures get the counters of the first.

Two captures count boots and sequence numbers from wherever they began, so that the same frame has
other numbers in each. The bytes that a node sent are the same in both: frames whose raw sequence number,
raw ticks and content agree are one frame. The difference of their unwrapped ticks is the same for all
frames of a boot, so it places the frames that only one capture has::

    first     20 21 22 -- -- 25 26        ticks 20 .. 26
    second             3  4  5  6  7      ticks 3 .. 7; 5, 6 are 25, 26: the difference is 20
    merged    20 21 22 23 24 25 26 27     23, 24, 27 recovered; 25, 26 have a second copy

A difference that more frames contradict than confirm is not used. A stretch that shares no frame, not
even by way of a third capture, stays unplaced.
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
from nodeday.stages.frames.match import place_captures

LONG_NS = 60_000_000_000
"""Span of frames above which they give a node's tick rate better than its nominal rate does."""
_CHANGED = ("boot", "seq", "ticks", "hub_ns", "status")


@dataclass(frozen=True)
class FramePeriod:
    """Range of a stream's sequence number, ticks from frame to frame, and ticks a second."""

    modulus: int
    ticks_per_frame: float
    rate_hz: float


def merge(captures: Sequence[FrameRows], periods: Mapping[tuple[int, int], FramePeriod]) -> list[FrameRows]:
    """Return the captures with the boots, sequence numbers, stamps and statuses of the merged session.

    The first capture is unchanged. ``hub_ns`` of the others is on its clock, by way of the node's ticks.
    ``periods`` are by (node, stream). Which frames are distinct does not depend on the order of the
    captures after the first.
    """
    out = [captures[0], *(_copy(one) for one in captures[1:])]
    for node in np.unique(np.concatenate([one.node for one in captures])).tolist():
        rows = [np.flatnonzero(one.node == node) for one in captures]
        placed = place_captures([one.take(of_node) for one, of_node in zip(captures, rows, strict=True)])
        of_streams = {stream: period for (number, stream), period in periods.items() if number == node}
        for done, target, of_node in zip(_number(placed, of_streams), out[1:], rows[1:], strict=True):
            for name in _CHANGED:
                getattr(target, name)[of_node] = getattr(done, name)
    return out


def _copy(frames: FrameRows) -> FrameRows:
    """Return frames whose columns may be changed by a merge."""
    return replace(frames, **{name: getattr(frames, name).copy() for name in _CHANGED})


def _number(captures: list[FrameRows], periods: Mapping[int, FramePeriod]) -> list[FrameRows]:
    """Return the further captures of one node with the sequence numbers and hub stamps of the first."""
    sizes = [len(one) for one in captures]
    frames = joined(captures)
    capture = np.repeat(np.arange(len(captures)), sizes)
    done = _copy(frames)
    placed = (capture == 0) | (frames.status != UNPLACED)
    first = (capture == 0) & np.isin(frames.status, IN_ORDER)
    keys = zip(frames.stream[placed].tolist(), frames.boot[placed].tolist(), strict=True)
    for stream, boot in sorted({*keys}):
        of_boot = placed & (frames.boot == boot)
        rows = np.flatnonzero(of_boot & (frames.stream == stream))
        new = rows[capture[rows] > 0]
        if not len(new):
            continue
        done.seq[rows], done.status[rows] = _sequence(frames.take(rows), capture[rows], periods[stream])
        # Streams wait differently long for their last sample, so another stream serves only where it must.
        base = rows[first[rows]] if first[rows].any() else np.flatnonzero(of_boot & first)
        if len(base):
            known = frames.ticks[base], frames.hub_ns[base]
            done.hub_ns[new] = hub_time(frames.ticks[new], *known, periods[stream].rate_hz)
    edges = np.cumsum(sizes)
    return [done.take(slice(start, end)) for start, end in pairwise(edges.tolist())]


def _sequence(frames: FrameRows, capture: Ints, period: FramePeriod) -> tuple[Ints, States]:
    """Return sequence number and status (n,) of one stream in one boot; those of capture 0 stay."""
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
    expected = (frames.ticks - frames.ticks[near]) / period.ticks_per_frame
    nearest = np.rint(expected).astype(np.int64)
    steps = unwrap.wrap_steps(frames.seq_raw - frames.seq_raw[near], nearest, period.modulus)
    odd = np.abs(expected - steps) > period.modulus / unwrap.ODD_PART
    number = seq[near] + np.where(odd, nearest, steps)
    of_first = capture == 0
    number[of_first] = frames.seq[of_first]
    return number, _statuses(number, frames, of_first, odd)


def _statuses(number: Ints, frames: FrameRows, of_first: Bools, odd: Bools) -> States:
    """Return statuses (n,), those ``of_first`` unchanged.

    The first frame of each number counts as the frame; others are its copies, or contradict it.
    """
    status = frames.status.copy()
    _, lead, group = np.unique(number, return_index=True, return_inverse=True)
    first = lead[group]
    equal = (frames.content == frames.content[first]) & (frames.ticks_raw == frames.ticks_raw[first])
    again = ~of_first & (first != np.arange(len(number)))
    status[again] = np.where(equal[again], DUPLICATE, CONFLICT)
    new = ~of_first & ~again
    status[new] = np.where(odd[new], INCONSISTENT, np.where(status[new] == GOOD, GOOD, LATE))
    return status


def hub_time(ticks: Ints, known_ticks: Ints, known_hub_ns: Ints, rate_hz: float) -> Ints:
    """Return the hub's clock in ns at ``ticks`` (n,), from frames (k,) of the boot that the hub stamped.

    Between them the clock is on straight lines; past both ends it goes at the mean rate of the boot, or at
    the nominal one where they span no more than a minute.
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
