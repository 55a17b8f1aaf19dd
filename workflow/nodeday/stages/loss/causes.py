"""Why frames are missing: what the other nodes, the boots and the battery say."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from nodeday.core.arrays import Bools, Floats, Ints

GONE_PERIODS, GONE_NS = 10.0, 60_000_000_000
"""A stream silent for longer than both before the session's last frame is gone. Choice of this project."""
FALLEN_SHARE, STEEP = 0.01, 2.0
"""Evidence of an empty battery: voltage at least 1 % below the start, and at the end falling at
least twice as fast as on the whole, since cells hold their voltage and then give way. A steady
fall is plain use. Choice of this project."""
LEAST_STEP_V = 1e-6
"""Smaller differences are of floating point, not of a converter."""

OFF_FRAMES, OFF_SHARE = 1.0, 0.01
"""A counter ran on where it stands within one frame and 1 % of where its pace leads: sensors' own oscillators
wander by far less than that. Choice of this project."""
APART_S, APART_PER_S = 2.0, 1e-4
"""Ticks ran on where they stand within 2 s and 100 ppm of where the hub's clock leads. Choice of this
project."""


Stretch: TypeAlias = tuple[Ints, Ints]
"""Starts and ends (s,) of half-open stretches of the hub's time while it was on, in order and apart."""
NO_STRETCH: Stretch = (np.empty(0, np.int64), np.empty(0, np.int64))


@dataclass(frozen=True)
class Silences:
    """Stretches in which the hub was off, and in which several nodes were silent together."""

    outage: Stretch = NO_STRETCH
    joint: Stretch = NO_STRETCH


def counter_lost_thread(boot: NDArray[np.integer], seq: Ints, seq_raw: Ints, modulus: int) -> Bools:
    """Between which frames of a stream (n,) the sequence counter did more than count, (n - 1,).

    Unwrapped less raw is a constant modulo the counter's range while the counter only counts::

        raw        6   7   8   0   1   2   3        range 16
        unwrapped  6   7   8  11  12  13  14
        difference 0   0   0  11  11  11  11
                             ^ lost its thread
    """
    ahead = seq - seq_raw
    ahead %= modulus
    return np.asarray((ahead[1:] != ahead[:-1]) & (np.diff(boot) == 0), np.bool_)


def counter_may_have_turned(before: int, after: int, modulus: int, periods: float) -> bool:
    """Whether counting on explains a raw counter ``periods`` frame periods later.

    It does where so many frames can have been sent meanwhile; then only the number of turns is not known.
    Where the counter went further than time allows, it began anew or jumped::

        raw 250 -> 10 of 256, after 400 periods    16 frames or 272: it may have turned
        raw 100 ->  3 of 256, after  20 periods    159 frames at least: it began anew
    """
    return (after - before) % modulus <= periods * (1 + OFF_SHARE) + OFF_FRAMES


def ticks_went_on(before: int, after: int, modulus: int, tick_hz: float, passed_s: float) -> bool:
    """Whether raw ticks ran on across what looks like a restart, ``passed_s`` long by the hub's clock.

    True only where they cannot have begun at zero meanwhile, and stand where running on had led.
    """
    if after / tick_hz <= passed_s + APART_S:
        return False
    off = (after - before - round(passed_s * tick_hz) + modulus // 2) % modulus - modulus // 2
    return abs(off) / tick_hz <= APART_S + APART_PER_S * abs(passed_s)


def counter_went_on(before: int, after: int, modulus: int, *periods: float) -> bool:
    """Whether a raw counter ran on across what looks like a restart, so many frame ``periods`` long.

    True only where it cannot have begun at zero meanwhile, and stands where counting on had led. A stream
    with frames of several periods has several lengths, of which one must fit.
    """
    if after <= max(periods) + OFF_FRAMES:
        return False
    ahead = ((after - before - round(each) + modulus // 2) % modulus - modulus // 2 for each in periods)
    return any(abs(off) <= OFF_FRAMES + OFF_SHARE * each for off, each in zip(ahead, periods, strict=True))


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
    """Whether the battery's voltage (n,) shows that it ran empty at the end; nan where not sent.

    Compares medians of the first, the last but one and the last twentieth of the frames. The steps of the
    converter and noise move the difference of two medians; the fall at the end must exceed that, too::

        volts   3.71 3.71 3.71 | 3.70 3.70 3.70      one step of the converter is no fall
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
    if fall < FALLEN_SHARE * first:
        return False
    return earlier - last - _uncertainty_v(volts, part) >= STEEP * fall / 19


def _uncertainty_v(volts: Floats, part: int) -> float:
    """Return how far the difference of two medians of ``part`` of the readings (n,) may be off, in volts.

    One step of the converter, which is the least difference of neighbours, and three standard errors of
    the noise, which is their median difference. The standard error of a median is 1.25 s / sqrt(n), and
    the median difference of two normal values 0.95 s.
    """
    step = np.abs(np.diff(volts))
    least = float(step.min(where=step > LEAST_STEP_V, initial=np.inf))
    noise = float(np.median(step)) / 0.954
    return (least if np.isfinite(least) else 0.0) + 3 * 1.2533 * noise * float(np.sqrt(2 / part))
