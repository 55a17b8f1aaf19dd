"""What counters and times of a stream show: samples in a frame, pace, and where a counter wraps."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np

from nodeday.core.arrays import Ints

LEAST_UNITS = 20
"""Steps of one from frame to frame by which a pace is measured well. A choice of this project."""
LATE = 64
"""A counter that falls by so many or fewer, or by half of its greatest number, is a late frame and no wrap. A
choice of this project."""
MOST_FALLS = 10_000
SLACK_FRAMES, SLACK_SHARE = 3.0, 0.03
"""How far time may be off the frames that a wrap stands for. Choices of this project."""


class FrameMeasure(NamedTuple):
    """Frames of a node's stream: ``rows`` of each, and the ``share`` of frames that have so many.

    ``period_s`` is from one to the next, off by the share ``error`` at most, over ``units`` steps of the
    ``usual_step`` of the counter. ``own_times`` is whether the rows of a frame have times of their own.
    """

    rows: int
    share: float
    period_s: float
    error: float
    units: int
    usual_step: int
    own_times: bool


def measure_frames(seq: Ints, time_ns: Ints, resolution_ns: int) -> FrameMeasure:
    """Measure rows (n,) of one stream of a node in order of the file; n >= 1."""
    heads = np.concatenate([[0], np.flatnonzero(np.diff(seq)) + 1])
    lengths = np.diff(np.append(heads, len(seq)))
    sizes, counts = np.unique(lengths, return_counts=True)
    rows = int(sizes[counts.argmax()])
    share = float((lengths % rows == 0).mean())
    steps = np.diff(seq[heads])
    waits = np.diff(time_ns[heads]) / 1e9
    usual, number = np.unique(steps[steps > 0], return_counts=True)
    usual_step = int(usual[number.argmax()]) if len(usual) else 1
    unit = (steps == usual_step) & (waits >= 0)
    total, units = float(waits[unit].sum()), int(unit.sum())
    period_s = total / units if units else 0.0
    error = 2 * resolution_ns / 1e9 / total if total else 1.0
    inside = np.ones(len(seq), np.bool_)
    inside[heads] = False
    moved = np.diff(time_ns, prepend=time_ns[0])[inside]
    own_times = bool(len(moved)) and bool((moved > 0).mean() > 0.5)
    return FrameMeasure(rows, share, period_s, error, units, usual_step, own_times)


@dataclass
class Falls:
    """Where a counter fell, over all rows of a file, stream by stream.

    ``fell`` holds from what, to what, how much it should have gone on by time, and how far that may be off.
    """

    most: int = 0
    fell: list[tuple[int, int, float, float]] = field(default_factory=list)
    last: dict[object, tuple[int, int]] = field(default_factory=dict)

    def add(self, key: object, counter: Ints, time_ns: Ints, period_s: float, resolution_ns: int) -> None:
        """Take in the next rows (n,) of one stream, n >= 1, which counts once each ``period_s``."""
        before = self.last.get(key, (int(counter[0]), int(time_ns[0])))
        raw, at = np.append(before[0], counter), np.append(before[1], time_ns)
        due, slack = np.diff(at) / 1e9 / period_s, 2e-9 * resolution_ns / period_s
        self.most = max(self.most, int(counter.max()))
        late = min(LATE, self.most // 2)
        for row in np.flatnonzero(np.diff(raw) < -late)[: MOST_FALLS - len(self.fell)].tolist():
            self.fell.append((int(raw[row]), int(raw[row + 1]), float(due[row]), slack))
        self.last[key] = int(counter[-1]), int(time_ns[-1])


class Width(NamedTuple):
    """Bits after which a counter wraps, None where no wrap was seen, and how that shows, in words."""

    bits: int | None
    sure: bool
    words: str


def width_of(falls: Falls) -> Width:
    """Return the width of a counter by its falls: where counts and time agree, it wrapped."""
    if not falls.fell:
        return Width(None, False, f"it never fell; the greatest is {falls.most}")
    far = [each for each in falls.fell if 2 * (each[0] - each[1]) > falls.most]
    for bits in range(max(falls.most.bit_length(), 1), 33):
        fits = sum(_fits(*each, 1 << bits) for each in far)
        if 2 * fits > len(far):
            rest = len(falls.fell) - fits
            other = f", {rest} other falls are restarts or late frames" if rest else ""
            return Width(bits, True, f"it wrapped {times_of(fits)} as a counter of {bits} bits does{other}")
    odd = sum(_fits(*each, falls.most + 1) for each in far)
    if 2 * odd > len(far) > 1:
        return Width(
            None,
            False,
            f"it falls from {falls.most} to 0, and only counters that wrap after a power of two are known: "
            "each wrap will count as a restart",
        )
    return Width(None, False, f"it fell {times_of(len(falls.fell))}, and no wrap explains that")


def times_of(count: int) -> str:
    """Return a count in words.

    >>> times_of(1), times_of(3)
    ('once', '3 times')
    """
    return "once" if count == 1 else f"{count} times"


def _fits(before: int, after: int, due: float, slack: float, modulus: int) -> bool:
    """Whether a fall is a wrap after which time and counter agree."""
    counted = after + modulus - before
    return counted > 0 and bool(abs(counted - due) <= SLACK_FRAMES + slack + SLACK_SHARE * due)
