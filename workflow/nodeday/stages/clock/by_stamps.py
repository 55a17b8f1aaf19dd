"""Frames of a sender without ticks and without a pace: its counter is no clock, so hub stamps place them.

A frame was sent before every later one, so before the least stamp from it on. How long it waited
nobody can tell, unless others overtook it::

    stamp |            o  late: frame 2 was sent before frame 3 came
          |         o  :
          |   o     .  :
          +---1-----3--2---- arrival       least stamp from frame 2 on: that of 3
"""

from __future__ import annotations

import numpy as np

from nodeday.core.arrays import Floats, Ints

PACE, LEAST_FRAMES = 0.5, 3
"""A counter is a clock where half of all steps stray by less than half a frame from the usual one, or where
fewer than 3 frames tell nothing else. Choices of this project."""
KNOTS = 3000
"""A map has no more knots."""
LATE_SHARE = 0.95
"""Share of the observed waits that the band holds."""


def least_from(stamp_ns: Ints) -> Ints:
    """Return the least stamp from each frame on, (n,), of frames in order of sending."""
    return np.minimum.accumulate(stamp_ns[::-1])[::-1]


def keeps_pace(at: Ints, stamp_ns: Ints, rate_hz: float, unit_ms: float) -> bool:
    """Return whether a counter ``at`` (n,), rising, of nominal ``rate_hz`` goes with its stamps."""
    steps = np.diff(at)
    if len(at) < LEAST_FRAMES or not (steps > 0).any():
        return True
    step_ms = np.diff(least_from(stamp_ns)) / 1e6 - steps * (1e3 / rate_hz)
    frame_ms = float(np.median(steps[steps > 0])) * 1e3 / rate_hz
    return bool(np.median(np.abs(step_ms - np.median(step_ms))) <= PACE * frame_ms + unit_ms)


def follow(at: Ints, stamp_ns: Ints, least_band_ms: float) -> tuple[Ints, Ints, Floats, Floats]:
    """Knots on the least stamps from each frame on: counter and time, half widths and waits in ms, (k,) each.

    ``at`` (n,) never falls and n >= 1. The band holds ``least_band_ms``, most waits that overtaking shows,
    and how far frames between knots lie off the line.
    """
    at, first = np.unique(at, return_index=True)
    least = least_from(stamp_ns)
    wait_ms = float(np.quantile((stamp_ns - least) / 1e6, LATE_SHARE))
    least = least[first]
    # A line rises: by a nanosecond a tick at least.
    to = np.maximum.accumulate(least - (at - at[0])) + (at - at[0])
    if len(at) == 1:
        at, to = np.append(at, at + 1), np.append(to, to + 1)
    pick = np.unique(np.linspace(0, len(at) - 1, min(len(at), KNOTS)).astype(np.int64))
    line = np.interp(at - at[0], at[pick] - at[0], (to[pick] - to[0]).astype(np.float64))
    off_ms = np.maximum.reduceat(np.abs(to - to[0] - line), pick) / 1e6
    off_ms = np.maximum(off_ms, np.append(0.0, off_ms[:-1]))
    band_ms = least_band_ms + wait_ms + off_ms
    return at[pick], to[pick], band_ms, np.full(len(pick), wait_ms)
