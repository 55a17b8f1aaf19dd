"""Checksums by their name in the public CRC catalogue, over many frames at once.

A CRC is linear over XOR: the checksum of a message is the XOR of what each byte adds at its
position. A table for each two positions therefore turns the sum into look-ups, without a loop over
bytes.
"""

from __future__ import annotations

from functools import lru_cache
from typing import NamedTuple

import anycrc
import numpy as np
from numpy.typing import NDArray

from nodeday.core.errors import did_you_mean

ROWS = 8192
"""Messages taken at a time."""


class Sum(NamedTuple):
    """A CRC by the parameters that the public catalogue uses."""

    width: int
    poly: int
    init: int
    refin: bool
    refout: bool
    xorout: int

    def of(self, message: bytes) -> int:
        """Return the checksum of one message."""
        return int(anycrc.CRC(*self).calc(message))


def named(name: str) -> Sum:
    """Return the CRC of that name in the catalogue, such as ``CRC-16/IBM-3740``; else raise ValueError."""
    short = name.upper().replace("CRC-", "CRC", 1).replace("/", "-")
    known = anycrc.models.get(short) or anycrc.models.get(anycrc.aliases.get(short))
    if known is None:
        raise ValueError(f"no checksum named {name}{did_you_mean(short, anycrc.models)}")
    return Sum(*known[:6])


def narrowest(bits: int) -> type[np.unsignedinteger]:
    """Return the narrowest unsigned type of at least ``bits`` bits, up to 64."""
    fitting: list[type[np.unsignedinteger]] = [np.uint8, np.uint16, np.uint32, np.uint64]
    return next(dtype for dtype in fitting if bits <= 8 * dtype().nbytes)


@lru_cache(maxsize=32)
def _tables(crc: Sum, length: int) -> tuple[NDArray[np.unsignedinteger], int]:
    """Return what each byte value adds at each position, (length, 256), and the checksum of zeros."""
    base = crc.of(bytes(length))
    # The narrower the tables, the more of them stay in the processor's cache.
    dtype = narrowest(crc.width)
    table = np.empty((length, 256), dtype)
    table[:, 0] = 0
    message = bytearray(length)
    for position in range(length):
        for bit in range(8):
            message[position] = 1 << bit
            step = crc.of(bytes(message)) ^ base
            low = table[position, : 1 << bit]
            table[position, 1 << bit : 2 << bit] = low ^ dtype(step)
        message[position] = 0
    return table, base


@lru_cache(maxsize=16)
def _pairs(crc: Sum, length: int) -> NDArray[np.unsignedinteger]:
    """Return what each two bytes add, taken as one number, shape (length // 2, 65536)."""
    table, _ = _tables(crc, length)
    paired = length // 2 * 2
    return (table[1:paired:2, :, None] ^ table[0:paired:2, None, :]).reshape(length // 2, 1 << 16)


def checksums(crc: Sum, messages: NDArray[np.uint8]) -> NDArray[np.uint64]:
    """Return the checksum of each row of ``messages``, shape (n, length) -> (n,)."""
    length = messages.shape[1]
    paired = length // 2 * 2
    table, base = _tables(crc, length)
    out = np.full(len(messages), base, table.dtype)
    for start in range(0, len(messages), ROWS):
        rows, part = messages[start : start + ROWS], out[start : start + ROWS]
        # Columns of a small transposed copy lie one after the other in the cache.
        columns = np.ascontiguousarray(rows[:, :paired].view("<u2").T)
        added = np.empty_like(part)
        for pair, column in zip(_pairs(crc, length), columns, strict=True):
            # Two bytes cannot lie outside their table; "clip" only spares the library a copy.
            part ^= pair.take(column, out=added, mode="clip")
        if paired < length:
            part ^= table[-1, rows[:, -1]]
    return out.astype(np.uint64)
