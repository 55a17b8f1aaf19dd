"""Why frames are missing: what the other nodes, the boots and the battery say."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

SILENT_PERIODS = 3.0
"""A hub outage is silence of all nodes for more than so many frame periods of the slowest of them."""
GONE_PERIODS, GONE_NS = 10.0, 60_000_000_000
"""A stream silent for longer than both before the session's last frame is gone. Choice of this project."""
FALLEN_SHARE, STEEP = 0.01, 2.0
"""Evidence of an empty battery: voltage at least 1 % below the start, and at the end falling at
least twice as fast as on the whole, since cells hold their voltage and then give way. A steady
fall is plain use. Choice of this project."""


def silences(hub_ns: Ints, longest_period_s: float) -> tuple[Ints, Ints]:
    """Half-open stretches without a frame of any node: (n,) stamps of all -> starts, ends (s,).

    ::

        heart   | | | | | |              | | | |
        wrist   |   |   |                |   |
        hub           [ silence )
    """
    stamps = np.sort(hub_ns)
    at = np.flatnonzero(np.diff(stamps) > SILENT_PERIODS * longest_period_s * 1e9)
    return stamps[at], stamps[at + 1]


def within(at_ns: Ints, starts: Ints, ends: Ints) -> NDArray[np.bool_]:
    """Which instants (n,) lie in one of the stretches (s,), in order and apart."""
    if not len(starts):
        return np.zeros(len(at_ns), bool)
    last = np.searchsorted(starts, at_ns, side="right") - 1
    return (last >= 0) & (at_ns < ends[np.maximum(last, 0)])


def fell_silent(last_ns: int, session_last_ns: int, period_s: float) -> bool:
    """Whether a stream whose last frame came at ``last_ns`` ended well before the session."""
    return session_last_ns - last_ns > max(GONE_PERIODS * period_s * 1e9, GONE_NS)


def battery_fell(hub_ns: Ints, volts: Floats) -> bool:
    """Whether the battery's voltage (n,) says that it ran empty at the end; nan where not sent.

    Compares medians of the first, the last but one and the last twentieth of the frames.
    """
    good = np.isfinite(volts)
    volts = volts[good][np.argsort(hub_ns[good], kind="stable")]
    part = len(volts) // 20
    if part < 3:
        return False
    first, earlier, last = (float(np.median(volts[s])) for s in
                            (slice(part), slice(-2 * part, -part), slice(-part, None)))  # fmt: skip
    fall = first - last
    return fall >= FALLEN_SHARE * first and earlier - last >= STEEP * fall / 19
