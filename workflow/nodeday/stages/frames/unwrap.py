"""Sequence numbers that wrap, made into numbers that do not, and what that tells of each frame.

The counter counts: between two frames of a boot it went on by a residue plus whole turns of its range, and
time only chooses the number of turns. Where time cannot choose, the frames between are of unknown number and
none is made up. After RFC 1982 (serial number arithmetic) and RFC 3550 appendix A.1 (sequence validation),
with the clocks in place of guesses.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

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
    Digests,
    RecentContents,
    States,
)

ODD_PART = 8
"""A sequence number that is off by more than 1/8 of its range from its time is not believed."""
FEW, PACE = 2, 0.03
"""Nor is one that is off by more than 2 frames and 3 % of the step, since a sensor's own clock may run
so far off the node's ticks. Choices of this project."""
LEAST_PAIRS, STEADY_SHARE, STEADY_PART = 20, 0.9, 0.3
"""A stream is regular where at least 90 % of its frames follow their neighbour within 30 % of the median
period; with fewer than 20 pairs of neighbours it counts as its layout declares. Choices of this project."""
MISORDER = 100
"""Frames of an irregular stream that may come late, as in RFC 3550 A.1 (from memory); an eighth of the
counter's range where that is less."""


def wrap_steps(raw: Ints, expected: Ints, modulus: int) -> Ints:
    """Full steps that ``raw`` residues of steps stand for, nearest to ``expected``, (n,)."""
    residue = raw % modulus
    return residue + modulus * np.floor((expected - residue) / modulus + 0.5).astype(np.int64)


