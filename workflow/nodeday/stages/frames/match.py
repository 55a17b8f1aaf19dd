"""Match of further captures to the first, by the frames that both have."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from nodeday.core.arrays import Bools, Ints
from nodeday.stages.frames.columns import DISTINCT, UNPLACED, Digests, FrameRows, joined

MOST_TARGETS = 16
"""Most pairs of boot and shift of ticks that the frames of one boot of a capture may be split over."""


def place_captures(captures: list[FrameRows]) -> list[FrameRows]:
    """Return one node's frames, those of further captures with boot and ticks of the first capture.

    Frames of further captures that match nothing keep theirs and get the status ``unplaced``.
    """
    known = captures[0].take(np.isin(captures[0].status, DISTINCT))
    out = [
        captures[0],
        *(
            replace(one, status=np.full(len(one), UNPLACED), boot=one.boot.copy(), ticks=one.ticks.copy())
            for one in captures[1:]
        ),
    ]
    waiting = [
        (number, np.flatnonzero(frames.boot == boot))
        for number, frames in enumerate(captures[1:], 1)
        for boot in np.unique(frames.boot).tolist()
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
        known, waiting = joined([known, *(part.take(np.isin(part.status, DISTINCT)) for part in more)]), left
    return out


def _targets(piece: FrameRows, known: _Known) -> tuple[Ints, Ints] | None:
    """Return boot and shift of ticks (n,) for the frames of one boot of a further capture.

    None where no pair is confirmed. Nearly always one pair holds for all frames; where one capture saw a
    restart that the other did not, a frame takes the pair of the last shared frame before it.
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
        confirmed = [
            number
            for number, (one, other) in enumerate(best)
            if _is_confirmed(piece.take(target == number), one, other, known.frames)
        ]
        if len(confirmed) == len(best):
            chosen = np.array(best, np.int64)[target]
            return chosen[:, 0], chosen[:, 1]
        best = [best[number] for number in confirmed]
    return None


@dataclass(frozen=True)
class _Known:
    """Frames whose boot and ticks in the first capture are known, with their sorted keys.

    ``row`` is the frame of each key. ``once`` tells which keys occur once, ``distinctive`` which payloads
    do. A payload that repeats (a constant signal) tells little: with it, even counters that wrap come back.
    """

    frames: FrameRows
    key: Digests
    row: Ints
    once: Bools
    distinctive: Bools

    @classmethod
    def of(cls, frames: FrameRows) -> _Known:
        """Return the sorted keys of one frame or more."""
        keys = _keys(frames)
        rows = np.argsort(keys)
        return cls(frames, keys[rows], rows, _once(keys)[rows], _once(frames.content)[rows])

    def shared(self, piece: FrameRows) -> tuple[Ints, Ints, Ints]:
        """Return the rows of ``piece`` that are known frames, and the boot and shift of ticks of each.

        Frames with distinctive payloads are preferred. Where no such frame is shared, nothing is returned
        if any shared key occurs more than once.
        """
        rows = np.flatnonzero(np.isin(piece.status, DISTINCT))
        distinct = piece.take(rows)
        keys = _keys(distinct)
        index = np.minimum(np.searchsorted(self.key, keys), len(self.key) - 1)
        equal = self.key[index] == keys
        shared = equal & self.once[index] & _once(keys)
        distinctive = shared & _once(distinct.content) & self.distinctive[index]
        if distinctive.any():
            shared = distinctive
        elif (equal & ~shared).any():
            shared[:] = False
        frame = self.row[index[shared]]
        return rows[shared], self.frames.boot[frame], self.frames.ticks[frame] - distinct.ticks[shared]


def _keys(frames: FrameRows) -> Digests:
    """Return one number (n,) for stream, raw counters and content of each frame."""
    out = frames.content.copy()
    for values, odd in (
        (frames.stream, 0x9E3779B97F4A7C15),
        (frames.seq_raw, 0xC2B2AE3D27D4EB4F),
        (frames.ticks_raw, 0x165667B19E3779F9),
    ):
        out = (out ^ (out >> np.uint64(29))) * np.uint64(0xBF58476D1CE4E5B9)
        out ^= (values.astype(np.uint64) + np.uint64(1)) * np.uint64(odd)
    return out


def _once(values: Digests) -> Bools:
    """Return which values (n,) occur once."""
    _, group, count = np.unique(values, return_inverse=True, return_counts=True)
    return np.asarray(count[group] == 1, np.bool_)


def _nearest_before(n: int, at: Ints, which: Ints) -> Ints:
    """Return for each of ``n`` rows the ``which`` of the last ``at`` up to it, or of the first one."""
    index = np.searchsorted(at, np.arange(n), side="right") - 1
    return which[np.maximum(index, 0)]


def _nearest(values: Ints, wanted: Ints) -> Ints:
    """Return the index of the value nearest to each of ``wanted``; ``values`` are sorted, at least one."""
    right = np.minimum(np.searchsorted(values, wanted), len(values) - 1)
    left = np.maximum(right - 1, 0)
    return np.where(np.abs(wanted - values[left]) <= np.abs(wanted - values[right]), left, right)


def _is_confirmed(piece: FrameRows, boot: int, shift: int, known: FrameRows) -> bool:
    """Return whether more frames of ``piece`` are among ``known`` than contradict them.

    A frame contradicts if it is within half a frame of a known one of its stream, but not the same.
    """
    same = against = 0
    for stream in np.unique(piece.stream).tolist():
        of_stream = known.take((known.stream == stream) & (known.boot == boot))
        order = np.argsort(of_stream.ticks, kind="stable")
        ticks, content = of_stream.ticks[order], of_stream.content[order]
        distinct = piece.take((piece.stream == stream) & np.isin(piece.status, DISTINCT))
        if not len(ticks) or not len(distinct):
            continue
        at = distinct.ticks + shift
        near = _nearest(ticks, at)
        apart = np.diff(ticks)
        close = np.abs(at - ticks[near]) < (apart[apart > 0].min() / 2 if (apart > 0).any() else 1)
        equal = close & (at == ticks[near]) & (distinct.content == content[near])
        same, against = same + int(equal.sum()), against + int((close & ~equal).sum())
    return same > against
