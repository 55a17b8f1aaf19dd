"""Which instants a frame holds: a stretch, or every D-th where D frames share a stretch.

Frames of a group are dealt like cards; the group's number and the frame's card come from its
sequence number, so a lost frame moves nothing::

    D = 2, 3 samples a frame        sequence 0: 0 2 4    sequence 1: 1 3 5    sequence 2: 6 8 10
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from nodeday.arrays import Ints
from nodeday.layouts.parts import Kind


def instant_of(kind: Kind, seq: Ints, position: Ints | int = 0) -> Ints:
    """Running number of the instant at ``position`` of frame ``seq``, shapes broadcast."""
    group, card = np.divmod(seq, kind.interleave)
    return np.asarray((group * kind.samples + position) * kind.interleave + card, np.int64)


def dealt_shift(kind: Kind, seq: Ints, ticks_per_sample: float) -> NDArray[np.float64]:
    """Ticks (n,) by which a frame's stamp lies off the straight line over ``seq`` that it would lie
    on if each frame held a stretch."""
    card = np.mod(seq, kind.interleave)
    return np.asarray(card * (1 - kind.samples) * ticks_per_sample, np.float64)


def stamped_instant(kind: Kind, seq: Ints) -> Ints:
    """Running number of the instant that a frame's stamp is for, (n,); the frame's own where it holds
    no samples."""
    if not kind.samples:
        return np.asarray(seq, np.int64)
    return instant_of(kind, seq, kind.samples - 1 if kind.stamp == "last" else 0)
