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

from nodeday.core.arrays import Bools, Ints
from nodeday.stages.frames.columns import (
    CONFLICT,
    COPIES,
    DUPLICATE,
    GOOD,
    INCONSISTENT,
    LATE,
    WINDOW,
    Marks,
    RecentContents,
    States,
)

RESTART_S, RESTART_PER_S = 2.0, 1e-4
"""Ticks and hub time that differ by more than 2 s + 100 ppm of the step mean a restart; wider
than radio delays and crystals together. A choice of this project."""
ODD_PART = 8
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


def hub_steps(raw: Ints, previous: int, bits: int, most: int) -> tuple[Ints, Bools]:
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
    return steps if bits == 64 else ((steps + half) & ((1 << bits) - 1)) - half


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

    def unwrap(self, raw: Ints, hub_ns: Ints, boot_id: Ints) -> tuple[Bools, Ints, Ints]:
        """Which of the node's next frames, in order of arrival, are lone (n,); of the others boot and
        unwrapped ticks.

        A checksum holds by chance now and then. A lone frame jumps away from the one before it, and the one
        after it goes on as though it were not there; a restart goes on from where it jumped to. RFC 3550 A.1
        asks for two in sequence before it believes a jump, likewise::

            ticks    100 200   7 400 500      7 is set aside
            ticks    100 200   7 107 207      the node restarted
        """
        near = self._near(raw, hub_ns, boot_id)
        steps, restart = self._parted(*near)
        twice = np.flatnonzero(restart[:-1] & restart[1:])
        _, over = self._parted(*(each[twice] + each[twice + 1] for each in near))
        lone = np.zeros(len(raw), bool)
        lone[twice[~over]] = True
        if lone.any():
            raw, hub_ns, boot_id = raw[~lone], hub_ns[~lone], boot_id[~lone]
            steps, restart = self._parted(*self._near(raw, hub_ns, boot_id))
        boot = self.boot + np.cumsum(restart)
        total = (raw[0] if self.raw is None else self.ticks) + np.cumsum(np.where(restart, 0, steps))
        # Within a boot the count starts at the raw ticks of its first frame.
        first = np.flatnonzero(restart)
        lead = np.zeros(len(raw), np.int64)
        lead[first] = np.diff(raw[first] - total[first], prepend=0)
        total = total + np.cumsum(lead)
        self.raw, self.ticks, self.hub_ns = int(raw[-1]), int(total[-1]), int(hub_ns[-1])
        self.boot, self.boot_id = int(boot[-1]), int(boot_id[-1])
        return lone, boot, total

    def _near(self, raw: Ints, hub_ns: Ints, boot_id: Ints) -> tuple[Ints, Ints, Ints]:
        """Differences of each from the frame before."""
        if self.raw is None:
            return steps_from(None, raw), steps_from(None, hub_ns), steps_from(None, boot_id)
        return steps_from(self.raw, raw), steps_from(self.hub_ns, hub_ns), steps_from(self.boot_id, boot_id)

    def _parted(self, raw: Ints, hub_ns: Ints, boot_id: Ints) -> tuple[Ints, Bools]:
        """Whole steps of ticks for differences from one frame to another, and whether ticks and hub time
        part there, or the boot changes, (n,) each.
        """
        seconds = hub_ns / 1e9
        steps = wrap_steps(raw, np.rint(seconds * self.rate_hz).astype(np.int64), self.modulus)
        slack = RESTART_S + RESTART_PER_S * np.abs(seconds)
        return steps, (np.abs(steps / self.rate_hz - seconds) > slack) | (boot_id != 0)


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
    seen: RecentContents = field(default_factory=RecentContents)

    def unwrap(self, raw: Ints, ticks: Ints, boot: Ints, digest: Marks) -> tuple[Ints, States]:
        """Unwrapped sequence number and status of the stream's next frames, (n,) each.

        ``digest`` tells two payloads apart, so that a second copy with other content is seen.
        """
        seq, status = np.empty(len(raw), np.int64), np.full(len(raw), GOOD)
        edges = [0, *(np.flatnonzero(np.diff(boot)) + 1).tolist(), len(raw)]
        for start, end in pairwise(edges):
            part = slice(start, end)
            if self.boot != int(boot[start]):
                self.boot, self.seen = int(boot[start]), RecentContents()
                self.raw = self.seq = self.highest = int(raw[start])
                self.ticks = int(ticks[start])
                self.highest -= 1
            seq[part], odd = self._extend(raw[part], ticks[part])
            status[part][odd] = INCONSISTENT
            self._place(seq[part], digest[part], status[part])
        return seq, status

    def _extend(self, raw: Ints, ticks: Ints) -> tuple[Ints, Bools]:
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
        return np.asarray(np.minimum(paced, self.modulus / ODD_PART), np.float64)

    def _place(self, seq: Ints, digest: Marks, status: States) -> None:
        """Mark late frames and second copies in ``status``, a view of the caller's array."""
        before = np.maximum.accumulate(np.concatenate([[self.highest], seq[:-1]]))
        self.highest = max(int(before[-1]), int(seq[-1]))
        first = seq >= self.highest - WINDOW
        # Frames in order are new by construction; only those behind need to be looked up.
        behind = np.flatnonzero(seq <= before)
        if len(behind):
            number = seq[behind]
            known, twin = self.seen.twins(number)
            place = _first_places(seq, number)
            twin = np.where(known, twin, digest[place])
            copy = known | (place < behind)
            told = np.where(status[behind] == GOOD, LATE, status[behind])
            told[copy] = np.where(twin == digest[behind], DUPLICATE, CONFLICT)[copy]
            told[number < before[behind] - WINDOW] = CONFLICT
            status[behind] = told
            first &= ~np.isin(status, COPIES)
        self.seen.add(seq[first], digest[first])


def _first_places(values: Ints, wanted: Ints) -> Ints:
    """Where each of ``wanted`` (k,), all of which occur, first stands in ``values`` (n,)."""
    different, first = np.unique(values, return_index=True)
    return np.asarray(first[np.searchsorted(different, wanted)], np.int64)
