"""Where the frames of a further capture belong in the first: found by the frames that both have."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from nodeday.core.arrays import Bools, Ints
from nodeday.stages.frames.columns import DISTINCT, UNPLACED, FrameRows, Marks, joined

MOST_TARGETS = 16
"""Places that one stretch of a capture may be split over, at most."""


def place(captures: list[FrameRows]) -> list[FrameRows]:
    """One node's frames, those of further captures with boot and ticks of the first where their
    place is known, and else with the status ``unplaced``.
    """
    known = captures[0].take(np.isin(captures[0].status, DISTINCT))
    out = [
        captures[0],
        *(
            replace(each, status=np.full(len(each), UNPLACED), boot=each.boot.copy(), ticks=each.ticks.copy())
            for each in captures[1:]
        ),
    ]
    waiting = [
        (number, np.flatnonzero(each.boot == boot))
        for number, each in enumerate(captures[1:], 1)
        for boot in np.unique(each.boot).tolist()
    ]
    while waiting and len(known):
        left, more, index = [], [], _Known.of(known)
        for number, rows in waiting:
            piece = captures[number].take(rows)
            placed = _targets(piece, index)
            if placed is None:
                left.append((number, rows))
                continue
            boot, shift = placed
            out[number].boot[rows], out[number].ticks[rows] = boot, piece.ticks + shift
            out[number].status[rows] = piece.status
            more.append(out[number].take(rows))
        if not more:
            break
        known, waiting = joined([known, *(each.take(np.isin(each.status, DISTINCT)) for each in more)]), left
    return out


def _targets(piece: FrameRows, known: _Known) -> tuple[Ints, Ints] | None:
    """Boot and shift of ticks (n,) for the frames of one boot of a further capture; None where no
    place is borne out. Nearly always they are the same for all; where one capture saw a restart
    that the other did not, a frame goes with the last shared frame before it.
    """
    at, boot, shift = known.shared(piece)
    if not len(at):
        return None
    pairs, votes = np.unique(np.stack([boot, shift]), axis=1, return_counts=True)
    best = pairs[:, np.argsort(-votes, kind="stable")[:MOST_TARGETS]].T.tolist()
    while best:
        which = np.full(len(at), -1, np.int64)
        for number, (one, other) in enumerate(best):
            which[(boot == one) & (shift == other)] = number
        target = _nearest_before(len(piece), at[which >= 0], which[which >= 0])
        borne = [
            number
            for number, (one, other) in enumerate(best)
            if _borne_out(piece.take(target == number), one, other, known.frames)
        ]
        if len(borne) == len(best):
            chosen = np.array(best, np.int64)[target]
            return chosen[:, 0], chosen[:, 1]
        best = [best[n] for n in borne]
    return None


@dataclass(frozen=True)
class _Known:
    """Frames whose place is known, and where to find each by its key (sorted). A payload that comes
    again and again (a constant signal) tells little: with it, even counters that wrap come back.
    """

    frames: FrameRows
    key: Marks
    row: Ints
    once: Bools
    telling: Bools

    @classmethod
    def of(cls, frames: FrameRows) -> _Known:
        """For one frame or more."""
        keys = _keys(frames)
        rows = np.argsort(keys)
        return cls(frames, keys[rows], rows, _once(keys)[rows], _once(frames.content)[rows])

    def shared(self, piece: FrameRows) -> tuple[Ints, Ints, Ints]:
        """Frames that ``piece`` has too: its rows, and the boot and shift of ticks that each speaks
        for. Where only payloads that tell little are shared, each must be there once and no more.
        """
        rows = np.flatnonzero(np.isin(piece.status, DISTINCT))
        mine = piece.take(rows)
        keys = _keys(mine)
        place = np.minimum(np.searchsorted(self.key, keys), len(self.key) - 1)
        there = self.key[place] == keys
        found = there & self.once[place] & _once(keys)
        telling = found & _once(mine.content) & self.telling[place]
        if telling.any():
            found = telling
        elif (there & ~found).any():
            found[:] = False
        seen = self.row[place[found]]
        return rows[found], self.frames.boot[seen], self.frames.ticks[seen] - mine.ticks[found]


def _keys(frames: FrameRows) -> Marks:
    """A number for stream, raw counters and content."""
    out = frames.content.copy()
    for values, odd in (
        (frames.stream, 0x9E3779B97F4A7C15),
        (frames.seq_raw, 0xC2B2AE3D27D4EB4F),
        (frames.ticks_raw, 0x165667B19E3779F9),
    ):
        out = (out ^ (out >> np.uint64(29))) * np.uint64(0xBF58476D1CE4E5B9)
        out ^= (values.astype(np.uint64) + np.uint64(1)) * np.uint64(odd)
    return out


def _once(values: Marks) -> Bools:
    _, place, count = np.unique(values, return_inverse=True, return_counts=True)
    return np.asarray(count[place] == 1, np.bool_)


def _nearest_before(n: int, at: Ints, which: Ints) -> Ints:
    """For each of ``n`` rows the ``which`` of the last ``at`` up to it, or of the first one."""
    place = np.searchsorted(at, np.arange(n), side="right") - 1
    return which[np.maximum(place, 0)]


def _nearest(values: Ints, wanted: Ints) -> Ints:
    """Places of the ``values`` (sorted, one or more) nearest to each of ``wanted``."""
    right = np.minimum(np.searchsorted(values, wanted), len(values) - 1)
    left = np.maximum(right - 1, 0)
    return np.where(np.abs(wanted - values[left]) <= np.abs(wanted - values[right]), left, right)


def _borne_out(piece: FrameRows, boot: int, shift: int, known: FrameRows) -> bool:
    """Whether more frames of ``piece`` are among ``known`` than contradict them: within less than
    half a frame of a known one of the stream, but not the same.
    """
    same = against = 0
    for stream in np.unique(piece.stream).tolist():
        there = known.take((known.stream == stream) & (known.boot == boot))
        order = np.argsort(there.ticks, kind="stable")
        ticks, content = there.ticks[order], there.content[order]
        mine = piece.take((piece.stream == stream) & np.isin(piece.status, DISTINCT))
        if not len(ticks) or not len(mine):
            continue
        at = mine.ticks + shift
        near = _nearest(ticks, at)
        apart = np.diff(ticks)
        close = np.abs(at - ticks[near]) < (apart[apart > 0].min() / 2 if (apart > 0).any() else 1)
        equal = close & (at == ticks[near]) & (mine.content == content[near])
        same, against = same + int(equal.sum()), against + int((close & ~equal).sum())
    return same > against
