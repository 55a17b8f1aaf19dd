"""Where frames may begin: after a sync word, or between the delimiters of COBS, SLIP and HDLC.

Sources: COBS, Cheshire and Baker 1999; SLIP, RFC 1055; octet-stuffed HDLC-like framing, RFC 1662
section 4.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from nodeday.core.arrays import Bools, Bytes
from nodeday.layouts.stuffing import DELIMITER, ESCAPE, HDLC_XOR, SLIP_CODE

Places = NDArray[np.int64]

MOST_STUFFED = 2
"""SLIP and HDLC at most double a frame; COBS adds a byte in 254 (Cheshire and Baker 1999)."""


@dataclass(frozen=True)
class Chunks:
    """What lies between delimiters. ``start``, ``end`` (n,) in the capture, delimiters included;
    ``at``, ``size`` (n,) of what was packed in each, in ``content``; ``sound`` (n,) where the rules
    of the framing hold.
    """

    start: Places
    end: Places
    content: Bytes
    at: Places
    size: Places
    sound: Bools


def sync_places(buffer: Bytes, sync: bytes, stop: int) -> Places:
    """Where the sync word begins before ``stop``."""
    stop = min(stop, max(len(buffer) - len(sync) + 1, 0))
    at = np.flatnonzero(buffer[:stop] == sync[0])
    for place, byte in enumerate(sync[1:], start=1):
        at = at[buffer[at + place] == byte]
    return at


def sync_at(buffer: Bytes, at: Places, sync: bytes) -> Bools:
    """Whether the sync word begins at each place; it does not past the end."""
    here = at + len(sync) <= len(buffer)
    for place, byte in enumerate(sync):
        here &= buffer[np.minimum(at + place, len(buffer) - 1)] == byte
    return here


def chunks(buffer: Bytes, framing: str) -> Chunks:
    """All whole chunks of ``buffer``; one spare delimiter goes with the chunk that follows it::

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
    places = np.concatenate([[0], np.cumsum(keep)])
    at = places[begins]
    return Chunks(start, ends + 1, content[keep], at, places[ends] - at, sound)


def _unescape(buffer: Bytes, begins: Places, ends: Places, framing: str) -> tuple[Bools, Bytes, Bools]:
    """Which bytes stay, what they become, and which chunks follow the rules."""
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


def _unstuff_cobs(buffer: Bytes, begins: Places, ends: Places) -> tuple[Bools, Bytes, Bools]:
    """The same for COBS: each code byte says where the next one is; all but the first and those
    after a run of 254 stand for a zero. All chunks take their steps together.
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
