"""Histories with a known truth, made by hand: what a real day does to frames, one thing at a time.

Each function returns a :class:`captures.Recording`. A :class:`Device` makes frames; what happens to them
on their way stands in each case. Shares no code with nodeday's simulator.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from captures import START, Logged, Mark, Recording, Wire
from numpy.typing import NDArray

HUB_FROM_S, HUB_PPM = 1000.0, 6.0
"""The hub's clock at second 0, and how fast it runs."""
DELAY_S = 0.003
"""Constant part of the radio's delay, as the layouts state it."""
START_S = round(START.timestamp())

Rounding = Literal["down", "up", "nearest"]


def hub_clock(true_s: float) -> float:
    """Return what the hub's clock shows, in seconds."""
    return HUB_FROM_S + true_s * (1 + 1e-6 * HUB_PPM)


@dataclass(frozen=True)
class Device:
    """A device with a clock ``ppm`` fast; ``ticks_from`` and ``count_from`` are what it shows at second 0."""

    address: int
    ppm: float = 20.0
    ticks_hz: float = 1000.0
    ticks_from: int = 500_000
    count_from: int = 40_000
    boot: int = 0
    boot_id: int = 3

    def frames(self, near_s: Iterable[float]) -> list[Logged]:
        """Return frames made at the whole ticks nearest to ``near_s``, without delay; values number them."""
        out, hz = [], self.ticks_hz * (1 + 1e-6 * self.ppm)
        for number, at in enumerate(near_s):
            ticks, value = round(at * hz), 1_000_000 * self.boot + number
            made_s, counter = ticks / hz, self.count_from + number
            known = (self.address, self.boot, counter, self.ticks_from + ticks, value)
            out.append(Logged(*known, hub_clock(made_s), made_s, boot_id=self.boot_id))
        return out


def delivered(frames: list[Logged], rng: np.random.Generator, loss: float = 0.0) -> list[Logged]:
    """Return frames as they arrive, with short delays and in order; a share ``loss`` never does."""
    kept = [one for one in frames if rng.random() >= loss]
    arrival = np.maximum.accumulate([one.hub_s + DELAY_S + rng.exponential(0.002) for one in kept])
    return [replace(one, hub_s=float(at)) for one, at in zip(kept, arrival, strict=True)]


def in_order(*logs: list[Logged]) -> list[Logged]:
    """Return several logs as one, in order of arrival."""
    return sorted((one for log in logs for one in log), key=lambda one: one.hub_s)


def wire(every_s: float, boot: bool, ticks_hz: float = 1000.0) -> Wire:
    """Return the frame format of a case, with or without a boot field."""
    return Wire(every_s, ticks_hz=ticks_hz, boot=boot, delay_ms=1e3 * DELAY_S)