def steps_from(previous: int | None, values: Ints) -> Ints:
    """Differences of ``values`` (n,), the first one from ``previous``, or zero where that is None."""
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
class StreamPace:
    """How regularly a stream sends, measured on its frames: units of time from a frame to the next.

    ``declared`` is what the layout says of it: true for regular, false for irregular, None where it says
    nothing, and then what is measured holds.
    """

    nominal: float
    modulus: int
    interleave: int = 1
    declared: bool | None = None
    measured: float | None = None
    _steady: int = 0
    _pairs: int = 0

    def learn(self, raw_steps: Ints, time_steps: Ints) -> None:
        """Take in steps (n,) of counter and time between frames of one boot in order of arrival."""
        pairs = time_steps[raw_steps % self.modulus == 1].astype(np.float64)
        if not len(pairs):
            return
        if self.measured is None and len(pairs) >= LEAST_PAIRS:
            self.measured = float(np.median(pairs)) or None
        period = self.period
        self._steady += int((np.abs(pairs - period) <= STEADY_PART * period).sum())
        self._pairs += len(pairs)

    @property
    def period(self) -> float:
        """Time from a frame to the next: the measured median, or the nominal one before there is any."""
        return self.measured or self.nominal

    @property
    def regular(self) -> bool:
        """Whether time tells how many frames were sent."""
        if self.declared is not None:
            return self.declared
        return self._pairs < LEAST_PAIRS or self._steady >= STEADY_SHARE * self._pairs

    def slack(self, expected: NDArray[np.float64]) -> NDArray[np.float64]:
        """Frames by which a step may differ from ``expected`` (n,) and still be believed, (n,)."""
        paced = FEW + self.interleave + PACE * np.abs(expected)
        return np.asarray(np.minimum(paced, self.modulus / ODD_PART), np.float64)

    def steps(self, raw: Ints, time: Ints) -> tuple[Ints, Bools]:
        """Steps of the sequence number, and where the counter lost its thread, (n,) each.

        ``raw`` are steps of the raw counter, ``time`` of the time, (n,) each. A regular stream of 8 bits with
        a frame a unit of time::

            raw   time    step
              1      1       1    the next frame
            119    375     375    375 - 119 is a whole number of turns
              1     13       1    a pause: nothing is missing, whatever time says
              1    300       1    no turn of the counter agrees with the time: unknown number, lost thread
             11      1      11    the counter counts, even where it goes faster than the time
            145      1       1    the counter began anew: placed by time, lost thread
        """
        expected = time / self.period
        residue = raw % self.modulus
        if not self.regular:
            return self._irregular(residue, time, expected)
        near = wrap_steps(raw, np.rint(expected).astype(np.int64), self.modulus)
        off = np.abs(expected - near) > self.slack(expected)
        if not off.any():
            return near, off
        return self._corrected(near, off, residue, expected)

    def _corrected(
        self, near: Ints, off: Bools, residue: Ints, expected: NDArray[np.float64]
    ) -> tuple[Ints, Bools]:
        """Steps where no number of turns agrees with the time, ``off`` (n,)."""
        steps, lost = near.copy(), np.zeros(len(near), np.bool_)
        rows = np.flatnonzero(off)
        by_time = np.maximum(np.rint(expected[rows]).astype(np.int64), 1)
        turns = np.floor((expected[rows] + self.slack(expected[rows]) - residue[rows]) / self.modulus)
        behind = residue[rows] - self.modulus
        late = (expected[rows] < 0) & (behind >= -self.modulus // 2)
        plain = (turns == 0) | ((turns < 0) & (residue[rows] < self.modulus // 2))
        plain &= (residue[rows] > 0) & (expected[rows] >= 0)
        several = (turns > 0) & (expected[rows] >= 0)
        steps[rows] = np.select([late, plain, several], [behind, residue[rows], 1], by_time)
        lost[rows] = ~late & ~plain
        return steps, lost

    def _irregular(self, residue: Ints, time: Ints, expected: NDArray[np.float64]) -> tuple[Ints, Bools]:
        """Steps by the counter alone; after a pause of more than half its range it may have turned."""
        behind = residue - self.modulus
        late = (residue == 0) | (behind >= -min(MISORDER, self.modulus // ODD_PART))
        late |= (time < 0) & (behind >= -self.modulus // 2)
        steps = np.where(late & (residue > 0), behind, residue)
        lost = ~late & ((residue >= self.modulus // 2) | (expected >= self.modulus / 2))
        return np.where(lost, 1, steps), lost


def step_between(one: StreamPace, other: StreamPace, raw: int, time: int) -> tuple[int, bool]:
    """Step of the sequence number from a frame of one kind to one of another, and whether it lost its thread.

    The stream changed its pace at an unknown moment between them, so that time allows any step between those
    by either pace. With a frame in 1 and 4 units of time, and a counter of 8 bits::

        raw   time    step
          1      1       1    the next frame
         20     40      20    10 to 40 are possible
          9    800       1    200 to 800: 265, 521 and 777 are possible; unknown number, lost thread
    """
    faster, slower = sorted((one, other), key=lambda pace: pace.period)
    if not (faster.regular and slower.regular):
        steps, lost = (slower if faster.regular else faster).steps(np.array([raw]), np.array([time]))
        return int(steps[0]), bool(lost[0])
    ends = np.sort(np.array([time / faster.period, time / slower.period]))
    slack = np.maximum(faster.slack(ends), slower.slack(ends))
    residue, modulus = raw % faster.modulus, faster.modulus
    first = int(np.ceil((ends[0] - slack[0] - residue) / modulus))
    last = int(np.floor((ends[1] + slack[1] - residue) / modulus))
    if first == last:
        return residue + first * modulus, False
    if first < last:
        return 1, True
    steps, lost = faster.steps(np.array([raw]), np.array([time]))
    return int(steps[0]), bool(lost[0])


@dataclass
class StreamCounter:
    """Sequence numbers of one stream in one boot of its node, carried from block to block.

    ``paces`` are by kind of frame, where several hold the stream; else ``pace`` is that of all.
    """

    pace: StreamPace
    paces: Mapping[int, StreamPace] = field(default_factory=dict)
    raw: int | None = None
    kind: int = 0
    seq: int = 0
    time: int = 0
    highest: int = 0
    seen: RecentContents = field(default_factory=RecentContents)

    def unwrap(self, raw: Ints, time: Ints, digest: Digests, kind: Ints | None = None) -> tuple[Ints, States]:
        """Unwrapped sequence number and status of the stream's next frames of the boot, (n,) each.

        ``time`` is the node's unwrapped ticks, or the hub's stamps where a node has no ticks; ``digest``
        tells two payloads apart, so that a second copy with other content is seen; ``kind`` (n,) is a key of
        ``paces``.
        """
        kind = np.zeros(len(raw), np.int64) if kind is None else kind
        if self.raw is None:
            self.raw = self.seq = int(raw[0])
            self.kind = int(kind[0])
            self.time, self.highest = int(time[0]), int(raw[0]) - 1
        raw_steps, time_steps = steps_from(self.raw, raw), steps_from(self.time, time)
        steps, lost = self._steps(raw_steps, time_steps, kind)
        seq = self.seq + np.cumsum(steps)
        for row in np.flatnonzero(lost).tolist():
            # Behind a late frame one step would lead back among numbers that are taken.
            highest = max(self.highest, int(seq[:row].max(initial=self.highest)))
            seq[row:] += max(highest + 1 - int(seq[row]), 0)
        self.raw, self.seq, self.time, self.kind = int(raw[-1]), int(seq[-1]), int(time[-1]), int(kind[-1])
        status = np.full(len(raw), GOOD)
        status[lost] = INCONSISTENT
        self._mark_behind(seq, digest, status)
        return seq, status

    def _steps(self, raw: Ints, time: Ints, kind: Ints) -> tuple[Ints, Bools]:
        """Steps of the sequence number, and where the counter lost its thread, (n,) each.

        From one frame to the next of its kind by the pace of the kind, from kind to kind by both.
        """
        if len(self.paces) < 2:
            self.pace.learn(raw, time)
            return self.pace.steps(raw, time)
        before = np.concatenate([[self.kind], kind[:-1]])
        steps, lost = np.zeros(len(raw), np.int64), np.zeros(len(raw), np.bool_)
        for each, pace in self.paces.items():
            own = np.flatnonzero((kind == each) & (before == each))
            pace.learn(raw[own], time[own])
            steps[own], lost[own] = pace.steps(raw[own], time[own])
        for at in np.flatnonzero(kind != before).tolist():
            both = self.paces[int(before[at])], self.paces[int(kind[at])]
            steps[at], lost[at] = step_between(*both, int(raw[at]), int(time[at]))
        return steps, lost

    def _mark_behind(self, seq: Ints, digest: Digests, status: States) -> None:
        """Mark late frames and second copies in ``status``, a view of the caller's array."""
        before = np.maximum.accumulate(np.concatenate([[self.highest], seq[:-1]]))
        self.highest = max(int(before[-1]), int(seq[-1]))
        first = seq >= self.highest - WINDOW
        # Frames in order are new by construction; only those behind need to be looked up.
        behind = np.flatnonzero(seq <= before)
        if len(behind):
            number = seq[behind]
            known, twin = self.seen.lookup(number)
            position = _first_positions(seq, number)
            twin = np.where(known, twin, digest[position])
            copy = known | (position < behind)
            found = np.where(status[behind] == GOOD, LATE, status[behind])
            found[copy] = np.where(twin == digest[behind], DUPLICATE, CONFLICT)[copy]
            found[number < before[behind] - WINDOW] = CONFLICT
            status[behind] = found
            first &= ~np.isin(status, COPIES)
        self.seen.add(seq[first], digest[first])


def _first_positions(values: Ints, wanted: Ints) -> Ints:
    """Index (k,) of the first of ``values`` (n,) that equals each of ``wanted`` (k,), all of which occur."""
    different, first = np.unique(values, return_index=True)
    return np.asarray(first[np.searchsorted(different, wanted)], np.int64)
