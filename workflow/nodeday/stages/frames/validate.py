"""Whether a frame stands where one might: kind, length, node and checksum of candidates.

Shared by all framings. A framing says where frames may begin and, where it has delimiters, how
long each is; what it finds is judged here in the same way.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from nodeday.core.arrays import Bools, Bytes
from nodeday.layouts import Kind, Layout, crc
from nodeday.layouts.codec import get_bits
from nodeday.stages.frames.columns import (
    BAD_CHECKSUM,
    IMPLAUSIBLE,
    NO_REASON,
    TRUNCATED,
    UNKNOWN_KIND,
    Reasons,
)

Places = NDArray[np.int64]


@dataclass(frozen=True)
class Spoken:
    """A layout and the addresses that speak it; null for any."""

    layout: Layout
    addresses: Places | None


@dataclass(frozen=True)
class Verdicts:
    """One for each candidate (n,): claimed length, whether it is a frame, and if not why.

    A frame has no ``reason``, nor has what not even begins like one. ``bodies`` holds, for
    each kind, the candidates that are frames of it and their bytes.
    """

    length: Places
    good: Bools
    reason: Reasons
    bodies: list[tuple[Kind, Places, Bytes]]


def validate_candidates(buffer: Bytes, start: Places, size: Places | None, spoken: Spoken) -> Verdicts:
    """Judge candidates at ``start`` (n,) of ``buffer``; ``size`` (n,) where delimiters tell it.

    Without a size a frame is as long as its length field says, or as its kind is.
    """
    layout = spoken.layout
    stage = (len(buffer) - start) if size is None else size
    whole = np.flatnonzero(stage >= layout.payload_at)
    kind, node, claimed = _opening(_rows(buffer, start[whole], layout.payload_at), layout)
    length, good = stage.copy(), np.zeros(len(start), bool)
    if size is None:
        length[whole] = claimed
    # What is too short to hold a header may be the beginning of a frame at the capture's end.
    reason = np.full(len(start), TRUNCATED if size is None else BAD_CHECKSUM)
    reason[whole] = NO_REASON
    regular = np.zeros(len(whole), bool)
    bodies = []
    for each in layout.kinds:
        bytes_ = layout.frame_bytes(each)
        like = (kind == each.kind) & (claimed == bytes_)
        if size is not None:
            like &= size[whole] == bytes_
        regular |= like
        cut = like & (stage[whole] < bytes_)
        reason[whole[cut]] = TRUNCATED
        rows = np.flatnonzero(like & ~cut)
        if not len(rows):
            continue
        frames = _rows(buffer, start[whole[rows]], bytes_)
        holds = _checksum_holds(frames, layout)
        known = holds if spoken.addresses is None else np.isin(node[rows], spoken.addresses)
        reason[whole[rows]] = np.select([~holds, ~known], [BAD_CHECKSUM, IMPLAUSIBLE], NO_REASON)
        sound = holds & known
        good[whole[rows[sound]]] = True
        bodies.append((each, whole[rows[sound]], frames if sound.all() else frames[sound]))
    _judge_the_rest(buffer, start, length, stage, kind, whole, regular, size is not None, layout, reason)
    return Verdicts(np.minimum(length, stage), good, reason, bodies)


def _judge_the_rest(
    buffer: Bytes,
    start: Places,
    length: Places,
    stage: Places,
    kind: Places,
    whole: Places,
    regular: Bools,
    delimited: bool,
    layout: Layout,
    reason: Reasons,
) -> None:
    """Candidates of no known kind and length: whole frames of another kind, or nothing at all."""
    for index in np.flatnonzero(~regular):
        row = whole[index]
        fits = layout.overhead_bytes <= length[row] <= stage[row]
        frame = buffer[start[row] : start[row] + length[row]].tobytes() if fits else b""
        if fits and _lone_checksum_holds(frame, layout):
            reason[row] = IMPLAUSIBLE if int(kind[index]) in layout.by_kind else UNKNOWN_KIND
        elif delimited:
            reason[row] = BAD_CHECKSUM


def _rows(buffer: Bytes, start: Places, width: int) -> Bytes:
    if not len(start):
        return np.empty((0, width), np.uint8)
    return sliding_window_view(buffer, width)[start]


def _opening(header: Bytes, layout: Layout) -> tuple[Places, Places, Places]:
    """Kind, node and frame length that each header claims."""
    values, at = {}, 8 * len(layout.sync_bytes)
    for field in layout.before:
        if field.role in ("kind", "node", "length"):
            values[field.role] = get_bits(header, at, field.bits, layout.order_of(field), field.signed)
        at += field.bits
    kind = values.get("kind", np.full(len(header), layout.kinds[0].kind, np.int64))
    field_length = layout.field("length")
    if field_length:
        return kind, values["node"], values["length"] + field_length.plus
    length = np.zeros(len(header), np.int64)
    for each in layout.kinds:
        length[kind == each.kind] = layout.frame_bytes(each)
    return kind, values["node"], length


def _checksum_holds(frames: Bytes, layout: Layout) -> Bools:
    field = layout.field("checksum")
    covered = layout.covered(frames.shape[1] - layout.overhead_bytes)
    if field is None or covered is None:
        return np.ones(len(frames), bool)
    sent = get_bits(frames, 8 * layout.checksum_at(frames.shape[1]), field.bits, layout.order_of(field))
    made = crc.checksums(field.sum, frames[:, covered[0] : covered[1]])
    return np.asarray(made == sent.astype(np.uint64), np.bool_)


def _lone_checksum_holds(frame: bytes, layout: Layout) -> bool:
    """The same for one frame of a length that no kind has: a table for it would not pay."""
    field = layout.field("checksum")
    covered = layout.covered(len(frame) - layout.overhead_bytes)
    if field is None or covered is None:
        return False
    row = np.frombuffer(frame, np.uint8)[None]
    sent = get_bits(row, 8 * layout.checksum_at(len(frame)), field.bits, layout.order_of(field))
    return bool(field.sum.of(frame[covered[0] : covered[1]]) == int(sent[0]))