def marks(
    seconds: float,
    every_s: float = 10.0,
    read_s: Callable[[], float] = lambda: 0.0,
    unit_ns: int = 1_000_000,
    rounding: Rounding = "up",
) -> list[Mark]:
    """Return host marks; the host reads its clock ``read_s()`` after the hub's stamp, before if negative."""
    to_unit = {"down": np.floor, "up": np.ceil, "nearest": np.rint}[rounding]
    out = []
    for number, due in enumerate(np.arange(1.0, seconds, every_s)):
        at = due + 0.618034 * number % 0.3  # never in step with whole units
        since = float(to_unit((at + read_s()) * 1e9 / unit_ns))
        out.append(Mark(hub_clock(at), START_S * 1_000_000_000 // unit_ns + int(since), number))
    return out


def periodic(seconds: float, every_s: float, phase_s: float = 0.0) -> NDArray[np.float64]:
    """Return instants from second 2 on, one every ``every_s``."""
    return np.arange(2.0 + phase_s, seconds, every_s)


# --- frames that come late -----------------------------------------------------------------------

AWAY_S = (1.0, 2.0, 5.0, 10.0, 20.0, 30.0, 45.0, 60.0)
"""How long the node of :func:`store_and_forward` is out of reach, one time after the other."""
FLUSH_S = 0.02
"""From one queued frame to the next while they are sent."""


def store_and_forward(mixed: bool, boot: bool, seed: int = 1) -> Recording:
    """A node is out of reach for 1 to 60 s, eight times; it keeps its frames and sends them on return.

    Its counter, ticks and boot go on, and nothing is lost. Without ``mixed`` the frames made meanwhile
    wait behind the queue; with it they are sent at once, between the queued ones::

        made      a b c d e f g h i
        alone     a b . . . cdefg h i
        mixed     a b . . . f c d e g h i
    """
    rng = np.random.default_rng(seed)
    seconds, every_s = 1200.0, 0.25
    away = delivered(Device(16).frames(periodic(seconds, every_s)), rng)
    for number, length in enumerate(AWAY_S):
        begin = hub_clock(60.0 + 130.0 * number)
        back = begin + length
        queued = [at for at, one in enumerate(away) if begin <= one.hub_s < back]
        sent_s = back
        for at in queued if mixed else range(queued[0], len(away)):
            if away[at].hub_s >= sent_s:  # the queue is empty
                break
            away[at] = replace(away[at], hub_s=sent_s)
            sent_s += FLUSH_S
    near = delivered(Device(17, -15.0).frames(periodic(seconds, every_s)), rng, 0.02)
    return Recording(wire(every_s, boot), in_order(away, near), marks(seconds))


def late_first_frames(boot: bool, late: Sequence[int], by_s: float, lost: Sequence[int]) -> Recording:
    """Of a node that was just switched on, frames number ``late`` come ``by_s`` later and some are lost.

    Its counter and its ticks are still small, as after a restart.
    """
    rng = np.random.default_rng(6)
    seconds, every_s = 120.0, 0.25
    first = delivered(Device(16, ticks_from=-2000, count_from=0).frames(periodic(seconds, every_s)), rng)
    log = [
        replace(one, hub_s=one.hub_s + by_s) if at in late else one
        for at, one in enumerate(first)
        if at not in lost
    ]
    other = delivered(Device(17, -15.0).frames(periodic(seconds, every_s)), rng, 0.02)
    return Recording(wire(every_s, boot), in_order(log, other), marks(seconds))


def late_duplicates(boot: bool, seed: int = 2) -> Recording:
    """Second copies of queued frames, 5 to 30 s behind the flush, and of one live frame in twenty."""
    plain = store_and_forward(False, boot, seed)
    rng = np.random.default_rng(seed)
    late = [one for one in plain.log if one.hub_s - hub_clock(one.made_s) > 0.5 and rng.random() < 0.3]
    live = [one for one in plain.log if rng.random() < 0.05]
    copies = [replace(one, hub_s=one.hub_s + rng.uniform(5.0, 30.0)) for one in late]
    copies += [replace(one, hub_s=one.hub_s + rng.uniform(0.05, 2.0)) for one in live]
    return replace(plain, log=in_order(plain.log, copies))


# --- senders without a pace, and slow ones -------------------------------------------------------


def event_driven(boot: bool, seed: int = 3) -> Recording:
    """Two nodes send when something happens: pauses of 50 ms to 4 minutes, and one of half an hour.

    Their 16-bit counters wrap. One frame in ten is lost, and once all of three minutes. Nothing is lost
    at the long pause: the counter steps by one.
    """
    rng = np.random.default_rng(seed)
    logs = []
    for address in (16, 17):
        pauses = np.clip(rng.lognormal(0.0, 1.5, 2000), 0.05, 240.0)
        pauses[1000] = 1800.0
        made = 2.0 + np.cumsum(pauses)
        frames = Device(address, count_from=65_000).frames(made)
        kept = (
            delivered(frames[:995], rng, 0.1)
            + delivered(frames[995:1005], rng)
            + delivered(frames[1005:], rng, 0.1)
        )
        gone_s = made[1500]
        logs.append([one for one in kept if not gone_s <= one.made_s < gone_s + 180.0])
    end_s = max(one.made_s for log in logs for one in log)
    return Recording(wire(3.0, boot), in_order(*logs), marks(end_s))


def slow_nodes(boot: bool, seed: int = 4) -> Recording:
    """19 nodes that send once a minute for a day, ticks in whole seconds; one frame in 50 is lost."""
    rng = np.random.default_rng(seed)
    seconds = 86_400.0
    logs = []
    for address in range(1, 20):
        phase_s, ppm = rng.uniform(0.0, 60.0), rng.uniform(-40.0, 40.0)
        device = Device(address, ppm, 1.0, int(rng.integers(0, 100_000)), int(rng.integers(0, 65_536)))
        logs.append(delivered(device.frames(periodic(seconds, 60.0, phase_s)), rng, 0.02))
    return Recording(wire(60.0, boot, 1.0), in_order(*logs), marks(seconds, 60.0))


# --- what looks like a restart or an outage, and is none -----------------------------------------


def shared_address(boot: bool, seed: int = 5) -> Recording:
    """Two devices share an address, with different counters, ticks and boot fields; a third has its own.

    The two devices stand as the two boots of the shared address.
    """
    rng = np.random.default_rng(seed)
    made = periodic(900.0, 1.0)
    one = Device(16, 12.0, ticks_from=3_000_000, count_from=100)
    two = Device(16, -30.0, ticks_from=77_000, count_from=41_000, boot=1, boot_id=5)
    logs = [
        delivered(device.frames(made + shift_s), rng, 0.03)
        for device, shift_s in ((one, 0.0), (two, 0.4), (Device(17), 0.0))
    ]
    return Recording(wire(1.0, boot), in_order(*logs), marks(900.0))


def slow_stream_silence(
    hub_off: bool, every_s: float = 12.0, off_s: float = 25.0, boot: bool = True
) -> Recording:
    """A stream with a frame every 10 to 15 s misses 20 to 30 s, once every five minutes.

    With ``hub_off`` the stream of the hub itself, a frame a second, misses them too: the hub was off.
    Without it that stream goes on, and the radio lost the frames. Counter and clock of the hub go on.
    """
    rng = np.random.default_rng(6)
    seconds = 3600.0
    frames = delivered(Device(16).frames(periodic(seconds, every_s)), rng)
    off = [(begin, begin + off_s) for begin in np.arange(297.0, seconds - 60, 300.0)]

    def kept(at_s: float) -> bool:
        return not any(hub_clock(begin) <= at_s < hub_clock(end) for begin, end in off)

    log = [one for one in frames if kept(one.hub_s)]
    host = [one for one in marks(seconds, 1.0) if kept(one.hub_s) or not hub_off]
    lost = {"n16": len(frames) - len(log) if hub_off else 0}
    return Recording(replace(wire(every_s, boot), mark_every_s=1.0), log, host, lost)


# --- host marks ----------------------------------------------------------------------------------


def rounded_marks(
    rounding: Rounding, unit_ns: int, read: Literal["before", "after"], seed: int = 7
) -> Recording:
    """Two nodes for half an hour, with host marks by one of the ways in which loggers write them.

    ``read``: the host read its clock up to 2 ms before or after the hub made its stamp.
    """
    rng = np.random.default_rng(seed)
    seconds, sign = 1800.0, -1 if read == "before" else 1
    logs = [
        delivered(Device(16 + at, ppm).frames(periodic(seconds, 1.0, 0.3 * at)), rng, 0.02)
        for at, ppm in enumerate((25.0, -18.0))
    ]
    host = marks(seconds, 10.0, lambda: sign * rng.uniform(0.0, 0.002), unit_ns, rounding)
    return Recording(replace(wire(1.0, True), mark_unit_ns=unit_ns), in_order(*logs), host)
