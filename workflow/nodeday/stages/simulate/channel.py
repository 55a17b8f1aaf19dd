"""The way of frames from node to capture: bursts of loss, fades, delays, second copies, damage."""

from __future__ import annotations

import numpy as np

from nodeday.core.arrays import Bools, Bytes, Floats
from nodeday.layouts import Kind, Layout, crc
from nodeday.layouts.codec import get_bits

STALL_MEAN_S, STALL_LENGTH_S = 0.04, 1.0
"""While the hub is busy (for a second, now and then) delays have this mean: a choice of this project."""
LATE_S = (0.15, 0.9)
"""How long a frame is held back that arrives out of order; below what looks like a restart."""
TWIN_S = (0.004, 0.03)


def gilbert(n: int, loss: float, burst: float, rng: np.random.Generator) -> Bools:
    """Which of ``n`` frames are lost: a two-state chain with this long-run loss and mean burst.

    Gilbert's model (Bell Syst. Tech. J. 39, 1960) with every frame of the bad state lost: from
    bad to good r = 1 / burst, from good to bad p = r loss / (1 - loss), so that runs are
    geometric and can be drawn at once.
    """
    if loss <= 0 or n == 0:
        return np.zeros(n, bool)
    r = 1.0 / burst
    p = min(1.0, r * loss / (1.0 - loss))
    runs = int(n * 2 * p * (1 - loss)) // 2 + 8
    lengths = np.empty(0, np.int64)
    while lengths.sum() < n:  # nearly always once: the number of runs is drawn generously
        pair = np.stack([rng.geometric(p, runs), rng.geometric(r, runs)], axis=1)
        lengths = np.concatenate([lengths, pair.ravel()])
    lost = np.repeat(np.arange(len(lengths)) % 2 == 1, lengths)
    # A stationary start: somewhere in the sequence, not always at the start of a good run.
    return np.roll(lost[:n], int(rng.integers(n)))


def faded(strides: Floats, share: float, shadow: tuple[float, float], rng: np.random.Generator) -> Bools:
    """Frames (n,) lost while the body lies in the way at one part of each stride.

    ``strides`` walked at each frame (NaN: standing); within ``shadow``, a part of the stride
    from 0 to 1, a frame is lost with probability ``share``.
    """
    part = strides % 1.0
    return (part >= shadow[0]) & (part < shadow[1]) & (rng.random(len(strides)) < share)


def delays(
    sent_s: Floats, least_s: float, jitter_s: float, stall_every_s: float, rng: np.random.Generator
) -> Floats:
    """One-sided delays (n,) in s: ``least_s`` plus exponential, with a longer mean in stalls.

    Stalls of the hub begin at random, on average every ``stall_every_s``, and last a second.
    """
    span = float(np.ptp(sent_s)) if len(sent_s) else 0.0
    first = float(sent_s.min()) if len(sent_s) else 0.0
    stalls = np.sort(first + span * rng.random(rng.poisson(span / stall_every_s)))
    mean = np.full(len(sent_s), jitter_s)
    if len(stalls):
        since = sent_s - stalls[np.clip(np.searchsorted(stalls, sent_s, side="right") - 1, 0, None)]
        mean[(since >= 0) & (since < STALL_LENGTH_S)] += STALL_MEAN_S
    return least_s + mean * rng.standard_exponential(len(sent_s))


def arrivals(sent_s: Floats, delay_s: Floats, late: Bools, rng: np.random.Generator) -> Floats:
    """When frames (n,) sent in order arrive: in order too, but for ``late`` ones held back.

    A radio's queue keeps the order, so an earlier frame's longer delay holds up the next::

        sent     |a  |b  |c  |d
        arrive     |a      |bc |d      b is delayed, c waits for it
    """
    at = sent_s + delay_s
    ordered = np.maximum.accumulate(np.where(late, -np.inf, at))
    return np.where(late, at + rng.uniform(*LATE_S, len(at)), ordered)


def damage(frames: Bytes, layout: Layout, kind: Kind, rng: np.random.Generator) -> Bytes:
    """Copies of ``frames`` (n, length), each with one or two bytes changed so that the checksum
    does not hold any more.

    Only bytes that the checksum covers, or its own, are changed; what the hub adds afterwards
    is unprotected, and a change there could not be noticed by anybody.
    """
    checksum, covered = layout.field("checksum"), layout.covered(kind.payload_bytes)
    if checksum is None or covered is None:
        raise ValueError(f"layout {layout.layout} has no checksum that could tell a damaged frame")
    out = frames.copy()
    at = layout.checksum_at(frames.shape[1])
    places = np.concatenate([np.arange(*covered), np.arange(at, at + checksum.bits // 8)])
    rows = np.arange(len(frames))
    while len(rows):
        out[rows] = frames[rows]
        first = rng.integers(0, len(places), len(rows))
        out[rows, places[first]] ^= rng.integers(1, 256, len(rows), dtype=np.uint8)
        second = places[np.minimum(first + 1, len(places) - 1)]
        flip = rng.integers(0, 256, len(rows), dtype=np.uint8) * (rng.random(len(rows)) < 0.5)
        out[rows, second] ^= np.where(second == places[first], 0, flip).astype(np.uint8)
        sums = crc.checksums(checksum.sum, out[rows, covered[0] : covered[1]])
        sent = get_bits(out[rows], 8 * at, checksum.bits, layout.order_of(checksum)).astype(np.uint64)
        rows = rows[sums == sent]
    return out
