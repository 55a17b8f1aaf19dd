"""How well a frame fits an open boot of its node: by hub stamp, stream counter and boot field."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np

from nodeday.core.arrays import Ints
from nodeday.stages.frames.unwrap import FEW, StreamPace

SLACK_S, SLACK_PER_S = 2.0, 1e-4
"""Ticks and hub time that go apart by no more than 2 s + 100 ppm of the step need no explanation: more
than usual radio delays and crystals together. A choice of this project."""
ODD_RATE = 0.03
"""Ticks may run off their declared rate by 3 % where a boot field says that the node did not restart. A
choice of this project."""
SILENT_PERIODS, SILENT_S, FAST = 10.0, 30.0, 2.0
"""A counter that begins anew while ticks go on shows after a silence of ten periods and 30 s, and counts at
most twice as fast as usual meanwhile. Choices of this project: a node needs time to restart and to join its
network, and a frame out of order after a shorter silence was late."""
STARTING_S = 0.2
"""A node is silent for so long at least when it restarts. A choice of this project."""
MOST_TICKS = 1 << 61
"""Ticks stay a number of 64 bits."""
NORMAL, LATE, LOOSE, FOREIGN = 0, 1, 2, 3
"""How well a frame fits an open boot: on time; late, as its counter bears out; possible; not at all."""


class Frame(NamedTuple):
    """A frame of a node: raw ticks, hub stamp (ns), boot field, stream (by number), raw counter.

    ``returns`` says that ticks or counter fell back here and soon after go on from before the fall.
    """

    raw: int
    hub_ns: int
    boot_id: int
    stream: int
    seq: int
    returns: bool = False


@dataclass
class Boot:
    """An open boot: its last frame, its unwrapped ticks, and the earliest that its frames arrived.

    ``edge_s`` is the most by which ticks were ahead of the hub's stamps, ``streams`` the last raw counter
    and unwrapped ticks of each stream.
    """

    number: int
    boot_id: int
    run: int
    raw: int
    hub_ns: int
    ticks: int
    edge_s: float = -np.inf
    edge_ns: int = 0
    streams: dict[int, tuple[int, int]] = field(default_factory=dict)
    frames: int = 0


@dataclass(frozen=True)
class BootRules:
    """What is known of a node's clock and counters, to hold frames to its boots.

    ``paces`` are those of its streams by number; ``has_boot_field`` says whether frames carry a boot, and
    ``has_ticks`` whether ticks; without any the hub's stamps stand in.
    """

    rate_hz: float
    modulus: int
    paces: Mapping[int, StreamPace]
    has_boot_field: bool = False
    has_ticks: bool = True
    line: Ints | None = None
    """First number of each number's stream, where several kinds of frame hold one; None where none do."""

    def siblings(self, stream: int) -> list[int]:
        """Return the numbers of the other kinds of frame that hold the stream of ``stream``."""
        if self.line is None:
            return []
        alike = np.flatnonzero(self.line == self.line[stream])
        return [number for number in alike.tolist() if number != stream]

    def fit(self, boot: Boot, frame: Frame) -> tuple[int, int]:
        """How well a frame fits a boot, and its unwrapped ticks there."""
        changed = frame.boot_id != boot.boot_id
        if changed:
            return FOREIGN, 0
        hub_s = (frame.hub_ns - boot.hub_ns) / 1e9
        near = boot.ticks + self._nearest(frame.raw - boot.raw, hub_s * self.rate_hz)
        slack = SLACK_S + SLACK_PER_S * abs(hub_s)
        on_time = abs((near - boot.ticks) / self.rate_hz - hub_s) <= slack
        agrees, possible = self._counter_says(boot, frame, near)
        if on_time and agrees:
            return NORMAL, near
        late = self._by_counter(boot, frame)
        for quality, ticks in ((LATE, late), (LOOSE, near if possible else None)):
            if ticks is None or self._delay_s(boot, frame, ticks) < -slack:
                continue
            if not self._anew(boot, frame, ticks, agrees):
                return quality, ticks
        early_s = slack + ODD_RATE * abs(hub_s)
        anew = self._anew(boot, frame, min(near, boot.ticks - 1), agrees)
        # A boot field that stays speaks against a restart, unless all else says so.
        stays = self.has_boot_field and not anew and self._delay_s(boot, frame, near) >= -early_s
        return (LOOSE, near) if stays else (FOREIGN, 0)

    def _nearest(self, raw_step: int, expected: float) -> int:
        residue = raw_step % self.modulus
        return residue + self.modulus * round((expected - residue) / self.modulus)

    def _delay_s(self, boot: Boot, frame: Frame, ticks: int) -> float:
        """How much later than the earliest frame this one arrived; below 0 it would be before it was sent."""
        return frame.hub_ns / 1e9 - ticks / self.rate_hz + boot.edge_s

    def _counter_says(self, boot: Boot, frame: Frame, ticks: int) -> tuple[bool, bool]:
        """Whether the stream's counter went on as far as the ticks, and whether it can have done so."""
        known = boot.streams.get(frame.stream)
        pace = self.paces[frame.stream]
        if known is None:
            return True, True
        residue, passed = (frame.seq - known[0]) % pace.modulus, ticks - known[1]
        behind = residue - pace.modulus
        if not pace.regular:
            goes_on = passed >= 0 or (residue > 0 and behind >= -pace.modulus // 2)
            goes_on &= not self._counter_anew(boot, frame, residue, passed)
            return goes_on, goes_on
        expected = passed / pace.period
        slack = float(pace.slack(np.array([expected]))[0])
        near = residue + pace.modulus * round((expected - residue) / pace.modulus)
        agrees = abs(expected - near) <= slack
        # In a pause the ticks go further than the counter, never less far.
        count = residue if expected >= 0 else -behind
        return agrees, agrees or count <= abs(expected) + slack

    def _counter_anew(self, boot: Boot, frame: Frame, residue: int, passed: int) -> bool:
        """Whether the counter of an irregular stream fell back to where it can have begun at zero meanwhile.

        Ticks that a network keeps for its nodes go on when a node restarts; then only the counter tells.
        """
        pace = self.paces[frame.stream]
        periods = (frame.hub_ns - boot.hub_ns) / 1e9 * self.rate_hz / self.usual_period(pace)
        fell = residue > pace.modulus // 2 and passed >= 0
        silent = periods >= SILENT_PERIODS and frame.hub_ns - boot.hub_ns >= SILENT_S * 1e9
        return fell and silent and frame.seq <= FAST * periods + FEW and not frame.returns

    def _by_counter(self, boot: Boot, frame: Frame) -> int | None:
        """Unwrapped ticks by the stream's counter, taken as the nearest to its last; None if none agree."""
        known = boot.streams.get(frame.stream)
        pace = self.paces[frame.stream]
        if not pace.regular:
            ticks = boot.ticks + (frame.raw - boot.raw) % self.modulus
            return ticks if self._counter_says(boot, frame, ticks)[1] else None
        if known is None:
            return None
        residue = (frame.seq - known[0]) % pace.modulus
        for step in sorted((residue, residue - pace.modulus), key=abs):
            expected = known[1] + step * pace.period
            if abs(expected) > MOST_TICKS:  # of a wide counter, half a range may be more than a lifetime
                continue
            ticks = boot.ticks + self._nearest(frame.raw - boot.raw, expected - boot.ticks)
            slack = float(pace.slack(np.array([float(step)]))[0])
            if abs(ticks - expected) <= slack * pace.period:
                return ticks
        return None

    def _anew(self, boot: Boot, frame: Frame, ticks: int, agrees: bool) -> bool:
        """Whether counter and ticks can both have begun at zero since the boot's last frame."""
        pace = self.paces[frame.stream]
        few = float(pace.slack(np.zeros(1))[0])
        since_s = (frame.hub_ns - boot.hub_ns) / 1e9
        if self.has_ticks:
            # The last frame may have been sent earlier than it came.
            waited_s = boot.hub_ns / 1e9 - boot.ticks / self.rate_hz + boot.edge_s
            began = ticks < boot.ticks and frame.raw / self.rate_hz + STARTING_S <= since_s + waited_s
            if frame.returns and (self.has_boot_field or pace.regular):
                return False  # soon the ticks go on from before: these frames were late
            return began and (not agrees or frame.seq <= frame.raw / pace.period + few)
        known = boot.streams.get(frame.stream)
        residue = (frame.seq - known[0]) % pace.modulus if known else 0
        return not agrees and residue > few and frame.seq <= since_s * self.rate_hz / pace.period + few

    @staticmethod
    def usual_period(pace: StreamPace) -> float:
        """Return the usual time between frames: frames that queued come faster than they were made."""
        return max(pace.period, pace.nominal)
