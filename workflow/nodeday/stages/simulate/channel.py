"""Model of the radio channel and the hub: bursts of loss, fades, delays, second copies, damage."""

from __future__ import annotations

import numpy as np

from nodeday.core.arrays import Bools, Bytes, Floats
from nodeday.layouts import Kind, Layout, crc
from nodeday.layouts.codec import get_bits
from nodeday.stages.simulate.plan_parts import LateBursts

STALL_MEAN_S, STALL_LENGTH_S = 0.04, 1.0
"""Mean delay while the hub is busy, and for how long it is (choices of this project)."""
LATE_S = (0.15, 0.9)
"""Range of the delay of a frame that arrives out of order; shorter than what looks like a restart."""
TWIN_S = (0.004, 0.03)
"""Range of the time from a frame to its second copy."""


def gilbert(n: int, loss: float, burst: float, rng: np.random.Generator) -> Bools:
    """Return which of ``n`` frames are lost, (n,): a two-state chain with this long-run loss and mean burst.

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
    """Return which frames (n,) are lost because the body blocks the radio during a part of each stride.

    ``strides`` (n,) are the strides walked at each frame (NaN: standing). In the part ``shadow``
    of a stride, which runs from 0 to 1, a frame is lost with probability ``share``.
    """
    part = strides % 1.0
    return (part >= shadow[0]) & (part < shadow[1]) & (rng.random(len(strides)) < share)


def delays(
    sent_s: Floats, least_s: float, jitter_s: float, stall_every_s: float, rng: np.random.Generator
) -> Floats:
    """Return one-sided delays (n,) in s: ``least_s`` plus an exponential part, longer in stalls of the hub.

    Stalls begin at random, on average every ``stall_every_s``, and last a second.
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
    """Return the instants (n,) at which frames arrive: in the order of sending, except ``late`` ones.

    A radio's queue keeps the order, so a frame that is delayed holds up the next ones::

        sent     |a  |b  |c  |d
        arrive     |a      |bc |d      b is delayed, c waits for it
    """
    at = sent_s + delay_s
    order, ordered = np.argsort(sent_s, kind="stable"), np.empty(len(at))
    ordered[order] = np.maximum.accumulate(np.where(late, -np.inf, at)[order])
    return np.where(late, at + rng.uniform(*LATE_S, len(at)), ordered)


def queued(sent_s: Floats, away: tuple[float, float], mixed: bool, flush_s: float) -> Floats:
    """Return when frames (n,) are sent by a node that is out of reach during ``away`` [begin, end), in s.

    ``sent_s`` (n,), ascending, is when they would be sent otherwise. Queued frames follow ``flush_s``
    after one another from ``end`` on. Frames made meanwhile wait behind the queue, unless ``mixed``::

        made      a b c d e f g h i
        alone     a b . . . cdefg h i
        mixed     a b . . . f c d e g h i
    """
    begin, end = away
    first, back = np.searchsorted(sent_s, [begin, end])
    if first == back:
        return sent_s
    rows = slice(first, back if mixed else None)
    ready = np.maximum(sent_s[rows], end)
    turn = np.arange(len(ready)) * flush_s
    out = sent_s.copy()
    out[rows] = np.maximum(ready, np.maximum.accumulate(ready - turn) + turn)
    return out


def held_s(sent_s: Floats, bursts: LateBursts, rng: np.random.Generator) -> Floats:
    """Return the delay (n,) in s, 0 for most frames, of frames within a burst of late ones.

    Bursts begin at random; their lengths are exponential, the delay of each is uniform in its range.
    """
    out = np.zeros(len(sent_s))
    if not len(sent_s):
        return out
    first, last = float(sent_s.min()), float(sent_s.max())
    for begin in rng.uniform(first, last, rng.poisson((last - first) / (60 * bursts.every_min))):
        end = begin + rng.exponential(bursts.lasting_s)
        out[(sent_s >= begin) & (sent_s < end)] = rng.uniform(*bursts.delay_s)
    return out


def damage(frames: Bytes, layout: Layout, kind: Kind, rng: np.random.Generator) -> Bytes:
    """Return copies of ``frames`` (n, length) with one or two bytes changed, so that no checksum holds.

    Only bytes that the checksum covers, and the checksum itself, are changed: nobody could detect a
    change in what the hub adds afterwards. Raises ValueError for a layout without a checksum.
    """
    checksum, covered = layout.field("checksum"), layout.covered(kind.payload_bytes)
    if checksum is None or covered is None:
        raise ValueError(f"layout {layout.layout} has no checksum that could detect a damaged frame")
    out = frames.copy()
    at = layout.checksum_at(frames.shape[1])
    protected = np.concatenate([np.arange(*covered), np.arange(at, at + checksum.bits // 8)])
    rows = np.arange(len(frames))
    while len(rows):
        out[rows] = frames[rows]
        first = rng.integers(0, len(protected), len(rows))
        out[rows, protected[first]] ^= rng.integers(1, 256, len(rows), dtype=np.uint8)
        second = protected[np.minimum(first + 1, len(protected) - 1)]
        flip = rng.integers(0, 256, len(rows), dtype=np.uint8) * (rng.random(len(rows)) < 0.5)
        out[rows, second] ^= np.where(second == protected[first], 0, flip).astype(np.uint8)
        sums = crc.checksums(checksum.sum, out[rows, covered[0] : covered[1]])
        sent = get_bits(out[rows], 8 * at, checksum.bits, layout.order_of(checksum)).astype(np.uint64)
        rows = rows[sums == sent]
    return out
