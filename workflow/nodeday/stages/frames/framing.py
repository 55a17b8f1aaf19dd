"""Candidates for frames in a buffer: at a sync word, or between the delimiters of COBS, SLIP and HDLC.

Sources: COBS, Cheshire and Baker 1999; SLIP, RFC 1055; octet-stuffed HDLC-like framing, RFC 1662
section 4.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from nodeday.core.arrays import Bools, Bytes
from nodeday.layouts.stuffing import DELIMITER, ESCAPE, HDLC_XOR, SLIP_CODE

Offsets = NDArray[np.int64]

MOST_STUFFED = 2
"""Most bytes on the wire for one of a frame: SLIP and HDLC at most double it, COBS adds a byte in 254
(Cheshire and Baker 1999)."""


@dataclass(frozen=True)
class Chunks:
    """Chunks (n,) between delimiters.

    ``start`` and ``end`` are offsets in the buffer, delimiters included. ``at`` and ``size`` are offset and
    length of the unstuffed bytes in ``content``. ``sound`` tells where the rules of the framing hold.
    """

    start: Offsets
    end: Offsets
    content: Bytes
    at: Offsets
    size: Offsets
    sound: Bools


def sync_offsets(buffer: Bytes, sync: bytes, stop: int) -> Offsets:
    """Return the offsets before ``stop`` at which the sync word begins."""
    stop = min(stop, max(len(buffer) - len(sync) + 1, 0))
    at = np.flatnonzero(buffer[:stop] == sync[0])
    for index, byte in enumerate(sync[1:], start=1):
        at = at[buffer[at + index] == byte]
    return at


def sync_at(buffer: Bytes, at: Offsets, sync: bytes) -> Bools:
    """Return whether the sync word begins at each offset (n,); it does not where the buffer ends in it."""
    begins = at + len(sync) <= len(buffer)
    for index, byte in enumerate(sync):
        begins &= buffer[np.minimum(at + index, len(buffer) - 1)] == byte
    return begins


def chunks(buffer: Bytes, framing: str) -> Chunks:
    """Return all complete chunks of ``buffer``.

    One spare delimiter goes with the chunk that follows it::

        C0 C0 11 22 C0 33 C0      SLIP
           |----------||---|      two chunks: 11 22 and 33
    """
    ends = np.flatnonzero(buffer == DELIMITER[framing])
    begins = np.concatenate([[0], ends[:-1] + 1]) if len(ends) else ends
    filled = ends > begins
    begins, ends = begins[filled], ends[filled]
    before = np.concatenate([[-1], ends[:-1]]) if len(ends) else ends
    start = begins - (begins > before + 1)
    if framing == "cobs":
        keep, content, sound = _unstuff_cobs(buffer, begins, ends)
    else:
        keep, content, sound = _unescape(buffer, begins, ends, framing)
    inside = np.zeros(len(buffer) + 1, np.int8)
    np.add.at(inside, begins, 1)
    np.add.at(inside, ends, -1)
    keep &= np.cumsum(inside[:-1]).astype(bool)
    kept_before = np.concatenate([[0], np.cumsum(keep)])
    at = kept_before[begins]
    return Chunks(start, ends + 1, content[keep], at, kept_before[ends] - at, sound)


def _unescape(buffer: Bytes, begins: Offsets, ends: Offsets, framing: str) -> tuple[Bools, Bytes, Bools]:
    """Return which bytes stay, all bytes unescaped, and which chunks follow the rules of SLIP or HDLC."""
    escape = ESCAPE[framing]
    escapes = buffer == escape
    escaped = np.zeros(len(buffer), bool)
    escaped[1:] = escapes[:-1]
    content = buffer.copy()
    if framing == "slip":
        wrong = escaped.copy()
        for value, code in SLIP_CODE.items():
            coded = escaped & (buffer == code)
            content[coded] = value
            wrong &= ~coded
    else:
        content[escaped] ^= HDLC_XOR
        wrong = escaped & (escapes | (buffer == DELIMITER["hdlc"]))
    # An escape right before the delimiter makes the delimiter `wrong`, and so its chunk.
    count = np.concatenate([[0], np.cumsum(wrong)])
    sound = count[np.minimum(ends + 1, len(buffer))] == count[begins]
    return ~escapes, content, sound


def _unstuff_cobs(buffer: Bytes, begins: Offsets, ends: Offsets) -> tuple[Bools, Bytes, Bools]:
    """Return which bytes stay, all bytes unstuffed, and which chunks follow the rules of COBS.

    Each code byte is the distance to the next one. All but the first, and those after a run of 254, stand
    for a zero. All chunks take their steps together.
    """
    keep, content = np.ones(len(buffer), bool), buffer.copy()
    keep[begins] = False
    at, rows = begins.copy(), np.arange(len(begins))
    sound = np.zeros(len(begins), bool)
    while len(rows):
        code = buffer[at].astype(np.int64)
        following = at + code
        ended = following == ends[rows]
        sound[rows[ended]] = True
        on = following < ends[rows]
        at, rows, full = following[on], rows[on], code[on] == 0xFF
        content[at] = 0
        keep[at] = ~full
    return keep, content, sound
