"""Ticks that wrap and boots of a node: which of its boots each frame belongs to, and when it was sent.

A node says itself when it restarted: its boot field changes, its ticks go back by more than a wrap can
explain, or counter and ticks begin anew together. The hub's stamp alone ends no boot, since a delay is
never negative but may be as long as it likes::

    ticks   100 200 300 | 310 320 330 ... 900 1000      stored and sent on: same boot, late
    hub     100 200 300 | 900 901 902 ... 910 1000
    delay     0   0   0   590 581 572       10    0     falls back to the edge

So frames go to the open boot that they fit: by the hub's stamp, by the stream's counter, by the boot field.
Frames of two devices behind one address, or stored before a restart and sent after it, fit one of several
open boots, and each boot is counted by itself.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np

from nodeday.core.arrays import Bools, Ints
from nodeday.stages.frames.unwrap import FEW, StreamPace, steps_from, wrap_steps

SLACK_S, SLACK_PER_S = 2.0, 1e-4
"""Ticks and hub time that go apart by no more than 2 s + 100 ppm of the step need no explanation: more
than usual radio delays and crystals together. A choice of this project."""
ODD_RATE = 0.03
"""Ticks may run off their declared rate by 3 % where a boot field says that the node did not restart. A
choice of this project."""
OPEN = 8
"""Boots of a node that may still get frames. A choice of this project."""
SILENT_PERIODS, SILENT_S, FAST = 10.0, 30.0, 2.0
"""A counter that begins anew while ticks go on shows after a silence of ten periods and 30 s, and counts at
most twice as fast as usual meanwhile. Choices of this project: a node needs time to restart and to join its
network, and a frame out of order after a shorter silence was late."""
AHEAD, AROUND = 16, 1000
"""Frames of a stream that are looked at after its counter fell, among so many of the node before and after. A
choice of this project."""
NORMAL, LATE, LOOSE, FOREIGN = 0, 1, 2, 3
"""How well a frame fits an open boot: on time; late, as its counter bears out; possible; not at all."""


class Frame(NamedTuple):
    """A frame of a node: raw ticks, hub stamp (ns), boot field, stream (by number), raw counter.

    ``returns`` says that the stream's counter fell here and soon after goes on from before the fall.
    """

    raw: int
    hub_ns: int
    boot_id: int
    stream: int
    seq: int
    returns: bool = False


class Frames(NamedTuple):
    """Frames (n,) of a node in order of arrival, as :class:`Frame`; the hub's ``run`` counts its restarts."""

    raw: Ints
    hub_ns: Ints
    boot_id: Ints
    stream: Ints
    seq: Ints
    run: Ints

    def take(self, rows: Bools | Ints) -> Frames:
        return Frames(*(values[rows] for values in self))


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


