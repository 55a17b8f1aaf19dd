"""Which frames are missing, and when they would have come. Pure functions of sequence numbers."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from nodeday.arrays import Ints

Mark = TypeVar("Mark", np.bool_, np.int64)

MINUTE_NS = 60_000_000_000


@dataclass(frozen=True)
class Runs:
    """Runs of missing numbers, half open, each array of shape (g,); ``left`` is the row of the
    frame before a run, ``left + 1`` that of the frame after it."""

    seq_from: Ints
    seq_to: Ints
    left: Ints

    @property
    def frames(self) -> Ints:
        return self.seq_to - self.seq_from


def gaps_of(seq: Ints, boot: NDArray[np.integer] | None = None) -> Runs:
    """Runs missing between received numbers ``seq`` (n,), strictly increasing within each ``boot`` (n,).

    ::

        seq    250 251 252         255 256     258
        runs               [253, 255)     [257, 258)

    Raises ValueError where a number is there twice or falls.
    """
    step = np.diff(seq)
    inside = np.ones(len(step), np.bool_) if boot is None else np.diff(boot) == 0
    if (step[inside] <= 0).any():
        raise ValueError("received numbers must strictly increase")
    left = np.flatnonzero(inside & (step > 1))
    return Runs(seq[left] + 1, seq[left + 1], left)


def due_ns(frames: Ints, before_ns: Ints, after_ns: Ints) -> tuple[Ints, Ints]:
    """When lost frames would have come: evenly between the stamps on both sides, half up.

    Arrays of gaps (g,) give (gap, ns), a place each for all ``frames.sum()`` lost frames. Stamps
    out of order put all frames of their gap at the earlier side's stamp.
    """
    gap = np.repeat(np.arange(len(frames)), frames)
    number = np.arange(len(gap)) - np.repeat(np.cumsum(frames) - frames, frames) + 1
    span = np.maximum(after_ns - before_ns, 0)[gap]
    # As (q n + r) k / n: q k is exact, r k stays below 64 bits for any count of frames.
    parts = frames[gap] + 1
    whole, rest = np.divmod(span, parts)
    return gap, before_ns[gap] + whole * number + (2 * rest * number + parts) // (2 * parts)


def split(runs: Runs, marked: NDArray[Mark]) -> tuple[Runs, NDArray[Mark]]:
    """Runs cut wherever ``marked``, a mark for each lost frame, changes; and the mark of each part.

    ::

        lost     [10 11 12 13 14 15)
        marked        x  x  x           [10, 11) [11, 14) [14, 15)
    """
    seq = np.repeat(runs.seq_from - np.cumsum(runs.frames) + runs.frames, runs.frames) + np.arange(
        len(marked)
    )
    left = np.repeat(runs.left, runs.frames)
    first = np.ones(len(seq), bool)
    first[1:] = (np.diff(left) > 0) | (marked[1:] != marked[:-1])
    last = np.append(first[1:], True) if len(seq) else first
    return Runs(seq[first], seq[last] + 1, left[first]), marked[first]


def minute_of(hub_ns: Ints) -> Ints:
    """Start of the hub clock's minute that holds each stamp, (n,) -> (n,)."""
    return hub_ns // MINUTE_NS * MINUTE_NS
