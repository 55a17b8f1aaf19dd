"""Finding frames in bytes: every byte belongs to one frame or one reject.

A frame begins with the sync word, names a kind of the layout, has that kind's length and a
checksum that holds. After a failed checksum the search goes on one byte past the sync word::

    bytes    ..junk.. [sync bad.....[sync good frame.....] tail
    frames                          |--------------------|
    rejects  |junk---||bad_checksum-|                     |junk|
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from nodeday.layouts import Kind, Layout, crc
from nodeday.layouts.codec import get_bits

Bytes = NDArray[np.uint8]
Places = NDArray[np.int64]
BLOCK = 8 << 20
"""Bytes read at a time; memory grows with it and with nothing else."""


@dataclass(frozen=True)
class Reject:
    """A half-open byte range that is no frame."""

    start: int
    end: int
    reason: str


@dataclass(frozen=True)
class Block:
    """What a stretch of the capture holds: frames by kind (offsets, bytes) and settled rejects."""

    frames: list[tuple[Kind, Places, Bytes]]
    rejects: list[Reject]


@dataclass(frozen=True)
class _Found:
    """Candidates that will not change any more, ordered by their start."""

    start: Places
    length: Places
    kind: Places
    good: NDArray[np.bool_]
    reason: NDArray[np.str_]


def scan(pieces: Iterable[bytes], layout: Layout, addresses: Iterable[int]) -> Iterator[Block]:
    """Blocks of a capture that comes in ``pieces``; memory is bounded by piece and block size.

    ``addresses`` are the nodes of the session: a whole frame of any other node is a reject.
    The result does not depend on how the capture is cut into pieces.
    """
    known = np.array(sorted(addresses), np.int64)
    longest = _longest(layout)
    base, rest = 0, b""
    pending: Reject | None = None
    for data, final in _with_last(pieces):
        buffer = np.frombuffer(rest + data, np.uint8)
        # A frame is settled once all that may overlap it, and what follows that, has been read.
        settled = len(buffer) if final else max(len(buffer) - 2 * longest - len(layout.sync_bytes), 0)
        if not settled:
            rest = buffer.tobytes()
            continue
        found = _candidates(buffer, settled + longest, layout, known)
        taken = _without_overlap(found, _sync_at(buffer, found.start + found.length, layout))
        taken = taken[found.start[taken] < settled]
        ends = found.start[taken] + found.length[taken]
        cut = max(settled, int(ends[-1])) if len(ends) else settled
        segments = _rejects(found, taken, cut, base, pending)
        # The last one may go on in the next block.
        pending = segments.pop() if segments and not final else None
        yield Block(_frames(buffer, found, taken, base, layout), segments)
        base, rest = base + cut, buffer[cut:].tobytes()
    if pending is not None:
        yield Block([], [replace(pending, end=min(pending.end, base))])


def _longest(layout: Layout) -> int:
    """The most bytes that a candidate can claim."""
    length = layout.field("length")
    claimed = (1 << length.bits) - 1 + length.plus if length else 0
    return max(claimed, *(layout.frame_bytes(kind) for kind in layout.kinds))


def _with_last(pieces: Iterable[bytes]) -> Iterator[tuple[bytes, bool]]:
    previous = None
    for piece in pieces:
        if previous is not None:
            yield previous, False
        previous = piece
    yield previous or b"", True


def _candidates(buffer: Bytes, stop: int, layout: Layout, known: Places) -> _Found:
    sync = layout.sync_bytes
    match = buffer[: max(len(buffer) - len(sync) + 1, 0)] == sync[0]
    for place, byte in enumerate(sync[1:], start=1):
        match &= buffer[place : len(match) + place] == byte
    starts = np.flatnonzero(match[:stop])
    whole = starts + layout.payload_at <= len(buffer)
    cut_off = starts[~whole]
    starts = starts[whole]
    header = (
        sliding_window_view(buffer, layout.payload_at)[starts]
        if len(starts)
        else np.empty((0, layout.payload_at), np.uint8)
    )
    kind, node, length = _opening(header, layout)
    good = np.zeros(len(starts), bool)
    reason = np.full(len(starts), "", "<U12")
    fits = starts + length <= len(buffer)
    regular = np.zeros(len(starts), bool)
    for each in layout.kinds:
        size = layout.frame_bytes(each)
        like = (kind == each.kind) & (length == size)
        regular |= like
        reason[like & ~fits] = "truncated"
        rows = np.flatnonzero(like & fits)
        if len(rows):
            holds = _checksum_holds(sliding_window_view(buffer, size)[starts[rows]], layout)
            good[rows] = holds & np.isin(node[rows], known)
            reason[rows[holds & ~good[rows]]] = "implausible"
            reason[rows[~holds]] = "bad_checksum"
    for row in np.flatnonzero(~regular & fits):
        frame = buffer[starts[row] : starts[row] + length[row]]
        if length[row] >= layout.overhead_bytes and _lone_checksum_holds(frame.tobytes(), layout):
            reason[row] = "implausible" if int(kind[row]) in layout.by_kind else "unknown_kind"
    length = np.minimum(length, len(buffer) - starts)  # a truncated frame ends with the capture
    keep = good | (reason != "")
    return _Found(
        np.concatenate([starts[keep], cut_off]),
        np.concatenate([length[keep], len(buffer) - cut_off]),
        np.concatenate([kind[keep], np.full(len(cut_off), -1)]),
        np.concatenate([good[keep], np.zeros(len(cut_off), bool)]),
        np.concatenate([reason[keep], np.full(len(cut_off), "truncated")]),
    )


def _sync_at(buffer: Bytes, at: Places, layout: Layout) -> NDArray[np.bool_]:
    """Whether a sync word begins at each place; it does not past the end."""
    here = at + len(layout.sync_bytes) <= len(buffer)
    for place, byte in enumerate(layout.sync_bytes):
        here &= buffer[np.minimum(at + place, len(buffer) - 1)] == byte
    return here


def _opening(header: Bytes, layout: Layout) -> tuple[Places, Places, Places]:
    """Kind, node and frame length that each header claims."""
    values, at = {}, 8 * len(layout.sync_bytes)
    for field in layout.before:
        values[field.role] = get_bits(header, at, field.bits, layout.order_of(field), field.signed)
        at += field.bits
    field_length = layout.field("length")
    if field_length:
        return values["kind"], values["node"], values["length"] + field_length.plus
    length = np.zeros(len(header), np.int64)
    for kind in layout.kinds:
        length[values["kind"] == kind.kind] = layout.frame_bytes(kind)
    return values["kind"], values["node"], length


def _checksum_holds(frames: Bytes, layout: Layout) -> NDArray[np.bool_]:
    field = layout.field("checksum")
    covered = layout.covered(frames.shape[1] - layout.overhead_bytes)
    if field is None or field.crc is None or covered is None:
        return np.ones(len(frames), bool)
    sent = get_bits(frames, 8 * layout.checksum_at(frames.shape[1]), field.bits, layout.order_of(field))
    holds: NDArray[np.bool_] = crc.checksums(field.crc, frames[:, covered[0] : covered[1]]) == sent.astype(
        np.uint64
    )
    return holds


def _lone_checksum_holds(frame: bytes, layout: Layout) -> bool:
    """The same for one frame of a length that no kind has: a table for it would not pay."""
    field = layout.field("checksum")
    covered = layout.covered(len(frame) - layout.overhead_bytes)
    if field is None or field.crc is None or covered is None:
        return False
    row = np.frombuffer(frame, np.uint8)[None]
    sent = get_bits(row, 8 * layout.checksum_at(len(frame)), field.bits, layout.order_of(field))
    return crc.checksum(field.crc, frame[covered[0] : covered[1]]) == int(sent[0])


def _without_overlap(found: _Found, followed: NDArray[np.bool_]) -> Places:
    """Rows of the good candidates that stand, where two overlap.

    One of them holds its checksum by chance. The one with another sync word right behind it
    stands, else the earlier::

        false      [sync ........]
        true              [sync ........][sync
    """
    rows = np.flatnonzero(found.good)
    starts, ends = found.start[rows], found.start[rows] + found.length[rows]
    if (starts[1:] >= ends[:-1]).all():
        return rows
    taken: list[int] = []
    for row in rows.tolist():
        overlaps = bool(taken) and found.start[row] < found.start[taken[-1]] + found.length[taken[-1]]
        if overlaps and followed[row] and not followed[taken[-1]]:
            taken[-1] = row
        elif not overlaps:
            taken.append(row)
    return np.array(taken, np.int64)


def _rejects(found: _Found, taken: Places, cut: int, base: int, pending: Reject | None) -> list[Reject]:
    """Rejects that tile the bytes of ``[0, cut)`` between the taken frames.

    ``pending`` is the last reject of the block before; it goes on here where it was junk that
    junk follows, or claimed more bytes than that block had.
    """
    starts = [*found.start[taken].tolist(), cut]
    ends = [0, *(found.start[taken] + found.length[taken]).tolist()]
    bad = np.flatnonzero(found.reason != "")
    claims = [
        (s, s + n, str(r))
        for s, n, r in zip(found.start[bad], found.length[bad], found.reason[bad], strict=True)
    ]
    if pending is not None and pending.reason != "junk" and pending.end > base:
        claims.insert(0, (0, pending.end - base, pending.reason))
    out: list[Reject] = []
    index = 0
    for hole, stop in zip(ends, starts, strict=True):
        at = hole
        while index < len(claims) and claims[index][0] < stop:
            start, end, reason = claims[index]
            index += 1
            if start < at:
                continue
            if start > at:
                out.append(Reject(base + at, base + int(start), "junk"))
            at = min(int(end), stop) if stop < cut else int(end)
            out.append(Reject(base + int(start), base + at, reason))
            at = min(at, stop)
        if at < stop:
            out.append(Reject(base + at, base + stop, "junk"))
    return _joined(pending, out, base)


def _joined(pending: Reject | None, out: list[Reject], base: int) -> list[Reject]:
    if pending is None:
        return out
    first = out[0] if out else None
    if first and first.start == base and first.reason == pending.reason and (
        pending.end > base or (pending.end == base and pending.reason == "junk")
    ):  # fmt: skip
        return [replace(first, start=pending.start), *out[1:]]
    return [replace(pending, end=min(pending.end, base)), *out]


def _frames(
    buffer: Bytes, found: _Found, taken: Places, base: int, layout: Layout
) -> list[tuple[Kind, Places, Bytes]]:
    out = []
    for kind in layout.kinds:
        starts = found.start[taken[found.kind[taken] == kind.kind]]
        if len(starts):
            window = sliding_window_view(buffer, layout.frame_bytes(kind))
            out.append((kind, starts + base, window[starts]))
    return out