@dataclass
class NodeClock:
    """Ticks and boots of one node, carried from block to block.

    ``paces`` are those of its streams by number; ``has_boot_field`` says whether frames carry a boot, and
    ``has_ticks`` whether ticks; without any the hub's stamps stand in.
    """

    rate_hz: float
    modulus: int
    paces: Mapping[int, StreamPace]
    has_boot_field: bool = False
    has_ticks: bool = True
    open: list[Boot] = field(default_factory=list)
    count: int = 0

    def unwrap(self, frames: Frames) -> tuple[Bools, Ints, Ints]:
        """Which of the node's next frames stand alone (n,), and boot and unwrapped ticks of all, (n,) each.

        A frame stands alone where it fits no open boot and the frames after it go on as though it were not
        there: a checksum that held by chance, or damage that it could not see. RFC 3550 A.1 asks for two in
        sequence before it believes a jump, likewise::

            ticks    100 200   7 400 500      7 stands alone
            ticks    100 200   7 107 207      the node restarted
        """
        n = len(frames.raw)
        steps, parts = self._parts(frames)
        number, total = np.empty(n, np.int64), np.empty(n, np.int64)
        lone = np.zeros(n, np.bool_)
        for start, end in zip(parts, [*parts[1:], n], strict=True):
            boot, ticks = self._start(frames, start, int(steps[start]))
            total[start:end] = ticks + np.cumsum(steps[start:end]) - steps[start]
            number[start:end] = boot.number
            self._carry_on(boot, frames, slice(start, end), total[start:end])
        for boot in [each for each in self.open if each.frames == 1]:
            rows = np.flatnonzero(number == boot.number)
            if len(rows) and (number[rows[0] + 1 :] < boot.number).any():
                lone[rows] = True
                self.open.remove(boot)
        if lone.any():
            number = self._renumbered(number, lone)
        return lone, number, total

    def _renumbered(self, number: Ints, lone: Bools) -> Ints:
        """Numbers (n,) without the boots of lone frames, which take the boot of the frame before them."""
        gone = np.unique(number[lone])
        for boot in self.open:
            boot.number -= int(np.searchsorted(gone, boot.number))
        self.count -= len(gone)
        number = number - np.searchsorted(gone, number)
        kept = np.maximum.accumulate(np.where(lone, -1, np.arange(len(number))))
        first = int(number[~lone][0]) if (~lone).any() else 0
        return np.where(lone, np.where(kept < 0, first, number[kept]), number)

    def _parts(self, frames: Frames) -> tuple[Ints, list[int]]:
        """Steps of ticks nearest to the hub's, and where each part begins that needs no second look."""
        last = self.open[0] if self.open else None
        hub = steps_from(last.hub_ns if last else None, frames.hub_ns) / 1e9
        steps = wrap_steps(
            steps_from(last.raw if last else None, frames.raw),
            np.rint(hub * self.rate_hz).astype(np.int64),
            self.modulus,
        )
        apart = np.abs(steps / self.rate_hz - hub) > SLACK_S + SLACK_PER_S * np.abs(hub)
        apart |= steps_from(last.boot_id if last else None, frames.boot_id) != 0
        apart |= steps_from(last.run if last else None, frames.run) != 0
        total = np.cumsum(steps)
        for stream in np.unique(frames.stream).tolist():
            pace = self.paces[stream]
            rows = np.flatnonzero(frames.stream == stream)
            raw_steps, time_steps = np.diff(frames.seq[rows]), np.diff(total[rows])
            if pace.measured is None:
                pace.learn(raw_steps[~apart[rows[1:]]], time_steps[~apart[rows[1:]]])
            if pace.regular:
                expected = time_steps / pace.period
                near = wrap_steps(raw_steps, np.rint(expected).astype(np.int64), pace.modulus)
                apart[rows[1:]] |= np.abs(expected - near) > pace.slack(expected)
            else:
                apart[rows[1:]] |= raw_steps % pace.modulus > pace.modulus // 2
        if last is None:
            apart[0] = True
        return steps, sorted({0, *np.flatnonzero(apart).tolist()})

    def _start(self, frames: Frames, at: int, step: int) -> tuple[Boot, int]:
        """The boot of the frame that begins a part, and the frame's unwrapped ticks."""
        raw, hub_ns, boot_id, stream, seq = (int(values[at]) for values in frames[:5])
        frame = Frame(raw, hub_ns, boot_id, stream, seq, self._returns(frames, at))
        run = int(frames.run[at])
        fits = [(*self._fit(boot, frame), order) for order, boot in enumerate(self.open) if boot.run == run]
        quality, ticks, order = min(fits, default=(FOREIGN, 0, 0), key=lambda fit: (fit[0], fit[2]))
        if quality == FOREIGN:
            boot = Boot(self.count, frame.boot_id, run, frame.raw, frame.hub_ns, frame.raw)
            self.count += 1
            self.open = [boot, *self.open][:OPEN]
            return boot, frame.raw
        boot = self.open.pop(order)
        self.open.insert(0, boot)
        return boot, ticks

    def _returns(self, frames: Frames, at: int) -> bool:
        """Whether the counter goes on from before a fall at frame ``at``, sooner than a new count could."""
        pace = self.paces[int(frames.stream[at])]
        if pace.regular:
            return False
        first = max(at - AROUND, 0)
        rows = first + np.flatnonzero(frames.stream[first : at + AROUND] == frames.stream[at])
        index = int(np.searchsorted(rows, at))
        ahead = rows[index + 1 : index + 1 + AHEAD]
        if not index or not len(ahead):
            return False
        rise = (frames.seq[ahead] - frames.seq[at]) % pace.modulus
        back = (frames.seq[rows[index - 1]] - frames.seq[at]) % pace.modulus
        periods = (frames.hub_ns[ahead] - frames.hub_ns[at]) / 1e9 * self.rate_hz / self._usual(pace)
        return bool(((rise > back) & (rise < pace.modulus // 2) & (rise > FAST * periods + FEW)).any())

    @staticmethod
    def _usual(pace: StreamPace) -> float:
        """Return the usual time between frames: frames that queued come faster than they were made."""
        return max(pace.period, pace.nominal)

    def _carry_on(self, boot: Boot, frames: Frames, part: slice, total: Ints) -> None:
        """Bring the boot's state up to the end of a part of frames with ``total`` ticks."""
        ahead = total / self.rate_hz - frames.hub_ns[part] / 1e9
        ahead_s = float(ahead.max())
        faded = boot.edge_s - SLACK_PER_S * max(int(frames.hub_ns[part][-1]) - boot.edge_ns, 0) / 1e9
        boot.edge_s, boot.edge_ns = max(ahead_s, faded), int(frames.hub_ns[part][-1])
        boot.raw, boot.hub_ns, boot.ticks = int(frames.raw[part][-1]), boot.edge_ns, int(total[-1])
        boot.frames += len(total)
        stream = frames.stream[part]
        for each in np.unique(stream).tolist() if len(stream) > 1 else stream.tolist():
            row = len(stream) - 1 - int(np.argmax(stream[::-1] == each))
            boot.streams[each] = int(frames.seq[part][row]), int(total[row])

    def _fit(self, boot: Boot, frame: Frame) -> tuple[int, int]:
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
        periods = (frame.hub_ns - boot.hub_ns) / 1e9 * self.rate_hz / self._usual(pace)
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
            began = ticks < boot.ticks and frame.raw / self.rate_hz <= since_s + 1.0
            return began and (not agrees or frame.seq <= frame.raw / pace.period + few)
        known = boot.streams.get(frame.stream)
        residue = (frame.seq - known[0]) % pace.modulus if known else 0
        return not agrees and residue > few and frame.seq <= since_s * self.rate_hz / pace.period + few
