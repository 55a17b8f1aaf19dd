"""Checksums by their name in the public CRC catalogue, over many frames at once.

A CRC is linear over XOR: the checksum of a message is the XOR of what each of its bytes gives
at its place, so a table a place turns the whole sum into look-ups without a loop over bytes.
"""

from __future__ import annotations

import difflib
from functools import lru_cache

import anycrc
import numpy as np
from numpy.typing import NDArray


def model(name: str) -> anycrc.Model:
    """Parameters of ``name``, such as ``CRC-16/IBM-3740``; raise ValueError for an unknown name."""
    short = name.upper().replace("CRC-", "CRC", 1).replace("/", "-")
    known = anycrc.models.get(short)
    if known is None:
        alias = anycrc.aliases.get(short)
        known = anycrc.models.get(alias) if alias else None
    if known is None:
        near = difflib.get_close_matches(short, anycrc.models, n=1)
        raise ValueError(f"no checksum named {name}" + (f" (did you mean {near[0]}?)" if near else ""))
    return known


@lru_cache(maxsize=32)
def _tables(name: str, length: int) -> tuple[NDArray[np.uint64], int]:
    """What byte value ``v`` at place ``i`` adds, shape (length, 256), and the sum of no bits set."""
    crc = anycrc.Model(_catalogue_name(name))
    zero = bytes(length)
    base = crc.calc(zero)
    table = np.empty((length, 256), np.uint64)
    table[:, 0] = 0
    message = bytearray(length)
    for place in range(length):
        for bit in range(8):
            message[place] = 1 << bit
            step = crc.calc(bytes(message)) ^ base
            low = table[place, : 1 << bit]
            table[place, 1 << bit : 2 << bit] = low ^ np.uint64(step)
        message[place] = 0
    return table, base


def _catalogue_name(name: str) -> str:
    wanted = model(name)
    return next(str(key) for key, value in anycrc.models.items() if value is wanted)


def checksums(name: str, messages: NDArray[np.uint8]) -> NDArray[np.uint64]:
    """Checksum of each row of ``messages``, shape (n, length) -> (n,)."""
    table, base = _tables(name, messages.shape[1])
    out = np.full(len(messages), base, np.uint64)
    for place, row in enumerate(table):
        out ^= row[messages[:, place]]
    return out


def checksum(name: str, message: bytes) -> int:
    """Checksum of one message of any length."""
    return int(anycrc.Model(_catalogue_name(name)).calc(message))
