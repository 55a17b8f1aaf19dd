"""Finding frames in bytes: every byte belongs to one frame or one reject.

A frame names a kind of its layout, has that kind's length, a known node and a checksum that
holds. Behind a sync word whose frame fails, the search goes on one byte further::

    bytes    ..junk.. [sync bad.....[sync good frame.....] tail
    frames                          |--------------------|
    rejects  |junk---||bad_checksum-|                     |junk|

Between delimiters a chunk is a frame or it is not.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from nodeday.core.arrays import Bools, Bytes
from nodeday.layouts import Kind, Layout
from nodeday.layouts.stuffing import DELIMITER
from nodeday.stages.frames import framing
from nodeday.stages.frames.columns import BAD_CHECKSUM, BAD_STUFFING, NO_REASON, TRUNCATED, Reasons
from nodeday.stages.frames.rejects import Reject, claims_of, tile_rejects
from nodeday.stages.frames.validate import (
    NO_ADDRESS,
    Positions,
    Spoken,
    explain_odd,
    validate_candidates,
)


@dataclass(frozen=True)
class FoundFrames:
    """Frames of one kind: their byte ranges in the capture (n,), and their bytes without stuffing."""

    layout: Layout
    kind: Kind
    start: Positions
    end: Positions
    frames: Bytes
    null: Mapping[str, Bools] = field(default_factory=dict)
    """Fields by role, or by their column of table ``frames``, whose bytes mean nothing, as in a decoded
    recording, (n,)."""


@dataclass(frozen=True)
class ScannedBlock:
    """What a stretch of the capture holds: frames by layout and kind, and settled rejects."""

    frames: list[FoundFrames]
    rejects: list[Reject]


@dataclass(frozen=True)
class _Candidates:
    """Byte ranges (n,) that may be frames, in order; ``bodies`` index into them."""

    start: Positions
    end: Positions
    good: Bools
    followed: Bools
    reason: Reasons
    address: Positions
    bodies: list[tuple[Layout, Kind, Positions, Bytes]]


def scan(pieces: Iterable[bytes], spoken: Sequence[Spoken]) -> Iterator[ScannedBlock]:
    """Blocks of a capture that comes in ``pieces``; memory is bounded by piece and block size.

    ``spoken`` are the layouts in the capture, all of one framing, and the addresses that speak
    each: a whole frame of any other node is a reject. The result does not depend on how the
    capture is cut into pieces.
    """
    look = _Delimited(spoken) if spoken[0].layout.framing != "sync" else _Synced(spoken)
    base, rest = 0, b""
    pending: Reject | None = None
    for data, final in _with_last(pieces):
        buffer = np.frombuffer(rest + data, np.uint8)
        settled, found = look.candidates(buffer, final)
        if not settled:
            rest = buffer.tobytes()
            continue
        taken = _without_overlap(found)
        taken = taken[found.start[taken] < settled]
        cut = max(settled, int(found.end[taken[-1]])) if len(taken) else settled
        claims = claims_of(found.start, found.end, found.reason, found.address)
        segments = tile_rejects(claims, found.start[taken], found.end[taken], cut, base, pending)
        # A reject at the end may go on in the next block.
        goes_on = bool(segments) and segments[-1].end >= base + cut and not final
        pending = segments.pop() if goes_on else None
        yield ScannedBlock(_frames(found, taken, base), segments)
        base, rest = base + cut, buffer[cut:].tobytes()
    if pending is not None:
        yield ScannedBlock([], [replace(pending, end=min(pending.end, base))])


def longest_frame(spoken: Sequence[Spoken]) -> int:
    """The most bytes that a candidate can claim, before any stuffing."""
    most = 0
    for each in spoken:
        length = each.layout.field("length")
        claimed = (1 << length.bits) - 1 + length.plus if length and each.layout.framing == "sync" else 0
        most = max(most, claimed, *(each.layout.frame_bytes(kind) for kind in each.layout.kinds))
    return most


def _with_last(pieces: Iterable[bytes]) -> Iterator[tuple[bytes, bool]]:
    previous = None
    for piece in pieces:
        if previous is not None:
            yield previous, False
        previous = piece
    yield previous or b"", True


class _Synced:
    """Candidates behind sync words."""

    def __init__(self, spoken: Sequence[Spoken]) -> None:
        self.spoken = spoken
        self.longest = longest_frame(spoken)
        self.sync_bytes = max(len(each.layout.sync_bytes) for each in spoken)

    def candidates(self, buffer: Bytes, final: bool) -> tuple[int, _Candidates]:
        """How far all is settled, and the candidates up to there and a frame further.

        A frame is settled once all that may overlap it, and what follows that, has been read.
        """
        settled = len(buffer) if final else max(len(buffer) - 2 * self.longest - self.sync_bytes, 0)
        taken: dict[bytes, Positions] = {}
        judged = []
        for each in self.spoken:
            sync = each.layout.sync_bytes
            start = framing.sync_offsets(buffer, sync, settled + self.longest)
            # A frame of one layout need not be looked at by the others that share its sync word.
            start = np.setdiff1d(start, taken.get(sync, start[:0]), assume_unique=True)
            found = validate_candidates(buffer, start, None, each)
            taken[sync] = np.union1d(taken.get(sync, start[:0]), start[found.good])
            judged.append((each.layout, start, found))
        parts = []
        for layout, start, found in judged:
            odd = np.flatnonzero(found.odd & ~np.isin(start, taken[layout.sync_bytes]))
            found.reason[odd], found.address[odd] = explain_odd(buffer, start, found.length, odd, layout)
            bodies = [(layout, *body) for body in found.bodies]
            end = start + found.length
            followed = framing.sync_at(buffer, end, layout.sync_bytes)
            parts.append(_Candidates(start, end, found.good, followed, found.reason, found.address, bodies))
        return settled, _merged(parts)


class _Delimited:
    """Candidates between delimiters. A chunk too long for any frame is junk, up to its end."""

    def __init__(self, spoken: Sequence[Spoken]) -> None:
        self.spoken = spoken
        self.framing = spoken[0].layout.framing
        self.longest = framing.MOST_STUFFED * longest_frame(spoken) + 3
        self.inside_junk = False

    def candidates(self, buffer: Bytes, final: bool) -> tuple[int, _Candidates]:
        """How far all is settled, and the chunks up to there."""
        delimiter = DELIMITER[self.framing]
        skip = self._junk_end(buffer == delimiter)
        whole = framing.chunks(buffer[skip:], self.framing)
        found = _merged([self._judged(whole, skip, each) for each in self.spoken])
        settled = skip + (int(whole.end[-1]) if len(whole.end) else 0)
        filled = np.flatnonzero(buffer[settled:] != delimiter)
        lead = int(filled[0]) if len(filled) else len(buffer) - settled
        settled += max(lead - 1, 0)  # one delimiter may open the next chunk
        if final:
            if len(filled) and not self.inside_junk:
                found = _with_tail(found, settled, len(buffer))
            return len(buffer), found
        if len(buffer) - settled > self.longest:
            settled, self.inside_junk = len(buffer), True
        return settled, found

    def _junk_end(self, delimiters: Bools) -> int:
        """Where junk that began in an earlier block ends: behind the first delimiter, if there is one."""
        if not self.inside_junk:
            return 0
        places = np.flatnonzero(delimiters)
        self.inside_junk = not len(places)
        return int(places[0]) + 1 if len(places) else len(delimiters)

    def _judged(self, whole: framing.Chunks, skip: int, spoken: Spoken) -> _Candidates:
        short = whole.end - whole.start <= self.longest
        start, end, sound = whole.start[short] + skip, whole.end[short] + skip, whole.sound[short]
        found = validate_candidates(whole.content, whole.at[short], whole.size[short], spoken)
        odd = np.flatnonzero(found.odd)
        at, size = whole.at[short], whole.size[short]
        odd_reason, found.address[odd] = explain_odd(whole.content, at, size, odd, spoken.layout)
        found.reason[odd] = np.where(odd_reason == NO_REASON, BAD_CHECKSUM, odd_reason)
        bodies = [
            (spoken.layout, kind, rows[sound[rows]], frames[sound[rows]])
            for kind, rows, frames in found.bodies
        ]
        reason = np.where(sound, found.reason, BAD_STUFFING)
        address = np.where(sound, found.address, NO_ADDRESS)
        followed = np.ones(len(start), bool)
        return _Candidates(start, end, found.good & sound, followed, reason, address, bodies)


def _with_tail(found: _Candidates, start: int, end: int) -> _Candidates:
    """With one more candidate: a frame that the end of the capture cuts off."""
    return replace(
        found,
        start=np.append(found.start, start),
        end=np.append(found.end, end),
        good=np.append(found.good, False),
        followed=np.append(found.followed, False),
        reason=np.append(found.reason, TRUNCATED),
        address=np.append(found.address, NO_ADDRESS),
    )


def _merged(parts: list[_Candidates]) -> _Candidates:
    """Candidates of several layouts as one, in order of their start."""
    if len(parts) == 1:
        return parts[0]
    order = np.argsort(np.concatenate([each.start for each in parts]), kind="stable")
    place = np.empty(len(order), np.int64)
    place[order] = np.arange(len(order))
    before = np.cumsum([0, *(len(each.start) for each in parts)]).tolist()
    bodies = [
        (layout, kind, place[rows + shift], frames)
        for shift, each in zip(before, parts, strict=False)
        for layout, kind, rows, frames in each.bodies
    ]
    joined = {
        name: np.concatenate([getattr(each, name) for each in parts])[order]
        for name in ("start", "end", "good", "followed", "reason", "address")
    }
    return _Candidates(**joined, bodies=bodies)


def _without_overlap(found: _Candidates) -> Positions:
    """Rows of the good candidates that stand, where two overlap.

    One of them holds its checksum by chance. The one with another sync word right behind it
    stands, else the earlier::

        false      [sync ........]
        true              [sync ........][sync
    """
    rows = np.flatnonzero(found.good)
    starts, ends = found.start[rows], found.end[rows]
    if (starts[1:] >= ends[:-1]).all():
        return rows
    taken: list[int] = []
    for row in rows.tolist():
        overlaps = bool(taken) and found.start[row] < found.end[taken[-1]]
        if overlaps and found.followed[row] and not found.followed[taken[-1]]:
            taken[-1] = row
        elif not overlaps:
            taken.append(row)
    return np.array(taken, np.int64)


def _frames(found: _Candidates, taken: Positions, base: int) -> list[FoundFrames]:
    stands = np.zeros(len(found.start), bool)
    stands[taken] = True
    out = []
    for layout, kind, rows, frames in found.bodies:
        kept = stands[rows]
        count = np.count_nonzero(kept)
        if count:
            # Mostly just the end falls away, and what is before it need not be copied.
            own = slice(count) if kept[:count].all() else kept
            places = rows[own]
            out.append(
                FoundFrames(layout, kind, found.start[places] + base, found.end[places] + base, frames[own])
            )
    return out
