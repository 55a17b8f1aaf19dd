"""Runs of the hub's clock, followed through the first capture: table ``hub_runs``.

Blocks of frames pass once, in order of capture. Only what the decision at the end may rest on is kept: the
steps of the hub's clock, the host's marks, and of each node the frames around a restart that spans a step.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
import pyarrow as arrow
from numpy.typing import NDArray

from nodeday.config.study import HUB
from nodeday.core.arrays import Bools, Ints
from nodeday.schemas import TABLES
from nodeday.stages.frames.columns import IN_ORDER
from nodeday.storage import tables

FALL_NS = 5_000_000_000
"""A hub clock that falls back by more has started anew; late frames fall back by less. Choice of this
project."""
JUMP_NS = 2_000_000_000
"""A step forward by more may be a jump of the hub's clock; each node whose ticks do not follow begins a new
boot there. Choice of this project."""
AGREE_S = 2.0
"""Nodes whose ticks tell of one shared pause, to within this, did not restart. Choice of this project."""
ROW, HUB_NS, BOOT, TICKS = range(4)


@dataclass(frozen=True)
class FrameBlock:
    """Frames (n,) that follow each other in the capture, by some columns of table ``frames``.

    ``node`` is a number in ``names``; ``marks`` (m,) are the positions of host marks that stand in place.
    """

    names: Sequence[str]
    node: NDArray[np.integer]
    boot: NDArray[np.integer]
    ticks_raw: Ints
    hub_ns: Ints
    marks: Ints
    marks_utc_ns: Ints

    @classmethod
    def of(cls, rows: arrow.Table) -> FrameBlock:
        """Take the columns from rows of table ``frames`` whose dictionaries are one chunk each."""
        node, status = (rows[name].combine_chunks() for name in ("node", "status"))
        marked = rows["mark_utc_ns"].is_valid().to_numpy() & np.isin(status.indices.to_numpy(), IN_ORDER)
        boot, ticks_raw, hub_ns = (rows[name].to_numpy() for name in ("boot", "ticks_raw", "hub_ns"))
        utc_ns = rows["mark_utc_ns"].filter(arrow.array(marked)).to_numpy()
        names = node.dictionary.to_pylist()
        return cls(names, node.indices.to_numpy(), boot, ticks_raw, hub_ns, np.flatnonzero(marked), utc_ns)


@dataclass(frozen=True)
class NodeTrack:
    """A node so far: row of its first frame, and its last frame as row, hub stamp, boot and raw ticks (4,).

    ``restarts`` (2, 4, r) are the frames before and after each restart that spans a step of the hub's clock.
    """

    first: int
    last: Ints
    restarts: Ints

    @classmethod
    def follow(cls, known: NodeTrack | None, frames: Ints, steps: Ints) -> NodeTrack:
        """Add the node's next ``frames`` (4, k); ``steps`` (s,) are the first rows after steps so far."""
        first, restarts = int(frames[ROW, 0]), np.empty((2, 4, 0), np.int64)
        if known is not None:
            first, restarts = known.first, known.restarts
            frames = np.concatenate([known.last[:, None], frames], axis=1)
        begins = np.flatnonzero(np.diff(frames[BOOT]))
        if len(begins):
            sides = np.stack([frames[:, begins], frames[:, begins + 1]])
            low, high = np.searchsorted(steps, sides[:, ROW], side="right")
            restarts = np.concatenate([restarts, sides[:, :, low < high]], axis=2)
        return cls(first, frames[:, -1], restarts)

    def sides(self, number: int) -> tuple[Ints, Ints]:
        """Return the frames before and after a restart, (4,) each."""
        return self.restarts[0, :, number], self.restarts[1, :, number]

    def spans(self, steps: Ints) -> tuple[Bools, Bools, Ints]:
        """Compare the node with the first rows after ``steps`` of the hub's clock (s,).

        Returns at which steps it was received on both sides, which of its restarts span a step, and the
        number of that restart, (s,) each.
        """
        before, after = self.restarts[:, ROW]
        number = np.searchsorted(after, steps)
        spanned = np.append(before, np.iinfo(np.int64).max)[number] < steps
        return (self.first < steps) & (steps <= self.last[ROW]), spanned, number


