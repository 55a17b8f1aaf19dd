"""Counters that wrap, made into counters that do not, and what that tells of each frame.

Each step from one frame of a node to the next is resolved by the two clocks that saw it: the
hub's stamps say how many times the ticks wrapped, and the ticks how many times the sequence
did. So an outage longer than a counter's period is still counted. After RFC 1982 (serial number
arithmetic) and RFC 3550 appendix A.1 (sequence validation), with the clocks in place of guesses.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from nodeday.arrays import Ints

RESTART_S, RESTART_PER_S = 2.0, 1e-4
"""Ticks and hub time that differ by more than 2 s + 100 ppm of the step mean a restart; wider
than radio delays and crystals together. A choice of this project."""
WINDOW = 100_000
"""Frames of a stream remembered to know a second copy; an older one counts as a conflict, since
nothing can tell any more whether it is the first of its number."""
INCONSISTENT = 8
"""A sequence number that is off by more than 1/8 of its range from its ticks is not believed."""
FEW, PACE = 2, 0.03
"""Nor is one that is off by more than 2 frames and 3 % of the step, since a sensor's own clock may run
so far off the node's ticks. Choices of this project."""


def wrap_steps(raw: Ints, expected: Ints, modulus: int) -> Ints:
    """The whole steps that ``raw`` residues of steps stand for, nearest to ``expected``, (n,)."""
    residue = raw % modulus
    return residue + modulus * np.floor((expected - residue) / modulus + 0.5).astype(np.int64)


def steps_from(previous: int | None, values: Ints) -> Ints:
    """Differences of ``values``, the first one from ``previous`` (zero where there is none)."""
    first = values[0] if previous is None else previous
    return np.diff(values, prepend=first)


def hub_steps(raw: Ints, previous: int, bits: int, most: int) -> tuple[Ints, NDArray[np.bool_]]:
    """Steps of a hub counter in order of arrival, and where a stamp is false, (n,) each.

    The hub adds its stamp after the checksum was made, so damage to it goes unseen. A stamp
    that jumps by more than ``most`` from the one before, which the one after does not, is
    false; the stamp before it stands in, and the frame says so::

        stamps   10  20  9000  40        false:  9000
        taken    10  20    20  40
    """
    near, far = _signed(np.diff(raw, prepend=previous), bits), np.zeros(len(raw), np.int64)
    far[:-1] = _signed(raw[1:] - np.concatenate([[previous], raw[:-2]]), bits)
    false = (np.abs(near) > most) & (np.abs(far) <= most)
    false[-1] = False
    kept = np.where(false, 0, np.arange(1, len(raw) + 1))
    stand_in = np.concatenate([[previous], raw])[np.maximum.accumulate(kept)]
    return _signed(np.diff(stand_in, prepend=previous), bits), false


def _signed(steps: Ints, bits: int) -> Ints:
    half = 1 << (bits - 1)
    return steps if bits == 64 else (steps + half) % (1 << bits) - half


@dataclass
class NodeClock:
    """Ticks and boots of one node, carried from block to block."""

    rate_hz: float
    modulus: int
    raw: int | None = None
    ticks: int = 0
    hub_ns: int = 0
    boot_id: int = 0
    boot: int = 0

    def lone(self, raw: Ints, hub_ns: Ints, boot_id: Ints | None = None) -> NDArray[np.bool_]:
        """Which of the node's next frames, in order of arrival, no neighbour bears out, (n,).

        A checksum holds by chance now and then. Such a frame jumps away from the one before it,
        and the one after it goes on as though it were not there; a restart goes on from where it
        jumped to. RFC 3550 A.1 asks for two in sequence before it believes a jump, likewise::

            ticks    100 200   7 400 500      7 is set aside
            ticks    100 200   7 107 207      the node restarted
        """
        if len(raw) < 2:
            return np.zeros(len(raw), bool)
        known = self.raw is not None
        one, hub, boot = (
            np.concatenate([[before] if known else [], each]).astype(np.int64)
            for before, each in ((self.raw, raw), (self.hub_ns, hub_ns),
                                 (self.boot_id, np.zeros(len(raw)) if boot_id is None else boot_id))
        )  # fmt: skip
        jumps = self._jumps(one[:-1], one[1:], hub[:-1], hub[1:], boot[:-1], boot[1:])
        over = ~self._jumps(one[:-2], one[2:], hub[:-2], hub[2:], boot[:-2], boot[2:])
        alone = np.zeros(len(one), bool)
        alone[1:-1] = jumps[:-1] & jumps[1:] & over
        return alone[1:] if known else alone

    def _jumps(
        self, raw: Ints, raw_next: Ints, hub: Ints, hub_next: Ints, boot: Ints, boot_next: Ints
    ) -> NDArray[np.bool_]:
        """Whether ticks and hub time part, or the boot changes, from one frame to another."""
        seconds = (hub_next - hub) / 1e9
        expected = np.rint(seconds * self.rate_hz).astype(np.int64)
        steps = wrap_steps(raw_next - raw, expected, self.modulus)
        slack = RESTART_S + RESTART_PER_S * np.abs(seconds)
        return np.asarray((np.abs(steps / self.rate_hz - seconds) > slack) | (boot != boot_next), np.bool_)

    def unwrap(self, raw: Ints, hub_ns: Ints, boot_id: Ints | None = None) -> tuple[Ints, Ints]:
        """Boot and unwrapped ticks of the node's next frames in order of arrival, (n,) each."""
        seconds = steps_from(None if self.raw is None else self.hub_ns, hub_ns) / 1e9
        steps = wrap_steps(steps_from(self.raw, raw), np.rint(seconds * self.rate_hz).astype(np.int64),
                           self.modulus)  # fmt: skip
        slack = RESTART_S + RESTART_PER_S * np.abs(seconds)
        restart = np.abs(steps / self.rate_hz - seconds) > slack
        if boot_id is not None:
            restart |= steps_from(None if self.raw is None else self.boot_id, boot_id) != 0
        boot = self.boot + np.cumsum(restart)
        total = (raw[0] if self.raw is None else self.ticks) + np.cumsum(np.where(restart, 0, steps))
        # Within a boot the count starts at the raw ticks of its first frame.
        first = np.flatnonzero(restart)
        lead = np.zeros(len(raw), np.int64)
        lead[first] = np.diff(raw[first] - total[first], prepend=0)
        total = total + np.cumsum(lead)
        self.raw, self.ticks, self.hub_ns = int(raw[-1]), int(total[-1]), int(hub_ns[-1])
        self.boot = int(boot[-1])
        self.boot_id = self.boot_id if boot_id is None else int(boot_id[-1])
        return boot, total


