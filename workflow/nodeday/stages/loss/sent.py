"""Frames of a stream held against its transmit list: which row each frame is, and what no frame is.

What was sent before the first frame of a boot, or after its last one, no counter tells; the list does::

    list       8 9 0 1 2 3 4 5 | 0 1 2 3 4          range 10, then a restart
    received       0   2 3           1 2
    before     8 9                 0
    between          1
    after                    4 5         3 4
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from nodeday.config.sent_list import SentRows
from nodeday.core.arrays import Bools, Ints
from nodeday.core.errors import ContractError
from nodeday.stages.loss.sent_search import TOLERANCE_NS, RowSearch
from nodeday.stages.loss.streams import StreamFrames
from nodeday.storage.frames import Key

LEAST_SHARE = 0.5
"""A list that has less than this share of a stream's frames is of something else. Choice of this project."""
OFF_NS = 900_000_000_000
"""A list whose times lie further from the host's marks is of another time. Choice of this project."""
PACE = 0.1
"""Times that run faster or slower than the hub's by this share are wrong. Choice of this project."""

MOST = 10
"""Frames of a stream that are named where the list lacks them; all are counted."""

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
class NotListed:
    """Received frames of a stream that the transmit list lacks: ``count`` in all, the first MOST by name.

    ``frames`` are boot, number and counter of each. Without ``has_rows`` the list has nothing of the stream.
    """

    node: str
    stream: str
    has_rows: bool
    count: int
    frames: list[tuple[int, int, int]]

    @classmethod
    def of(cls, own: StreamFrames, found: SentMatch | None) -> NotListed:
        """Return the frames of a stream that are not ``found`` on the list."""
        if found is None:
            return cls(own.node, own.stream, False, len(own.seq), [])
        at = np.flatnonzero(~found.fits)
        columns = (column[at[:MOST]].tolist() for column in (own.boot, own.seq, own.column("seq_raw")))
        return cls(own.node, own.stream, True, len(at), list(zip(*columns, strict=True)))


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
    search = RowSearch(own, listed)
    pieces = search.pieces()
    clocks, late_ns = search.clocks(pieces), []
    for part, (now, by_marks) in zip(pieces, clocks, strict=True):
        place, ahead_ns = search.nearest(part, now)
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
