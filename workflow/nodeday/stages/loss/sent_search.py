"""Search for the rows of a transmit list that a stream's frames are.

Within a piece (frames between which the counter only counted) a frame's row less its number is one constant,
so a piece lies where most of its frames find their counter. Where counters fit several places, because they
wrapped or began anew, times tell: the hub's are ahead of the list's by about as much everywhere::

    list       8 9 0 1 2 3 4 5 | 0 1 2 3 4          range 10, then a restart
    received       0   2 3           1 2            two pieces
    row            2   4 5           9 10
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from nodeday.config.sent_list import SentRows
from nodeday.core.arrays import Ints, runs
from nodeday.stages.loss.causes import counter_lost_thread
from nodeday.stages.loss.streams import StreamFrames

SAMPLE = 64
"""Frames of a slice by which places are looked for; then all of its frames are held against the list."""
TOLERANCE_NS = 60_000_000_000
"""Times apart by less may be alike: frames wait. Choice of this project."""

Window = tuple[int, int, int]
"""Rows between which a row must lie, both excluded, and by how much the hub's time is ahead there, in ns."""


class RowSearch:
    """Search for the rows of a stream's frames: ``row`` and ``ahead`` (n,) are what was found so far."""

    def __init__(self, own: StreamFrames, listed: SentRows) -> None:
        self.own, self.listed = own, listed
        self.raw, self.on_ns = own.column("seq_raw"), own.on_ns
        self.order = np.argsort(listed.counter, kind="stable")
        self.sorted = listed.counter[self.order]
        self.row, self.ahead = np.full(len(own.seq), -1, np.int64), np.zeros(len(own.seq), np.int64)
        turn_ns = own.pace.seq_modulus * own.pace.period_s * 1e9
        self.within = round(min(float(TOLERANCE_NS), turn_ns / 4))

    def pieces(self) -> list[slice]:
        """Return the stretches of frames in which the counter only counted."""
        own = self.own
        broken = counter_lost_thread(own.boot, own.seq, self.raw, own.pace.seq_modulus)
        edges = np.flatnonzero(broken | (np.diff(own.boot) != 0)) + 1
        return [slice(a, b) for a, b in pairwise([0, *edges.tolist(), len(own.seq)])]

    def places(self, part: slice, window: Window | None = None) -> tuple[Ints, Ints]:
        """Return the places (p,), row less number, at which many frames of a slice find their counter.

        Many are half as many as at the best place, or more: a list may lack rows. With each, by how much the
        hub's time is ahead of the list's there, in ns: its median over frames that fit. With a
        ``window``, only rows in it count.
        """
        some = _some(part)
        seq, on_ns = self.own.seq[some], self.on_ns[some]
        first, stop = (np.searchsorted(self.sorted, self.raw[some], side) for side in ("left", "right"))
        many = stop - first
        at = np.repeat(first - np.cumsum(many) + many, many) + np.arange(int(many.sum()))
        rows, frame = self.order[at], np.repeat(np.arange(len(some)), many)
        ahead_ns = on_ns[frame] - self.listed.utc_ns[rows]
        if window is not None:
            low, high, now = window
            kept = (rows > low) & (rows < high) & (np.abs(ahead_ns - now) <= self.within)
            rows, frame, ahead_ns = rows[kept], frame[kept], ahead_ns[kept]
        place, group, votes = np.unique(rows - seq[frame], return_inverse=True, return_counts=True)
        inside = np.lexsort((ahead_ns, group))
        middle = ahead_ns[inside][np.cumsum(votes) - votes + votes // 2]
        best = 2 * votes >= votes.max(initial=0)
        return np.asarray(place[best], np.int64), np.asarray(middle[best], np.int64)

    def nearest(self, part: slice, now: int | None) -> tuple[Ints, Ints]:
        """Return the :meth:`places` of a slice near to a time; all where it is not known or none is near."""
        near = self.places(part, (-1, len(self.listed.counter), now)) if now is not None else None
        return self.places(part) if near is None or not len(near[0]) else near

    def take(self, part: slice, place: int, ahead_ns: int, low: int = -1, high: int | None = None) -> None:
        """Give frames of a slice their rows at a place, where these hold their counters."""
        rows, raw = self.own.seq[part] + place, self.raw[part]
        there = (rows > low) & (rows < (len(self.listed.counter) if high is None else high))
        there[there] &= self.listed.counter[rows[there]] == raw[there]
        self.row[part], self.ahead[part] = np.where(there, rows, -1), ahead_ns

    def take_rest(self, part: slice) -> None:
        """Give frames of a piece that its place does not fit their rows, in order and near in time."""
        stack = self._left(part)
        while stack:
            one = stack.pop()
            fits = np.flatnonzero(self.row[part] >= 0) + part.start
            if not len(fits):
                return
            after = int(np.searchsorted(fits, one.start))
            low = int(self.row[fits[after - 1]]) if after else -1
            high = int(self.row[fits[after]]) if after < len(fits) else len(self.listed.counter)
            now = int(self.ahead[fits[max(after - 1, 0)]])
            place, ahead_ns = self.places(one, (low, high, now))
            if len(place):
                at = int(np.abs(ahead_ns - now).argmin())
                self.take(one, int(place[at]), int(ahead_ns[at]), low, high)
                stack += self._left(one) if (self.row[one] >= 0).any() else []

    def _left(self, part: slice) -> list[slice]:
        """Return the runs of frames of a slice that have no row."""
        starts, ends = (each + part.start for each in runs(self.row[part] < 0))
        return [slice(a, b) for a, b in zip(starts.tolist(), ends.tolist(), strict=True)]

    def clocks(self, pieces: list[slice]) -> list[tuple[int | None, bool]]:
        """Return by how much the hub's time is ahead of UTC in each piece, and whether host marks tell so.

        Without marks it is ahead of the list by what fits most frames; None where several do alike.
        """
        own, clocks, voted = self.own, list[tuple[int | None, bool]](), None
        for part in pieces:
            on_ns, hub_ns = int(self.on_ns[part.start]), int(own.hub_ns[part.start])
            utc = own.hub.utc_of(int(own.run[part.start]), on_ns, hub_ns)
            if utc is None and voted is None:
                voted = (self._voted(pieces),)
            clocks.append((on_ns - utc, True) if utc is not None else ((voted or (None,))[0], False))
        return clocks

    def _voted(self, pieces: list[slice]) -> int | None:
        """Return by how much the hub is ahead where frames lie nearest to rows of their counter.

        The times tried are those of the places of each piece; each frame counts ``within`` at most. None
        where another time, two frame periods off or more, is as good but for less than one frame.
        """
        every = np.unique(np.concatenate([self.places(part)[1] for part in pieces]))
        if not len(every):
            return None
        off_ns = np.zeros(len(every), np.int64)
        some = _some(slice(0, len(self.raw)), 4 * SAMPLE)
        for number, on_ns in zip(self.raw[some].tolist(), self.on_ns[some].tolist(), strict=True):
            low, high = (int(np.searchsorted(self.sorted, number, side)) for side in ("left", "right"))
            far = np.full(len(every), self.within)
            if low < high:
                sent_ns, due = self.listed.utc_ns[self.order[low:high]], on_ns - every
                at = np.searchsorted(sent_ns, due)
                for side in (at - 1, at):
                    far = np.minimum(far, np.abs(sent_ns[side.clip(0, high - low - 1)] - due))
            off_ns += far
        best = int(off_ns.argmin())
        other = np.abs(every - every[best]) >= 2e9 * self.own.pace.period_s
        return None if (off_ns[other] < off_ns[best] + self.within).any() else int(every[best])


def _some(part: slice, most: int = SAMPLE) -> Ints:
    """Return some frames of a slice, spread over it, all where they are few."""
    count = part.stop - part.start
    return np.linspace(part.start, part.stop - 1, min(most, count)).astype(np.int64)
