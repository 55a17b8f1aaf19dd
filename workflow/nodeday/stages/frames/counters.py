"""The counters of all nodes of a capture, from block to block: boots, ticks, sequence numbers, statuses."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nodeday.core.arrays import Bools, Ints
from nodeday.layouts import Kind, Layout
from nodeday.layouts.codec import stamped_instant
from nodeday.stages.frames.boot_fit import BootRules
from nodeday.stages.frames.boots import Frames, NodeClock
from nodeday.stages.frames.columns import GOOD, INCONSISTENT, UNPLACED
from nodeday.stages.frames.unwrap import StreamCounter, StreamPace

Columns = dict[str, NDArray[Any]]
ALL = -1
"""In place of a stream's number: ticks are a node's, and serve all of its streams."""


@dataclass
class Counters:
    """State of each node's clock and of each stream's counter; ``slots`` are all kinds of all layouts.

    Kinds of one stream share its counter: ``line`` is the first slot of each slot's stream.
    """

    slots: Sequence[tuple[Layout, Kind]]
    line: Ints = field(init=False)
    _clocks: dict[tuple[int, int], NodeClock] = field(default_factory=dict)
    _paces: dict[tuple[int, int], StreamPace] = field(default_factory=dict)
    _streams: dict[tuple[int, int, int], StreamCounter] = field(default_factory=dict)

    def __post_init__(self) -> None:
        names = [(layout.layout, kind.stream) for layout, kind in self.slots]
        self.line = np.array([names.index(name) for name in names], np.int64)

    def unwrap(self, columns: Columns, false_stamp: Bools) -> Bools:
        """Add boot, unwrapped ticks, sequence number and status to ``columns`` (n,) in order of capture.

        Returns which frames are no frames after all, (n,): they fit nowhere, and their layout has no
        checksum that speaks for them.
        """
        n = len(columns["offset"])
        for name in ("boot", "tick_total", "seq"):
            columns[name] = np.zeros(n, np.int64)
        columns["status"] = np.full(n, GOOD)
        doubtful = np.zeros(n, np.bool_)
        for node in _different(columns["node"]):
            rows = np.flatnonzero(columns["node"] == node)
            layout = self.slots[int(columns["slot"][rows[0]])][0]
            lone = self._unwrap_node(node, layout, rows, columns)
            columns["status"][rows[lone]] = UNPLACED
            if layout.field("checksum") is None:
                doubtful[rows[lone]] = True
        columns["status"][false_stamp & (columns["status"] == GOOD)] = INCONSISTENT
        return doubtful

    def _unwrap_node(self, node: int, layout: Layout, rows: Ints, columns: Columns) -> Bools:
        """Unwrap the counters of a node's frames ``rows`` (k,); return which fit nowhere, (k,)."""
        slot = columns["slot"][rows]
        parts = [np.arange(len(rows))]
        if not layout.has_ticks:
            parts = [np.flatnonzero(slot == each) for each in _different(slot)]
        lone = np.zeros(len(rows), np.bool_)
        for part in parts:
            clock = self._clock(node, int(slot[part[0]]))
            lone[part], boot, ticks = clock.unwrap(_frames(columns, rows[part], layout.has_ticks))
            columns["boot"][rows[part]] = boot
            columns["tick_total"][rows[part]] = ticks
            self._forget(node, {each.number for each in clock.open}, set(self.line[slot[part]].tolist()))
        line = self.line[slot]
        for each in _different(line):
            self._unwrap_stream(node, each, rows[(line == each) & ~lone], columns)
        return lone

    def _unwrap_stream(self, node: int, line: int, rows: Ints, columns: Columns) -> None:
        layout, kind = self.slots[line]
        paces = {slot: self._pace(node, slot) for slot in np.flatnonzero(self.line == line).tolist()}
        for boot in np.unique(columns["boot"][rows]).tolist():
            own = rows[columns["boot"][rows] == boot]
            counter = self._streams.setdefault((node, line, boot), StreamCounter(paces[line], paces))
            columns["seq"][own], columns["status"][own] = counter.unwrap(
                columns["sequence"][own],
                columns["tick_total"][own],
                columns["digest"][own],
                columns["slot"][own],
            )
        if not layout.has_ticks:
            # The sequence number is the only count there is: a tick is an instant of the stream.
            columns["tick_total"][rows] = stamped_instant(kind, columns["seq"][rows])
            columns["ticks"][rows] *= max(kind.samples, 1)

    def _clock(self, node: int, slot: int) -> NodeClock:
        """The clock of a node, or of one of its streams where frames carry no ticks."""
        layout, kind = self.slots[slot]
        key = node, ALL if layout.has_ticks else slot
        if key not in self._clocks:
            own = [number for number, (each, _) in enumerate(self.slots) if each is layout]
            paces = {number: self._pace(node, number) for number in own}
            rate_hz = layout.tick_hz(kind.stream) if layout.has_ticks else 1e9
            modulus = layout.tick_range(kind.stream) if layout.has_ticks else 1 << 62
            has_boot = layout.field("boot") is not None
            rules = BootRules(rate_hz, modulus, paces, has_boot, layout.has_ticks, self.line)
            self._clocks[key] = NodeClock(rules)
        return self._clocks[key]

    def _pace(self, node: int, slot: int) -> StreamPace:
        if (node, slot) not in self._paces:
            layout, kind = self.slots[slot]
            sequence = layout.field("sequence")
            assert sequence is not None  # a layout without it is refused when it is read
            nominal = kind.period_s * (layout.tick_hz(kind.stream) if layout.has_ticks else 1e9)
            declared = None if kind.timing is None else kind.timing == "regular"
            self._paces[node, slot] = StreamPace(nominal, 1 << sequence.bits, kind.interleave, declared)
        return self._paces[node, slot]

    def _forget(self, node: int, boots: set[int], lines: set[int]) -> None:
        """Let go of the counters of boots that get no more frames."""
        closed = [key for key in self._streams if key[0] == node and key[1] in lines and key[2] not in boots]
        for key in closed:
            if key[2] < min(boots):
                del self._streams[key]


def _frames(columns: Columns, rows: Ints, has_ticks: bool) -> Frames:
    ticks = columns["ticks"][rows] if has_ticks else columns["hub_ns"][rows]
    return Frames(
        ticks,
        *(columns[name][rows] for name in ("hub_ns", "boot_id", "slot", "sequence", "hub_run")),
    )


def _different(numbers: Ints) -> list[int]:
    """The different values of ``numbers`` (n,), small whole numbers, in order."""
    return np.flatnonzero(np.bincount(numbers)).tolist()
