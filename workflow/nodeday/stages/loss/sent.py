"""Frames of a stream held against its transmit list: which row each frame is, and what no frame is.

Within a piece (frames between which the counter only counted) a frame's row less its number is one constant,
so a piece lies where most of its frames find their counter. Where counters fit several places, because they
wrapped or began anew, the places are kept at which the list's times and the hub's lie alike for all pieces::

    list       8 9 0 1 2 3 4 5 | 0 1 2 3 4          range 10, then a restart
    received       0   2 3           1 2            two pieces
    row            2   4 5           9 10
    before     8 9                 0
    after                    4 5         3 4

What was sent before the first frame of a boot, or after its last one, no counter tells; the list does.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from nodeday.config.sent_list import SentRows
from nodeday.core.arrays import Bools, Ints, runs
from nodeday.core.errors import ContractError
from nodeday.stages.loss.causes import counter_lost_thread
from nodeday.stages.loss.streams import StreamFrames
from nodeday.storage.frames import Key

SAMPLE = 64
"""Frames of a piece by which places are looked for; then all of its frames are held against the list."""
LEAST_SHARE = 0.5
"""A list that has less than this share of a stream's frames is of something else. Choice of this project."""
TOLERANCE_NS = 60_000_000_000
"""Pieces whose times lie apart by less may be of one clock: frames wait. Choice of this project."""
OFF_NS = 900_000_000_000
"""A list whose times lie further from the host's marks is of another time. Choice of this project."""
PACE = 0.1
"""Times that run faster or slower than the hub's by this share are wrong. Choice of this project."""

SentLists = Mapping[Key, SentRows]
"""Rows of a session's transmit list by node and stream."""


@dataclass(frozen=True)
class SentMatch:
    """Frames (n,) of a stream on its transmit list: ``row`` is that of each, -1 where the list lacks it.

    ``ahead_ns`` is by how much the hub's time while it was on is ahead of the list's times, (n,).
    """

    listed: SentRows
    row: Ints
    ahead_ns: Ints

    @property
    def fits(self) -> Bools:
        """Which frames (n,) the list has."""
        return np.asarray(self.row >= 0, np.bool_)

    @property
    def received(self) -> int:
        """Rows of the list of which a frame was received."""
        return int(np.count_nonzero(self.fits))

    @property
    def lost(self) -> int:
        """Rows of the list of which none was."""
        return len(self.listed.counter) - self.received


@dataclass(frozen=True)
class SentEdges:
    """Frames (k,) that the list has before the first or after the last received frame of a boot.

    ``near`` is the received frame at that edge, ``seq`` the number that counting on from it gives, ``on_ns``
    when it was due by the hub's time while it was on. Frames of an edge lie together, in order.
    """

    near: Ints
    seq: Ints
    on_ns: Ints

    def heads(self, own: StreamFrames) -> Ints:
        """Return the first frame of each edge, (e,)."""
        edge = 2 * self.near + ~self.before(own)
        return np.flatnonzero(np.diff(edge, prepend=-1))

    def before(self, own: StreamFrames) -> Bools:
        """Return which of them come before the frame at their edge, (k,)."""
        return np.asarray(self.seq < own.seq[self.near], np.bool_)


NO_EDGES = SentEdges(*(np.zeros(0, np.int64) for _ in range(3)))


def match(own: StreamFrames, listed: SentRows) -> SentMatch:
    """Return the frames of a stream on its list.

    Where the list lacks rows, or has some too many, what lies behind them is looked for anew, in order and
    near in time. Raises ContractError where the list is of other frames, or of another time.
    """
    search = _Search(own, listed)
    pieces = search.pieces()
    clocks, late_ns = search.clocks(pieces), []
    for part, (now, by_marks) in zip(pieces, clocks, strict=True):
        place, ahead_ns = search.places(part)
        if not len(place) or (now is None and len(place) > 1):
            continue
        at = 0 if now is None else int(np.abs(ahead_ns - now).argmin())
        search.take(part, int(place[at]), int(ahead_ns[at]))
        late_ns += [int(ahead_ns[at]) - now] if by_marks and now is not None else []
        search.take_rest(part)
    row, ahead = search.row, search.ahead
    _, first = np.unique(row, return_index=True)
    again = np.ones(len(row), np.bool_)
    again[first] = False
    row[again] = -1
    if len(fits := np.flatnonzero(row >= 0)):  # a piece without a place takes the time of its neighbour
        ahead = ahead[fits[np.searchsorted(fits, np.arange(len(row))).clip(max=len(fits) - 1)]]
    found = SentMatch(listed, row, ahead)
    _refuse(own, found, int(np.median(late_ns)) if late_ns else 0)
    return found


Window = tuple[int, int, int]
"""Rows between which a row must lie, both excluded, and by how much the hub's time is ahead there, in ns."""


