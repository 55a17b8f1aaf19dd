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
    UNKNOWN_NODE,
    Reasons,
)

Positions = NDArray[np.int64]
NO_ADDRESS = -1
"""In place of the address of what claims none, or whose checksum does not hold."""
CROWD, CROWD_BYTES = 16, 64
"""More than 16 odd candidates within 64 bytes are a pattern and no frames. A choice of this project."""
ONE_BY_ONE = 64
"""For fewer frames of a length a table of its checksum would not pay."""


@dataclass(frozen=True)
class Spoken:
    """A layout and the addresses that speak it; null for any."""

    layout: Layout
    addresses: Positions | None


@dataclass(frozen=True)
class Verdicts:
    """One for each candidate (n,): claimed length, whether it is a frame, and if not why.

    A frame has no ``reason``, nor has what not even begins like one. ``odd`` are the candidates that open
    like no frame of a known kind and length. ``address`` is what a complete frame claims that is refused in
    spite of its checksum. ``bodies`` holds, for each kind, the candidates that are frames of it and their
    bytes.
    """

    length: Positions
    good: Bools
    reason: Reasons
    odd: Bools
    address: Positions
    bodies: list[tuple[Kind, Positions, Bytes]]


def validate_candidates(buffer: Bytes, start: Positions, size: Positions | None, spoken: Spoken) -> Verdicts:
    """Hold candidates at ``start`` (n,) of ``buffer`` to a layout; ``size`` (n,) where delimiters tell it.

    Without a size a frame is as long as its length field says, or as its kind is.
    """
    layout = spoken.layout
    left = (len(buffer) - start) if size is None else size
    complete = np.flatnonzero(left >= layout.payload_at)
    kind, node, claimed = _opening(_rows(buffer, start[complete], layout.payload_at), layout)
    length, good, odd = left.copy(), np.zeros(len(start), bool), np.zeros(len(start), bool)
    if size is None:
        length[complete] = claimed
    # What is too short to hold a header may be the beginning of a frame at the capture's end.
    reason = np.full(len(start), TRUNCATED if size is None else BAD_CHECKSUM)
    reason[complete] = NO_REASON
    address = np.full(len(start), NO_ADDRESS)
    regular = np.zeros(len(complete), bool)
    bodies = []
    for each in layout.kinds:
        bytes_ = layout.frame_bytes(each)
        like = (kind == each.kind) & (claimed == bytes_)
        if size is not None:
            like &= size[complete] == bytes_
        regular |= like
        cut = like & (left[complete] < bytes_)
        reason[complete[cut]] = TRUNCATED
        rows = np.flatnonzero(like & ~cut)
        if not len(rows):
            continue
        frames = _rows(buffer, start[complete[rows]], bytes_)
        holds = _checksum_holds(frames, layout)
        known = holds if spoken.addresses is None else np.isin(node[rows], spoken.addresses)
        reason[complete[rows]] = np.select([~holds, ~known], [BAD_CHECKSUM, UNKNOWN_NODE], NO_REASON)
        if layout.field("checksum") is not None:
            strange = rows[holds & ~known]
            address[complete[strange]] = node[strange]
        sound = holds & known
        good[complete[rows[sound]]] = True
        bodies.append((each, complete[rows[sound]], frames if sound.all() else frames[sound]))
    odd[complete[~regular]] = True
    if size is not None:
        reason[odd] = BAD_CHECKSUM
    return Verdicts(np.minimum(length, left), good, reason, odd, address, bodies)


def explain_odd(
    buffer: Bytes, start: Positions, length: Positions, odd: Positions, layout: Layout
) -> tuple[Reasons, Positions]:
    """Reasons and claimed addresses (k,) of candidates ``odd`` (k,), which open like no known frame.

    ``odd`` are indices into ``start`` (n,).

    One whose checksum holds is a complete frame of a kind or a length that the layout does not describe.
    In bytes that hold a candidate at nearly every place (an erased memory, a long preamble) nothing is
    looked at, since one place would be looked at for each of its candidates.
    """
    reason, address = np.full(len(odd), NO_REASON), np.full(len(odd), NO_ADDRESS)
    if layout.field("checksum") is None or not len(odd):
        return reason, address
    at, size = start[odd], length[odd]
    before = np.concatenate([np.full(CROWD, -CROWD_BYTES), at[:-CROWD]])[: len(at)]
    fits = (size >= layout.overhead_bytes) & (at + size <= len(buffer)) & (at - before >= CROWD_BYTES)
    for bytes_ in np.unique(size[fits]).tolist():
        rows = np.flatnonzero(fits & (size == bytes_))
        frames = _rows(buffer, at[rows], bytes_)
        if len(rows) < ONE_BY_ONE:
            holds = np.array([_lone_checksum_holds(frame.tobytes(), layout) for frame in frames])
        else:
            holds = _checksum_holds(frames, layout)
        kind, node, _ = _opening(frames[:, : layout.payload_at], layout)
        known = np.isin(kind, list(layout.by_kind))
        reason[rows[holds]] = np.where(known, IMPLAUSIBLE, UNKNOWN_KIND)[holds]
        address[rows[holds]] = node[holds]
    return reason, address


def _rows(buffer: Bytes, start: Positions, width: int) -> Bytes:
    if not len(start):
        return np.empty((0, width), np.uint8)
    return sliding_window_view(buffer, width)[start]


def _opening(header: Bytes, layout: Layout) -> tuple[Positions, Positions, Positions]:
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
    """Whether the checksum of one frame holds."""
    field = layout.field("checksum")
    covered = layout.covered(len(frame) - layout.overhead_bytes)
    if field is None or covered is None:
        return False
    row = np.frombuffer(frame, np.uint8)[None]
    sent = get_bits(row, 8 * layout.checksum_at(len(frame)), field.bits, layout.order_of(field))
    return bool(field.sum.of(frame[covered[0] : covered[1]]) == int(sent[0]))
