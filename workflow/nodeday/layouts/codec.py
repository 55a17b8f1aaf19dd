"""Bytes of frames to integers and back, for many frames of one kind at once.

From the inside out: integers of any width at any bit; counts of a payload; sample instants that a
frame holds; fields of a frame and frames as a whole. Frames and payloads are arrays of bytes, a row
each; the layout says what lies where.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import Any, TypeVar

import numpy as np
import pandas as pd
import pyarrow as arrow
import pyarrow.compute as compute
from numpy.typing import ArrayLike, NDArray

from nodeday.core.arrays import Bytes, Ints
from nodeday.core.errors import ContractError
from nodeday.layouts import crc
from nodeday.layouts.crc import narrowest
from nodeday.layouts.model import Layout
from nodeday.layouts.parts import Kind, Order

NATIVE_BITS = (8, 16, 32)
"""Widths of counts that NumPy reads from bytes by itself."""
Signed = TypeVar("Signed", NDArray[np.int64], NDArray[np.int32])


def get_bits(frames: Bytes, at: int, bits: int, order: Order, signed: bool = False) -> Ints:
    """Return the ``bits`` wide integer at bit ``at`` of each row, shape (n, length) -> (n,).

    ``big`` counts bits from the most significant of a byte, ``little`` from the least::

        byte        0        1            a 12-bit field at 0
        bits    7654 3210 7654 3210
        big     aaaa aaaa aaaa ....
        little  aaaa aaaa .... aaaa
    """
    values = _unsigned(frames, at, bits, order).astype(np.int64)
    return _to_signed(values, bits) if signed else values


def put_bits(frames: Bytes, at: int, bits: int, order: Order, values: ArrayLike) -> None:
    """Write ``values`` (n,) into rows whose bits at ``at`` are zero: the reverse of :func:`get_bits`."""
    first, last = at // 8, (at + bits + 7) // 8
    spare = 8 * last - at - bits if order == "big" else at % 8
    total = (np.asarray(values, np.int64).astype(np.uint64) & np.uint64((1 << bits) - 1)) << np.uint64(spare)
    columns = range(last - 1, first - 1, -1) if order == "big" else range(first, last)
    for shift, column in enumerate(columns):
        frames[:, column] |= ((total >> np.uint64(8 * shift)) & np.uint64(0xFF)).astype(np.uint8)


def _unsigned(frames: Bytes, at: int, bits: int, order: Order) -> NDArray[np.unsignedinteger]:
    """Return the integer at bit ``at`` without sign, in the narrowest type that holds its bytes, (n,)."""
    first, last = at // 8, (at + bits + 7) // 8
    columns = range(first, last) if order == "big" else range(last - 1, first - 1, -1)
    dtype = narrowest(8 * (last - first))
    total: NDArray[np.unsignedinteger] = frames[:, columns[0]].astype(dtype)
    for column in columns[1:]:
        total <<= dtype(8)
        total |= frames[:, column]
    spare = 8 * last - at - bits if order == "big" else at % 8
    if spare:
        total >>= dtype(spare)
    if 8 * (last - first) - spare > bits:
        total &= dtype((1 << bits) - 1)
    return total


def _to_signed(values: Signed, bits: int) -> Signed:
    """Read unsigned ``values`` as two's complement of ``bits``, in place."""
    if bits < 64:
        half = values.dtype.type(1 << (bits - 1))
        values ^= half
        values -= half
    return values


def payload_matrix(
    payload: pd.Series[Any] | arrow.ChunkedArray, size: int, where: str = "table frames"
) -> NDArray[np.uint8]:
    """Return payloads of ``size`` bytes each as rows (n, size); raise ContractError where one is not."""
    column = payload if isinstance(payload, arrow.ChunkedArray) else arrow.array(payload)
    column = column.combine_chunks() if isinstance(column, arrow.ChunkedArray) else column
    data, lengths = joined_bytes(column)
    if (lengths != size).any():
        raise ContractError("payloads of unequal length", where, f"{size} bytes each")
    return data.reshape(len(lengths), size)


def joined_bytes(column: arrow.BinaryArray) -> tuple[Bytes, Ints]:
    """Return the bytes of all rows of ``column`` one after the other, and the length of each row (n,)."""
    if not len(column):
        return np.zeros(0, np.uint8), np.zeros(0, np.int64)
    rows = arrow.ListArray.from_arrays(arrow.array([0, len(column)], arrow.int32()), column)
    joined = compute.binary_join(rows, arrow.scalar(b"", column.type))[0].as_buffer()
    lengths = compute.binary_length(column).to_numpy().astype(np.int64)
    return np.frombuffer(joined, np.uint8), lengths