@dataclass
class HubFollower:
    """Follows the hub's clock block by block.

    ``rates`` by node are ticks a second and the range of the raw ticks. ``steps`` (3, s) are the first row
    after each step of the hub's clock and the stamps before and after it, ``marks`` (2, m) rows and host UTC
    less hub time.
    """

    rates: Mapping[str, tuple[float, int]]
    rows: int = 0
    first_ns: int = 0
    last_ns: int = 0
    steps: Ints = field(default_factory=lambda: np.empty((3, 0), np.int64))
    marks: Ints = field(default_factory=lambda: np.empty((2, 0), np.int64))
    nodes: dict[str, NodeTrack] = field(default_factory=dict)

    def add(self, block: FrameBlock) -> None:
        """Follow the next block."""
        stamps = block.hub_ns
        if not len(stamps):
            return
        if not self.rows:
            self.first_ns = self.last_ns = int(stamps[0])
        passed = np.diff(stamps, prepend=self.last_ns)
        at = np.flatnonzero((passed < -FALL_NS) | (passed > JUMP_NS))
        steps = np.stack([self.rows + at, stamps[at] - passed[at], stamps[at]])
        self.steps = np.concatenate([self.steps, steps], axis=1)
        marks = np.stack([self.rows + block.marks, block.marks_utc_ns - stamps[block.marks]])
        self.marks = np.concatenate([self.marks, marks], axis=1)
        for number in np.flatnonzero(np.bincount(block.node)).tolist():
            name, own = block.names[number], np.flatnonzero(block.node == number)
            if name != HUB:
                frames = np.stack([self.rows + own, stamps[own], block.boot[own], block.ticks_raw[own]])
                self.nodes[name] = NodeTrack.follow(self.nodes.get(name), frames, self.steps[0])
        self.rows, self.last_ns = self.rows + len(stamps), int(stamps[-1])

    def table(self) -> pd.DataFrame:
        """Return table ``hub_runs`` of the frames so far."""
        began = [(0, "capture", None, self.first_ns)] if self.rows else []
        falls = self.steps[:, self.steps[2] < self.steps[1]]
        began += [(row, "fell_back", before, after) for row, before, after in falls.T.tolist()]
        row, code, before_ns, hub_ns = (
            zip(*sorted([*began, *self._jumps()]), strict=True) if began else ((),) * 4
        )
        run = np.cumsum(np.isin(code, ["fell_back", "jumped"])).astype(np.int16)
        before = pd.array(before_ns, "Int64")
        columns = {"row": row, "hub_run": run, "began": code, "hub_ns": hub_ns, "before_hub_ns": before}
        return tables.build(TABLES["hub_runs"], columns)

    def _jumps(self) -> Iterator[tuple[int, str, int, int]]:
        """Give the steps forward that are jumps, or before which every node restarted: see :func:`jump`."""
        steps = self.steps[:, self.steps[2] > self.steps[1]]
        together, seen = np.ones(steps.shape[1], np.bool_), np.zeros(steps.shape[1], np.int64)
        spans = {}
        for name, node in sorted(self.nodes.items()):
            both, spanned, number = node.spans(steps[0])
            together &= ~both | spanned
            seen, spans[name] = seen + both, (both, number)
        for at in np.flatnonzero(together & (seen > 1)).tolist():
            sides = [
                Sides(*self.nodes[name].sides(number[at]), *self.rates[name])
                for name, (both, number) in spans.items()
                if both[at]
            ]
            mark = int(np.searchsorted(self.marks[0], steps[0, at]))
            around = self.marks[1, mark - 1 : mark + 1] if mark else self.marks[1, :0]
            row, before_ns, hub_ns = steps[:, at].tolist()
            if code := jump(before_ns, hub_ns, sides, around):
                yield row, code, before_ns, hub_ns


@dataclass(frozen=True)
class Sides:
    """Frames of a node before and after a step of the hub's clock: row, hub stamp, boot and raw ticks (4,).

    The node has ``hz`` ticks a second, which wrap at ``modulus``.
    """

    before: Ints
    after: Ints
    hz: float
    modulus: int


def jump(before_ns: int, hub_ns: int, nodes: list[Sides], ahead: Ints) -> str:
    """Classify a step forward of the hub's clock at which each of ``nodes`` began a new boot.

    ::

        hub clock   |10 11 12       900 901        it jumped: nobody was away for so long
        heart ticks |40 41 42        45  46        3 more
        wrist ticks | 7  8  9        12  13        3 more

    ``before_ns`` and ``hub_ns`` are the stamps on both sides, ``ahead`` the host's UTC less hub time in the
    marks on both sides, (2,), or fewer at an edge of the capture. Returns ``jumped`` where the ticks of the
    nodes agree on one pause and marks say that the hub's clock jumped, or the ticks cannot have begun at
    zero meanwhile; ``hub_or_nodes`` where nothing tells which of both it was; else nothing. Marks that say
    it did not jump settle that too.
    """
    pauses, wraps, sure = [], set(), False
    for each in nodes:
        ticks, passed_ns = each.after[TICKS], each.after[HUB_NS] - each.before[HUB_NS]
        seen_s = (passed_ns - (hub_ns - before_ns)) / 1e9
        pauses.append(int(ticks - each.before[TICKS]) % each.modulus / each.hz - seen_s)
        wraps.add(each.modulus / each.hz)
        sure |= bool(ticks / each.hz > passed_ns / 1e9 + AGREE_S)
    wrap = min(wraps)
    apart = (np.array(pauses) - pauses[0] + wrap / 2) % wrap - wrap / 2
    if len(ahead) == 2:
        sure = bool(abs(ahead[1] - ahead[0]) > JUMP_NS)
        if not sure:
            return ""
    if np.ptp(apart) > AGREE_S or len(wraps) > 1:
        return ""
    return "jumped" if sure else "hub_or_nodes"