class _Search:
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
        hub's time is ahead of the list's there, in ns: its median over frames that fit. With a ``window``, only rows in it count.
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
        """Return the time by which the hub is ahead at which most frames find a row; None for several.

        The times tried are those of the places of each piece.
        """
        every = np.unique(np.concatenate([self.places(part)[1] for part in pieces]))
        if not len(every):
            return None
        some = _some(slice(0, len(self.raw)), 4 * SAMPLE)
        fits = np.zeros(len(every), np.int64)
        for number, on_ns in zip(self.raw[some].tolist(), self.on_ns[some].tolist(), strict=True):
            low, high = (int(np.searchsorted(self.sorted, number, side)) for side in ("left", "right"))
            sent_ns = self.listed.utc_ns[self.order[low:high]]
            if len(sent_ns):
                at = np.searchsorted(sent_ns, on_ns - every).clip(1, max(len(sent_ns) - 1, 1))
                near = np.stack([sent_ns[at - 1], sent_ns[at.clip(max=len(sent_ns) - 1)]])
                fits += (np.abs(near - (on_ns - every)) <= self.within).any(axis=0)
        best = every[fits == fits.max()]
        return int(best[len(best) // 2]) if best[-1] - best[0] <= 2 * self.within else None


def _some(part: slice, most: int = SAMPLE) -> Ints:
    """Return some frames of a slice, spread over it, all where they are few."""
    count = part.stop - part.start
    return np.linspace(part.start, part.stop - 1, min(most, count)).astype(np.int64)


def _refuse(own: StreamFrames, found: SentMatch, late_ns: int) -> None:
    """Raise ContractError where a list has too few of the frames, or its times are not the hub's."""
    listed, at = found.listed, np.flatnonzero(found.fits)
    where, name = f"{listed.path} line {listed.line[0]}", f"{own.node}/{own.stream}"
    if len(at) < LEAST_SHARE * len(own.seq):
        raise ContractError(
            f"counters and times of the list fit {len(at)} of the {len(own.seq)} frames received of {name}",
            where,
            "a row for each frame that this node sent in this session",
        )
    at = at[own.run[at] == np.bincount(own.run[at]).argmax()]  # the hub's time stands still while it is off
    quarter = max(len(at) // 4, 1)
    hub_s, list_s = (
        (np.sort(times[-quarter:])[quarter // 2] - np.sort(times[:quarter])[quarter // 2]) / 1e9
        for times in (own.on_at(at), listed.utc_ns[found.row[at]])
    )
    if abs(hub_s - list_s) > max(PACE * hub_s, TOLERANCE_NS / 1e9):
        raise ContractError(
            f"times of {name} go on by {list_s:.0f} s where the hub's go on by {hub_s:.0f} s",
            where,
            "times of sending, in the unit that the column's name tells",
        )
    if abs(late_ns) > OFF_NS:
        raise ContractError(
            f"frames of {name} came {late_ns / 1e9:.0f} s after their times by the host's marks",
            where,
            "times of sending in UTC",
        )


def edges(own: StreamFrames, found: SentMatch) -> SentEdges:
    """Return the frames that the list has before the first and after the last frame of each boot.

    Between two boots, rows of the stretch in which the later one begins come before it; all others come after
    the earlier one, stretches of which nothing was received among them.
    """
    spans, stretch = _spans(own, found), found.listed.stretch
    cuts = [0]
    for (*_, last), (_, _, first, _) in pairwise(spans):
        begin = int(np.searchsorted(stretch, stretch[min(max(first, 0), len(stretch) - 1)]))
        cuts.append(max(last + 1, begin if begin > last else first))
    cuts.append(len(stretch))
    missing = np.ones(len(stretch), np.bool_)
    missing[found.row[found.fits]] = False
    parts = []
    for (head, tail, first, last), start, stop in zip(spans, cuts[:-1], cuts[1:], strict=True):
        for near, at, rows in (
            (head, first, np.arange(start, first)),
            (tail, last, np.arange(last + 1, stop)),
        ):
            rows = rows[missing[rows]]
            on_ns = found.listed.utc_ns[rows] + found.ahead_ns[near]
            parts.append((np.full(len(rows), near), own.seq[near] + rows - at, on_ns))
    return SentEdges(*map(np.concatenate, zip(*parts, strict=True))) if parts else NO_EDGES


def _spans(own: StreamFrames, found: SentMatch) -> list[tuple[int, int, int, int]]:
    """Return first and last frame of each boot that the list has, and their rows, in order of these.

    A frame at an edge that the list lacks stands in the row to which its number leads.
    """
    heads, spans = np.flatnonzero(np.diff(own.boot, prepend=-1)), []
    for head, end in zip(heads.tolist(), [*heads[1:].tolist(), len(own.seq)], strict=True):
        fits = np.flatnonzero(found.fits[head:end]) + head
        if len(fits):
            first = int(found.row[fits[0]] - (own.seq[fits[0]] - own.seq[head]))
            last = int(found.row[fits[-1]] + (own.seq[end - 1] - own.seq[fits[-1]]))
            spans.append((head, end - 1, first, last))
    return sorted(spans, key=lambda each: each[2])