@dataclass
class StreamCounter:
    """Sequence numbers of one stream of one node, carried from block to block."""

    modulus: int
    ticks_per_frame: float
    dealt: int = 1
    raw: int = 0
    seq: int = 0
    ticks: int = 0
    boot: int | None = None
    highest: int = 0
    seen: dict[int, int] = field(default_factory=dict)

    def unwrap(
        self, raw: Ints, ticks: Ints, boot: Ints, digest: NDArray[np.uint64]
    ) -> tuple[Ints, NDArray[np.str_]]:
        """Unwrapped sequence number and status of the stream's next frames, (n,) each.

        ``digest`` tells two payloads apart, so that a second copy with other content is seen.
        """
        seq, status = np.empty(len(raw), np.int64), np.full(len(raw), "good", "<U12")
        edges = [0, *(np.flatnonzero(np.diff(boot)) + 1).tolist(), len(raw)]
        for start, end in pairwise(edges):
            part = slice(start, end)
            if self.boot != int(boot[start]):
                self.boot, self.seen = int(boot[start]), {}
                self.raw = self.seq = self.highest = int(raw[start])
                self.ticks = int(ticks[start])
                self.highest -= 1
            seq[part], odd = self._extend(raw[part], ticks[part])
            status[part][odd] = "inconsistent"
            self._place(seq[part], digest[part], status[part])
        return seq, status

    def _extend(self, raw: Ints, ticks: Ints) -> tuple[Ints, NDArray[np.bool_]]:
        expected = steps_from(self.ticks, ticks) / self.ticks_per_frame
        whole = np.rint(expected).astype(np.int64)
        steps = wrap_steps(steps_from(self.raw, raw), whole, self.modulus)
        odd = np.abs(expected - steps) > self._slack(expected)
        seq = self.seq + np.cumsum(np.where(odd, whole, steps))
        self.raw, self.seq, self.ticks = int(raw[-1]), int(seq[-1]), int(ticks[-1])
        return seq, odd

    def _slack(self, expected: NDArray[np.float64]) -> NDArray[np.float64]:
        """Frames by which a step may differ from its ticks and still be believed, (n,)."""
        paced = FEW + self.dealt + PACE * np.abs(expected)
        return np.asarray(np.minimum(paced, self.modulus / INCONSISTENT), np.float64)

    def _place(self, seq: Ints, digest: NDArray[np.uint64], status: NDArray[np.str_]) -> None:
        """Mark late frames and second copies in ``status``, a view of the caller's array."""
        before = np.maximum.accumulate(np.concatenate([[self.highest], seq[:-1]]))
        behind = np.flatnonzero(seq <= before)
        self.highest = max(int(before[-1]), int(seq[-1]))
        # Frames in order are new by construction; only those behind need to be looked up.
        position = dict(zip(seq.tolist()[::-1], range(len(seq) - 1, -1, -1), strict=True))
        for row in behind.tolist():
            number = int(seq[row])
            first = position[number]
            twin = self.seen.get(number, int(digest[first]) if first < row else None)
            if twin is None:
                status[row] = "late" if status[row] == "good" else status[row]
            else:
                status[row] = "duplicate" if twin == int(digest[row]) else "conflict"
            if number < self.highest - WINDOW:
                status[row] = "conflict"
        self.seen.update(zip(seq.tolist(), digest.tolist(), strict=True))
        if len(self.seen) > 2 * WINDOW:
            oldest = self.highest - WINDOW
            self.seen = {number: twin for number, twin in self.seen.items() if number >= oldest}


def digests(payload: NDArray[np.uint8]) -> NDArray[np.uint64]:
    """A number for each row of bytes, (n, length) -> (n,): multilinear hashing modulo 2**64."""
    size = (payload.shape[1],)
    weights = np.random.default_rng(1982).integers(1, 1 << 63, size, dtype=np.uint64) | np.uint64(1)
    out = np.zeros(len(payload), np.uint64)
    for place in range(payload.shape[1]):
        out += payload[:, place] * weights[place]
    return out
