"""Copies of frames laid into one capture in order of arrival, with junk between and a cut end."""

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
    """Copies of one stream's frames that the hub passed on, in any order: bytes (c, length), the
    frame's place in the stream (c,), seconds of arrival (c,), and which are ``damaged`` (c,).
    """

    frames: Bytes
    row: Ints
    arrival_s: NDArray[np.float64]
    damaged: NDArray[np.bool_]


@dataclass(frozen=True)
class WrittenCapture:
    """The capture and where its bytes come from: ``sizes`` in bytes of each stream's copies, ``stream``
    and ``copy`` of each copy in order, and ``cut``, the copy that the end cuts off, as (stream,
    place among its copies).
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
    """Lay the copies of all streams into a capture.

    Junk comes before a share ``junk`` of frames: random bytes, now and then with the frame's
    opening in them, as when a frame's rest was lost. The end cuts the last frame if
    ``truncated``::

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
    whole = rng.integers(0, 256, int(sizes.sum() + spare.sum()), dtype=np.uint8)
    for place in np.flatnonzero((spare > len(head)) & (rng.random(len(order)) < 0.3)):
        begin = int(at[place] - spare[place])
        whole[begin : begin + len(head)] = np.frombuffer(head, np.uint8)
    if layout.framing != "sync":  # else junk would run into the frame behind it
        whole[at[spare > 0] - 1] = DELIMITER[layout.framing]
    place = np.empty_like(at)
    place[order] = at
    _scatter(whole, place, wire)
    cut, left = None, 0
    if truncated and len(order):
        cut = (int(stream[-1]), int(copy[-1]))
        left = int(rng.integers(1, sizes[-1]))
        whole = whole[: int(at[-1]) + left]
    return WrittenCapture(
        whole.tobytes(), [lengths for _, lengths in wire], stream, copy, int(spare.sum()), left, cut
    )


def _scatter(whole: Bytes, place: Ints, wire: list[tuple[Bytes, Ints]]) -> None:
    """Put every copy's bytes at its ``place`` (all copies, stream after stream)."""
    done = 0
    for flat, lengths in wire:
        begin = place[done : done + len(lengths)]
        within = np.arange(len(flat)) - np.repeat(np.cumsum(lengths) - lengths, lengths)
        whole[np.repeat(begin, lengths) + within] = flat
        done += len(lengths)
