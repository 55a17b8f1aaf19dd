"""Coverage and frame loss, the two shares by which what a node delivered is told.

They answer different questions, so they have two names and stand side by side::

    session      |------------------------------------------------|
    frames       . . . x . . [hub outage) . . x . .   (battery empty)

    coverage     of the session's time, how much the received samples fill: everything absent counts
    frame loss   of the frames that the counter tells of, how many were lost: what came after the last
                 frame of a boot cannot be counted
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from nodeday.layouts import Kind
from nodeday.storage.frames import FrameStamps

COVERAGE = "share of the session's time for which the node's samples were received"
FRAME_LOSS = (
    "share of frames lost, by the counter between the node's first and last frame of each boot, and by a "
    "transmit list"
)


def sample_seconds(stamps: FrameStamps, kinds: Sequence[Kind]) -> float:
    """Return the seconds that the samples of a stream's frames fill, at the nominal rates of their kinds."""
    return sum(
        int(np.count_nonzero(stamps.kind == kind.kind)) * kind.samples / (kind.rate_hz or 1.0)
        for kind in kinds
    )


def coverage(sample_s: float, session_s: float, lost: float = 0.0) -> float:
    """Return the share (0 to 1) of a session of ``session_s`` that ``sample_s`` of samples fill.

    A node that starts late, restarts or falls silent misses those samples too. A crystal may run fast, so
    that the frames that arrived fill the session by their nominal rate although others were ``lost`` (a share
    of frames): then that share is what is absent.

    >>> coverage(180.0, 200.0), coverage(200.01, 200.0), coverage(200.01, 200.0, lost=0.001)
    (0.9, 1.0, 0.999)
    """
    if session_s <= 0:
        return 0.0
    share = sample_s / session_s
    return share if share < 1 else 1.0 - lost


def frame_loss(lost: float, received: float) -> float:
    """Return the share (0 to 1) of frames that were lost; NaN where none is known to have been sent.

    >>> frame_loss(1, 3)
    0.25
    """
    return lost / (lost + received) if lost + received else float("nan")
