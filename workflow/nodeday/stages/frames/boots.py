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

from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np

from nodeday.core.arrays import Bools, Ints
from nodeday.stages.frames.boot_fit import FAST, FOREIGN, SLACK_PER_S, SLACK_S, Boot, BootRules, Frame
from nodeday.stages.frames.unwrap import FEW, steps_from, wrap_steps

OPEN = 8
"""Boots of a node that may still get frames. A choice of this project."""
AHEAD, AROUND = 16, 1000
"""Frames of a stream that are looked at after its counter fell, among so many of the node before and after. A
choice of this project."""


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
class NodeClock:
    """Ticks and boots of one node, carried from block to block; ``open`` boots may still get frames."""

    rules: BootRules
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
            np.rint(hub * self.rules.rate_hz).astype(np.int64),
            self.rules.modulus,
        )
        apart = np.abs(steps / self.rules.rate_hz - hub) > SLACK_S + SLACK_PER_S * np.abs(hub)
        apart |= steps_from(last.boot_id if last else None, frames.boot_id) != 0
        apart |= steps_from(last.run if last else None, frames.run) != 0
        total = np.cumsum(steps)
        for stream in np.unique(frames.stream).tolist():
            pace = self.rules.paces[stream]
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
        fits = [
            (*self.rules.fit(boot, frame), order) for order, boot in enumerate(self.open) if boot.run == run
        ]
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
        """Whether what fell back at frame ``at`` soon goes on from before the fall.

        Of a regular stream these are the ticks of the last boot; of an irregular one it is the counter,
        sooner than a new count could reach it. Without a boot field no frame may go on from ``at`` meanwhile,
        as those of a second sender do::

            ticks    800 900   0 100 1000 1100 1200      0 and 100 were late
            ticks    800 900   0 1000 100 1100  200      two senders
        """
        pace = self.rules.paces[int(frames.stream[at])]
        if pace.regular:
            if not self.open:
                return False
            last, ahead = self.open[0], slice(at + 1, at + 1 + AHEAD)
            back = self._on_time(frames, ahead, last.raw, last.hub_ns, last.run)
            if self.rules.has_boot_field or not back.any():
                return bool(back.any())
            ahead = slice(at + 1 + int(np.argmax(back)), ahead.stop)
            start = int(frames.raw[at]), int(frames.hub_ns[at]), int(frames.run[at])
            return not self._on_time(frames, ahead, *start).any()
        begin = max(at - AROUND, 0)
        rows = begin + np.flatnonzero(frames.stream[begin : at + AROUND] == frames.stream[at])
        index = int(np.searchsorted(rows, at))
        later = rows[index + 1 : index + 1 + AHEAD]
        if not index or not len(later):
            return False
        rise = (frames.seq[later] - frames.seq[at]) % pace.modulus
        back = (frames.seq[rows[index - 1]] - frames.seq[at]) % pace.modulus
        periods = (
            (frames.hub_ns[later] - frames.hub_ns[at])
            / 1e9
            * self.rules.rate_hz
            / self.rules.usual_period(pace)
        )
        return bool(((rise > back) & (rise < pace.modulus // 2) & (rise > FAST * periods + FEW)).any())

    def _on_time(self, frames: Frames, rows: slice, raw: int, hub_ns: int, run: int) -> Bools:
        """Which ``rows`` have ticks as far after ``raw`` as their stamps are after ``hub_ns``, within 2 s."""
        hub = (frames.hub_ns[rows] - hub_ns) / 1e9
        by_hub = np.rint(hub * self.rules.rate_hz).astype(np.int64)
        steps = wrap_steps(frames.raw[rows] - raw, by_hub, self.rules.modulus)
        near: Bools = (np.abs(steps / self.rules.rate_hz - hub) <= SLACK_S) & (frames.run[rows] == run)
        return near

    def _carry_on(self, boot: Boot, frames: Frames, part: slice, total: Ints) -> None:
        """Bring the boot's state up to the end of a part of frames with ``total`` ticks."""
        ahead = total / self.rules.rate_hz - frames.hub_ns[part] / 1e9
        ahead_s = float(ahead.max())
        faded = boot.edge_s - SLACK_PER_S * max(int(frames.hub_ns[part][-1]) - boot.edge_ns, 0) / 1e9
        boot.edge_s, boot.edge_ns = max(ahead_s, faded), int(frames.hub_ns[part][-1])
        boot.raw, boot.hub_ns, boot.ticks = int(frames.raw[part][-1]), boot.edge_ns, int(total[-1])
        boot.frames += len(total)
        stream = frames.stream[part]
        for each in np.unique(stream).tolist() if len(stream) > 1 else stream.tolist():
            row = len(stream) - 1 - int(np.argmax(stream[::-1] == each))
            if np.isin(stream[row + 1 :], self.rules.siblings(each)).any():
                continue  # the stream went on in another kind, at another pace
            boot.streams[each] = int(frames.seq[part][row]), int(total[row])
            for other in self.rules.siblings(each):
                boot.streams.pop(other, None)
