"""Why frames are missing: what the other nodes, the boots and the battery say."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from nodeday.core.arrays import Floats, Ints

SILENT_PERIODS = 3.0
"""A hub outage is silence of all nodes for more than so many frame periods of the slowest of them."""
GONE_PERIODS, GONE_NS = 10.0, 60_000_000_000
"""A stream silent for longer than both before the session's last frame is gone. Choice of this project."""
FALLEN_SHARE, STEEP = 0.01, 2.0
"""Evidence of an empty battery: voltage at least 1 % below the start, and at the end falling at
least twice as fast as on the whole, since cells hold their voltage and then give way. A steady
fall is plain use. Choice of this project."""

OFF_FRAMES, OFF_SHARE = 1.0, 0.01
"""A step of the counter contradicts the ticks where they differ by more than one frame and 1 % of the
step: sensors' own oscillators are a few percent off nominal (which is measured) and wander by far less
than that. Choice of this project."""


def counter_steps(
    boot: NDArray[np.integer], seq: Ints, seq_raw: Ints, ticks: Ints, modulus: int, nominal_ticks: float
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Between which frames of a stream (n,) the sequence counter did not do what the ticks did, (n - 1,).

    First: it began anew or jumped, so that a gap there counts places and not frames sent. Second: it
    stood still, so that something is missing although no number is::

        ticks    0  10  20  50  60  70  80 110      ten a frame
        raw      6   7   8   0   1   2   3   4
        unwrapped 6  7   8  11  12  13  14  15
                           ^ began anew      ^ stood still

    A frame is held against the measured pace of the stream, the median over frames next to each other.
    """
    # Unwrapped less raw is a constant modulo the counter's range while the counter only counts.
    ahead = seq - seq_raw
    ahead %= modulus
    anew, step, same = ahead[1:] != ahead[:-1], np.diff(seq), np.diff(boot) == 0
    del ahead
    passed, pairs = np.diff(ticks), same & (step == 1)
    pace = float(np.median(passed[pairs], overwrite_input=True)) if pairs.any() else nominal_ticks
    off = passed / (pace if pace > 0 else nominal_ticks)
    off -= step
    far = np.abs(off) > OFF_FRAMES + OFF_SHARE * step
    return same & (anew | far), pairs & far & (off > 0)


def counter_went_on(before: int, after: int, modulus: int, periods: float) -> bool:
    """Whether a raw counter ran on across what looks like a restart, ``periods`` frame periods long.

    True only where it cannot have begun at zero meanwhile, and stands where counting on had led.
    """
    if after <= periods + OFF_FRAMES:
        return False
    off = (after - before - round(periods) + modulus // 2) % modulus - modulus // 2
    return abs(off) <= OFF_FRAMES + OFF_SHARE * periods


def silences(hub_ns: Ints, longest_period_s: float) -> tuple[Ints, Ints]:
    """Half-open stretches without a frame of any node: (n,) stamps of all -> starts, ends (s,).

    ::

        heart   | | | | | |              | | | |
        wrist   |   |   |                |   |
        hub           [ silence )
    """
    stamps = np.sort(hub_ns, kind="stable")  # quick where they are in order
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
    first, earlier, last = (
        float(np.median(volts[s])) for s in (slice(part), slice(-2 * part, -part), slice(-part, None))
    )
    fall = first - last
    return fall >= FALLEN_SHARE * first and earlier - last >= STEEP * fall / 19
