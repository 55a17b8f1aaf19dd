"""Frames as bytes on the wire: delimiters between them, and the delimiter's value kept out of them.

Sources: COBS, Cheshire and Baker 1999; SLIP, RFC 1055; octet-stuffed HDLC-like framing, RFC 1662
section 4. The reverse, for whole captures, is in stage `frames`.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from nodeday.core.arrays import Bytes
from nodeday.layouts.model import Framing

DELIMITER = {"cobs": 0x00, "slip": 0xC0, "hdlc": 0x7E}
ESCAPE = {"slip": 0xDB, "hdlc": 0x7D}
SLIP_CODE = {0xC0: 0xDC, 0xDB: 0xDD}
HDLC_XOR = 0x20
COBS_RUN = 254


def stuff(frames: Bytes, framing: Framing) -> tuple[Bytes, NDArray[np.int64]]:
    """Return frames (n, length) as one row of sent bytes, and the sent length of each (n,).

    A delimiter follows each frame; with framing by sync word nothing is added.
    """
    n, length = frames.shape
    if framing == "sync":
        return frames.reshape(-1), np.full(n, length, np.int64)
    if framing == "cobs":
        parts = [_cobs(row.tobytes()) for row in frames]
        return np.frombuffer(b"".join(parts), np.uint8), np.array([len(part) for part in parts], np.int64)
    special = (frames == DELIMITER[framing]) | (frames == ESCAPE[framing])
    lengths = length + special.sum(axis=1) + 1
    flat = np.full(int(lengths.sum()), DELIMITER[framing], np.uint8)
    step = np.ones((n, length + 1), np.int64)
    step[:, :length] += special
    position = (np.cumsum(step) - step.ravel()).reshape(n, length + 1)[:, :length]
    flat[position[special]] = ESCAPE[framing]
    coded = frames ^ HDLC_XOR if framing == "hdlc" else np.where(frames == 0xC0, 0xDC, 0xDD)
    flat[position + special] = np.where(special, coded, frames)
    return flat, lengths


def _cobs(frame: bytes) -> bytes:
    out = bytearray()
    runs = frame.split(b"\0")
    for index, run in enumerate(runs):
        while len(run) >= COBS_RUN:
            out += b"\xff" + run[:COBS_RUN]
            run = run[COBS_RUN:]
            if not run and index == len(runs) - 1:
                return bytes(out) + b"\0"
        out += bytes([len(run) + 1]) + run
    return bytes(out) + b"\0"