def unpack_counts(payload: Bytes, kind: Kind) -> NDArray[np.int32]:
    """Return converter counts of payloads, shape (n, payload bytes) -> (n, samples, channels)."""
    if kind.delta_bits:
        return _unpack_deltas(payload, kind)
    n, width = len(payload), 2 if kind.bits == 12 else 1
    if kind.bits in NATIVE_BITS:
        order = "<" if kind.order == "little" else ">"
        number = np.dtype(f"{order}{'i' if kind.signed else 'u'}{kind.bits // 8}")
        native = np.ascontiguousarray(payload).reshape(-1).view(number)
        return native.astype(np.int32).reshape(n, kind.samples, len(kind.channels))
    cells = payload.reshape(n * kind.counts // width, width * kind.bits // 8)
    flat = np.empty((len(cells), width), np.int32)
    for column in range(width):
        flat[:, column] = _unsigned(cells, column * kind.bits, kind.bits, kind.order)
    counts = flat.reshape(n, kind.samples, len(kind.channels))
    return _to_signed(counts, kind.bits) if kind.signed and kind.bits < 32 else counts


def pack_counts(counts: ArrayLike, kind: Kind) -> Bytes:
    """Return payloads of counts (n, samples, channels): the reverse of :func:`unpack_counts`.

    Raises ValueError where a count or a difference does not fit its bits.
    """
    values = np.asarray(counts, np.int64)
    _check_fit(values, kind.bits, kind.signed, "counts")
    if kind.delta_bits:
        return _pack_deltas(values.reshape(-1, kind.samples, len(kind.channels)), kind)
    n, width = len(values), 2 if kind.bits == 12 else 1
    flat = values.reshape(-1, width)
    cells = np.zeros((len(flat), width * kind.bits // 8), np.uint8)
    for column in range(width):
        put_bits(cells, column * kind.bits, kind.bits, kind.order, flat[:, column])
    return cells.reshape(n, kind.payload_bytes)


def _unpack_deltas(payload: Bytes, kind: Kind) -> NDArray[np.int32]:
    values, at, first = np.empty((len(payload), kind.counts), np.int32), 0, len(kind.channels)
    for index, bits in enumerate(kind.widths):
        signed = kind.signed if index < first else True
        values[:, index] = get_bits(payload, at, bits, kind.order, signed)
        at += bits
    return np.cumsum(values.reshape(-1, kind.samples, first), axis=1, dtype=np.int32)


def _pack_deltas(counts: Ints, kind: Kind) -> Bytes:
    steps = np.diff(counts, axis=1)
    _check_fit(steps, kind.delta_bits or 0, True, "differences")
    values = np.concatenate([counts[:, :1], steps], axis=1).reshape(len(counts), kind.counts)
    payload, at = np.zeros((len(counts), kind.payload_bytes), np.uint8), 0
    for index, bits in enumerate(kind.widths):
        put_bits(payload, at, bits, kind.order, values[:, index])
        at += bits
    return payload


def _check_fit(values: Ints, bits: int, signed: bool, what: str) -> None:
    low, high = (-(1 << (bits - 1)), (1 << (bits - 1)) - 1) if signed else (0, (1 << bits) - 1)
    if values.size and (values.min() < low or values.max() > high):
        raise ValueError(f"{what} {values.min()} to {values.max()} do not fit {bits} bits")


def instant_of(kind: Kind, seq: Ints, position: Ints | int = 0) -> Ints:
    """Return the running number of the instant at ``position`` of frame ``seq``; shapes are broadcast."""
    group, member = np.divmod(seq, kind.interleave)
    return np.asarray((group * kind.samples + position) * kind.interleave + member, np.int64)


def stamped_instant(kind: Kind, seq: Ints) -> Ints:
    """Return the running number of the instant that a frame's stamp is for, (n,) -> (n,).

    It is ``seq`` itself where frames hold no samples.
    """
    if not kind.samples:
        return np.asarray(seq, np.int64)
    return instant_of(kind, seq, kind.samples - 1 if kind.stamp == "last" else 0)


def interleave_shift(kind: Kind, seq: Ints, ticks_per_sample: float) -> NDArray[np.float64]:
    """Return the ticks by which interleaving moves a frame's stamp, (n,) -> (n,).

    They are counted from the straight line over ``seq`` on which stamps would lie if each frame
    held a stretch.
    """
    member = np.mod(seq, kind.interleave)
    return np.asarray(member * (1 - kind.samples) * ticks_per_sample, np.float64)


def decode_fields(
    frames: Bytes, layout: Layout, kind: Kind, roles: Collection[str] | None = None
) -> dict[str, Ints]:
    """Return the integers of every field by its role, (n,) each; fields of role ``other`` by name.

    With ``roles``, only fields of those roles.
    """
    out = {}
    for name, (field, at) in layout.positions(kind).items():
        key = name if field.role == "other" else field.role
        if roles is None or field.role in roles:
            out[key] = get_bits(frames, at, field.bits, layout.order_of(field), field.signed)
    return out


def encode_frames(
    layout: Layout, kind: Kind, fields: Mapping[str, ArrayLike], payload: Bytes | None = None
) -> Bytes:
    """Return frames, shape (n, frame bytes), with sync word, length and checksum filled in.

    ``fields`` holds integers by role (``node``, ``sequence``, ``ticks``, ``hub_time`` and so
    on; ``other`` fields by name), cut to each field's width as a counter on a device would
    be; fields left out are zero.
    """
    n = len(np.atleast_1d(np.asarray(fields["sequence"])))
    size = layout.frame_bytes(kind)
    frames = np.zeros((n, size), np.uint8)
    frames[:, : len(layout.sync_bytes)] = np.frombuffer(layout.sync_bytes, np.uint8)
    if payload is not None:
        frames[:, layout.payload_at : layout.payload_at + kind.payload_bytes] = payload
    length = layout.field("length")
    known = {"kind": kind.kind, "length": size - (length.plus if length else 0), **fields}
    for name, (field, at) in layout.positions(kind).items():
        value = known.get(name if field.role == "other" else field.role)
        if value is not None and field.role != "checksum":
            values = np.broadcast_to(np.asarray(value, np.int64), n)
            put_bits(frames, at, field.bits, layout.order_of(field), values)
    covered, checksum = layout.covered(kind.payload_bytes), layout.field("checksum")
    if covered and checksum:
        sums = crc.checksums(checksum.sum, frames[:, covered[0] : covered[1]])
        at = layout.positions(kind)[checksum.name][1]
        put_bits(frames, at, checksum.bits, layout.order_of(checksum), sums.astype(np.int64))
    return frames
