"""Copies of frames laid into one capture in order of arrival, with junk between and a cut end."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Bytes = NDArray[np.uint8]
Ints = NDArray[np.int64]

JUNK_BYTES = (1, 40)


@dataclass(frozen=True)
class Copies:
    """Copies of one stream's frames that the hub passed on, in any order: bytes (c, length), the
    frame's place in the stream (c,), seconds of arrival (c,), and which are ``damaged`` (c,)."""

    frames: Bytes
    row: Ints
    arrival_s: NDArray[np.float64]
    damaged: NDArray[np.bool_]


@dataclass(frozen=True)
class Laid:
    """The capture and where its bytes come from; ``cut`` is the copy that the end cuts off, as
    (stream, place among its copies), and ``order`` the copies' streams and places in the capture."""

    data: bytes
    stream: Ints
    copy: Ints
    junk_bytes: int
    truncated_bytes: int
    cut: tuple[int, int] | None


def lay(parts: list[Copies], junk: float, truncated: bool, head: bytes, rng: np.random.Generator) -> Laid:
    """Lay the copies of all streams into a capture.

    Junk comes before a share ``junk`` of frames: random bytes, now and then with the frame's
    opening ``head`` in them, as when a frame's rest was lost. The end cuts the last frame if
    ``truncated``::

        | frame | junk | frame | frame | fra|
    """
    stream = np.repeat(np.arange(len(parts)), [len(part.row) for part in parts])
    copy = np.concatenate([np.arange(len(part.row)) for part in parts])
    order = np.argsort(np.concatenate([part.arrival_s for part in parts]), kind="stable")
    stream, copy = stream[order], copy[order]
    sizes = np.array([part.frames.shape[1] for part in parts], np.int64)[stream]
    spare = np.where(rng.random(len(order)) < junk, rng.integers(*JUNK_BYTES, len(order)), 0)
    at = np.cumsum(sizes + spare) - sizes
    whole = rng.integers(0, 256, int(sizes.sum() + spare.sum()), dtype=np.uint8)
    for place in np.flatnonzero((spare > len(head)) & (rng.random(len(order)) < 0.3)):
        begin = int(at[place] - spare[place])
        whole[begin : begin + len(head)] = np.frombuffer(head, np.uint8)
    for number, part in enumerate(parts):
        mine = stream == number
        for byte in range(part.frames.shape[1]):
            whole[at[mine] + byte] = part.frames[copy[mine], byte]
    cut, left = None, 0
    if truncated and len(order):
        cut = (int(stream[-1]), int(copy[-1]))
        left = int(rng.integers(1, sizes[-1]))
        whole = whole[: int(at[-1]) + left]
    return Laid(whole.tobytes(), stream, copy, int(spare.sum()), left, cut)
