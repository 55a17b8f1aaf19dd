"""Airtime of frames, how often they collide, and how long a battery lasts.

On the air a frame is what the node sends, with what the radio adds around it::

    | preamble | sync | length | address, kind, counter, ticks, samples, ... | CRC |
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from nodeday.layouts import Kind, Layout

OF_HUB = ("hub_time", "rssi", "lqi")
OF_RADIO = ("length", "checksum")
"""Roles of the layout's fields that the hub adds, and that the radio sends by itself."""

BANDS = ((433.05, 434.79, 0.10), (868.0, 868.6, 0.01), (869.4, 869.65, 0.10))
"""Band in MHz and the share of time that a device may send in it, in much of Europe; from memory, and no
substitute for the local rules."""


@dataclass(frozen=True)
class StreamOnAir:
    """A stream of a node on the air: seconds per frame, and frames per second."""

    node: str
    stream: str
    airtime_s: float
    frames_per_s: float

    @property
    def duty(self) -> float:
        """Share of time that the stream sends; the offered load G of one sender."""
        return self.airtime_s * self.frames_per_s


def airtime_s(body_bytes: int, overhead_bytes: int, bit_rate_kbps: float) -> float:
    """Return the seconds on the air of ``body_bytes`` and what the radio adds, eight bits a byte, no coding.

    >>> round(1000 * airtime_s(38, 11, 250), 3)
    1.568
    """
    return 8 * (body_bytes + overhead_bytes) / (1000 * bit_rate_kbps)


def body_bytes(layout: Layout, kind: Kind) -> int:
    """Return the bytes of a frame that the node's own program hands to its radio.

    The radio's length and CRC stand for the layout's, its sync word for the layout's framing; hub time,
    signal strength and all else behind the checksum are added by the hub after the frame has arrived.
    """
    roles = [field.role for field in layout.frame]
    sent = layout.frame[: roles.index("checksum")] if "checksum" in roles else layout.frame
    bits = sum(f.bits for f in sent if f.role not in (*OF_HUB, *OF_RADIO, "payload"))
    return -(-bits // 8) + kind.payload_bytes


def collision(stream: StreamOnAir, senders: Sequence[StreamOnAir]) -> float:
    """Return the chance that a frame of ``stream`` collides with one of another node, all sending at random.

    A frame of T s is hit by frames of T' s that begin within T + T' s: 1 - exp(-sum(rate' (T + T'))),
    pure ALOHA, for equal frames 1 - exp(-2 G); Abramson 1970, from memory. Every frame that
    collides counts as lost, though radios often save the stronger one.
    """
    rivals = [other for other in senders if other.node != stream.node]
    return -math.expm1(-sum(other.frames_per_s * (stream.airtime_s + other.airtime_s) for other in rivals))


def longest_clash_s(senders: Sequence[StreamOnAir], apart_ppm: float) -> float:
    """Return how long in s two nodes of one frame period go on colliding once they are in step.

    The longest (T + T') / skew, at clocks ``apart_ppm`` apart; 0 where no two share a period.
    """
    pairs = [
        (a, b)
        for a in senders
        for b in senders
        if a.node < b.node and math.isclose(a.frames_per_s, b.frames_per_s)
    ]
    return max((a.airtime_s + b.airtime_s for a, b in pairs), default=0.0) / (apart_ppm * 1e-6)


def guard_s(crystal_ppm: float, beacon_s: float, jitter_us: float) -> float:
    """Return the silence between slots in s: 2 x (node's + hub's skew) x interval + jitter.

    Both may be off by ``crystal_ppm``, early or late, since the last beacon.

    >>> round(1e6 * guard_s(50, 1, 0))
    200
    """
    return 4e-6 * crystal_ppm * beacon_s + 1e-6 * jitter_us


def slots_used(
    senders: Sequence[StreamOnAir], guard: float, beacon_airtime_s: float, beacon_s: float
) -> float:
    """Return the share of time that slots for every frame and the beacons take; they fit up to 1."""
    frames = sum(sender.frames_per_s * (sender.airtime_s + guard) for sender in senders)
    return frames + (beacon_airtime_s + guard) / beacon_s


def duty_limit(frequency_mhz: float | None) -> float | None:
    """Return the duty cycle allowed in a band, from memory; None for a band that is not listed."""
    of_band = [share for low, high, share in BANDS if frequency_mhz and low <= frequency_mhz <= high]
    return of_band[0] if of_band else None


def runtime_h(capacity_mah: float, usable: float, mean_ma: float) -> float:
    """Return the hours that a battery lasts: capacity x usable share / mean current.

    >>> round(runtime_h(220, 0.85, 8.5), 1)
    22.0
    """
    return capacity_mah * usable / mean_ma


def most_ma(capacity_mah: float, hours: float) -> float:
    """Return the mean current in mA at which a cell lasts just ``hours``, with no reserve.

    Common practice, no source.

    >>> round(most_ma(320, 15), 1)
    21.3
    """
    return capacity_mah / hours
