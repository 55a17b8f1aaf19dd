"""Writing of a capture: copies of frames in order of arrival, junk between them, an end that is cut off."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from nodeday.core.arrays import Bytes, Ints
from nodeday.layouts import Layout, stuff
from nodeday.layouts.stuffing import DELIMITER

JUNK_BYTES = (1, 40)


@dataclass(frozen=True)
class Copies:
    """Copies of one stream's frames that the hub passed on, in any order.

    ``frames`` (c, length) are their bytes, ``row`` (c,) the index of the frame in the stream,
    ``arrival_s`` (c,) seconds since the session's start; ``damaged`` (c,) marks a copy whose
    checksum fails.
    """

    frames: Bytes
    row: Ints
    arrival_s: NDArray[np.float64]
    damaged: NDArray[np.bool_]


@dataclass(frozen=True)
class WrittenCapture:
    """Bytes of a capture and the copies that they come from.

    ``sizes`` holds the bytes of each stream's copies. ``stream`` and ``copy`` (c,) name the copies
    in the order of the capture: index of the stream, and index among the copies of that stream.
    ``cut`` names in the same way the copy that the end cuts off, if any.
    """

    data: bytes
    sizes: list[Ints]
    stream: Ints
    copy: Ints
    junk_bytes: int
    truncated_bytes: int
    cut: tuple[int, int] | None


def write_frames(
    parts: list[Copies], layout: Layout, junk: float, truncated: bool, rng: np.random.Generator
) -> WrittenCapture:
    """Return the copies of all streams as one capture.

    Junk precedes a share ``junk`` of the frames: random bytes, which now and then begin as a frame
    does, as when the rest of a frame was lost. ``truncated`` cuts off the last frame::

        | frame | junk | frame | frame | fra|
    """
    stream = np.repeat(np.arange(len(parts)), [len(part.row) for part in parts])
    copy = np.concatenate([np.arange(len(part.row)) for part in parts])
    order = np.argsort(np.concatenate([part.arrival_s for part in parts]), kind="stable")
    stream, copy = stream[order], copy[order]
    head = parts[0].frames[0, : layout.payload_at].tobytes() if parts and len(parts[0].row) else b""
    wire = [stuff(part.frames, layout.framing) for part in parts]
    sizes = np.concatenate([lengths for _, lengths in wire])[order]
    spare = np.where(rng.random(len(order)) < junk, rng.integers(*JUNK_BYTES, len(order)), 0)
    at = np.cumsum(sizes + spare) - sizes
    data = rng.integers(0, 256, int(sizes.sum() + spare.sum()), dtype=np.uint8)
    for row in np.flatnonzero((spare > len(head)) & (rng.random(len(order)) < 0.3)):
        begin = int(at[row] - spare[row])
        data[begin : begin + len(head)] = np.frombuffer(head, np.uint8)
    if layout.framing != "sync":  # else junk would run into the frame behind it
        data[at[spare > 0] - 1] = DELIMITER[layout.framing]
    position = np.empty_like(at)
    position[order] = at
    _scatter(data, position, wire)
    cut, left = None, 0
    if truncated and len(order):
        cut = (int(stream[-1]), int(copy[-1]))
        left = int(rng.integers(1, sizes[-1]))
        data = data[: int(at[-1]) + left]
    return WrittenCapture(
        data.tobytes(), [lengths for _, lengths in wire], stream, copy, int(spare.sum()), left, cut
    )


def _scatter(data: Bytes, position: Ints, wire: list[tuple[Bytes, Ints]]) -> None:
    """Write the bytes of every copy into ``data`` at its ``position`` (all copies, stream after stream)."""
    done = 0
    for flat, lengths in wire:
        begin = position[done : done + len(lengths)]
        within = np.arange(len(flat)) - np.repeat(np.cumsum(lengths) - lengths, lengths)
        data[np.repeat(begin, lengths) + within] = flat
        done += len(lengths)
