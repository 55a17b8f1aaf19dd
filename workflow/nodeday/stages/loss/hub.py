"""What the hub's own clock did: its runs between restarts, and jumps that look like restarts of all nodes."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nodeday.core.arrays import Bools, Ints
from nodeday.storage.frames import FirstCapture, Received

HUB = "hub"
FALL_NS = 5_000_000_000
"""A hub clock that falls back by more has started anew; late frames fall back by less. The stages loss
and clock both say 5 s. Choice of this project."""
JUMP_NS = 2_000_000_000
"""A step forward by more may be a jump of the hub's clock; stage frames calls such a step a restart of
each node whose ticks do not follow. Choice of this project."""
AGREE_S = 2.0
"""Nodes whose ticks tell of one shared pause, to within this, did not restart. Choice of this project."""


@dataclass(frozen=True)
class HubClock:
    """The hub's ``run`` by row of table ``frames``, (n,), and by run what its time while it was on is ahead
    of its clock, (r,). ``marks_run`` and ``marks_on_ns`` are of the host's marks, and ``ahead`` host UTC less
    hub time in each, (m,); ``either`` are instants at which the hub restarted, or else every node did.
    """

    run: NDArray[np.int32]
    shift: Ints
    marks_run: NDArray[np.int32]
    marks_on_ns: Ints
    ahead: Ints
    either: Ints

    def on_ns(self, hub_ns: Ints, run: NDArray[np.int32]) -> Ints:
        """The hub's time while it was on, which rises from run to run, at its stamps (k,) of ``run`` (k,)."""
        return hub_ns + self.shift[run]

    @property
    def utc_ns(self) -> dict[int, int]:
        """Host UTC less hub time by run, by the least delayed mark; runs without a mark are absent."""
        return {
            int(each): int(self.ahead[self.marks_run == each].min()) for each in np.unique(self.marks_run)
        }

    def utc_of(self, run: int, on_ns: int, hub_ns: int) -> int | None:
        """UTC of an instant of a run, by the nearest host mark; None where the run has none."""
        own = np.flatnonzero(self.marks_run == run)
        if not len(own):
            return None
        nearest = own[np.abs(self.marks_on_ns[own] - on_ns).argmin()]
        return hub_ns + int(self.ahead[nearest])


def follow(frames: Received, rates: Mapping[str, tuple[float, int]]) -> HubClock:
    """Follow the hub's clock along the frames of the first capture, in order of capture.

    ``rates`` by node are ticks a second and the range of the raw ticks. Frames of further captures take the
    run of their node's nearest frame.
    """
    hub_ns, first, (marks, utc_ns) = frames.in_order("hub_ns"), frames.first_capture(), frames.marks
    stamps, early, ahead = hub_ns[first.mine], first.holds(marks), utc_ns - hub_ns[marks]
    passed = np.diff(stamps)
    begins, steps = np.append(False, passed < -FALL_NS)[: len(stamps)], np.flatnonzero(passed > JUMP_NS) + 1
    del passed
    nodes = sorted({node for node, _ in frames.streams} - {HUB}) if len(steps) else []
    sides = [_Sides.of(frames, node, first, steps, *rates[node]) for node in nodes]
    told = _jumps(steps, stamps, sides, (first.place(marks[early]), ahead[early]))
    begins[[at for at, sure in told if sure]] = True
    run = np.zeros(len(hub_ns), np.int32)
    run[first.mine] = np.cumsum(begins, dtype=np.int32)
    if len(stamps) < len(hub_ns):
        _take_nearest(run, frames)
    shift = _shift(hub_ns, run)
    # At the last stamp before the jump; a frame later is after it.
    last = np.array([at - 1 for at, sure in told if not sure], np.int64)
    either = np.sort(stamps[last] + shift[run[first.mine][last]])
    return HubClock(run, shift, run[marks], hub_ns[marks] + shift[run[marks]], ahead, either)


def _shift(hub_ns: Ints, run: NDArray[np.int32]) -> Ints:
    """What to add to the clock in each run, (r,), so that they lie end to end::

    hub    100 110 120 | 5 15 25        the clock began anew after 120
    on       0  10  20 | 20 30 40
    """
    found, at, most = [], 0, np.iinfo(np.int64)
    for number in range(int(run.max(initial=-1)) + 1):
        own = run == number
        low = int(hub_ns.min(where=own, initial=most.max))
        found.append(at - low)
        at += int(hub_ns.max(where=own, initial=most.min)) - low
    return np.array(found, np.int64)


def _of_node(frames: Received, node: str, *names: str) -> Iterator[NDArray[Any]]:
    """Columns of all frames of a node in order of capture, (k,) each, the first being their rows."""
    own = [columns for (name, _), columns in frames.streams.items() if name == node]
    order = np.argsort(np.concatenate([each["row"] for each in own]))
    for name in ("row", *names):
        yield np.concatenate([each[name] for each in own])[order]


def _take_nearest(run: NDArray[np.int32], frames: Received) -> None:
    """Fill ``run`` of the frames of further captures in place; a boot that the first capture never heard
    stays in the first run.
    """
    for node in {name for name, _ in frames.streams}:
        row, capture, boot, ticks = _of_node(frames, node, "capture", "boot", "ticks")
        other = capture != 0
        for each in np.unique(boot[other]).tolist():
            mine, theirs = (np.flatnonzero((boot == each) & side) for side in (other, ~other))
            if len(theirs):
                theirs = theirs[np.argsort(ticks[theirs], kind="stable")]
                at = np.searchsorted(ticks[theirs], ticks[mine]).clip(max=len(theirs) - 1)
                run[row[mine]] = run[row[theirs[at]]]


@dataclass(frozen=True)
class _Sides:
    """Of a node with ``hz`` ticks a second that wrap at ``modulus``: at which steps of the hub's clock it
    was heard on ``both`` sides, (k,), and place in the first capture, boot and raw ticks there, (k, 2).
    """

    both: Bools
    place: Ints
    boot: Ints
    ticks_raw: Ints
    hz: float
    modulus: int

    @classmethod
    def of(
        cls, frames: Received, node: str, first: FirstCapture, steps: Ints, hz: float, modulus: int
    ) -> _Sides:
        row, boot, ticks_raw = _of_node(frames, node, "boot", "ticks_raw")
        own = np.flatnonzero(first.holds(row))
        place = first.place(row[own])
        after = np.searchsorted(place, steps)
        at = np.stack([after - 1, after], axis=1).clip(0, max(len(place) - 1, 0))
        both = (after > 0) & (after < len(place))
        if not both.any():
            at = at[:0]
        return cls(both, place[at], boot[own][at], ticks_raw[own][at], hz, modulus)


def _jumps(
    steps: Ints, hub_ns: Ints, nodes: list[_Sides], marks: tuple[NDArray[np.integer], Ints]
) -> list[tuple[int, bool]]:
    """The ``steps`` before which every node begins a new boot although their ticks agree on one pause::

        hub clock   |10 11 12       900 901        it jumped: nobody was away for so long
        heart ticks |40 41 42        45  46        3 more
        wrist ticks | 7  8  9        12  13        3 more

    True where host marks on both sides say that it jumped, or the ticks cannot have begun at zero
    meanwhile; else the hub or every node restarted. Marks that say it did not jump settle that too.
    """
    found = []
    for number, at in enumerate(steps.tolist()):
        sides = [
            (own.place[number], own.boot[number], own.ticks_raw[number], own.hz, own.modulus)
            for own in nodes
            if own.both[number]
        ]
        if len(sides) < 2 or any(boot[0] == boot[1] for _, boot, *_ in sides):
            continue
        pauses, wraps, sure = [], set(), False
        for (a, b), _, (before, after), hz, modulus in sides:
            seen_s = (hub_ns[at - 1] - hub_ns[a] + hub_ns[b] - hub_ns[at]) / 1e9
            pauses.append(int(after - before) % modulus / hz - seen_s)
            wraps.add(modulus / hz)
            sure |= bool(after / hz > (hub_ns[b] - hub_ns[a]) / 1e9 + AGREE_S)
        wrap = min(wraps)
        apart = (np.array(pauses) - pauses[0] + wrap / 2) % wrap - wrap / 2
        mark = int(np.searchsorted(marks[0], at))
        if 0 < mark < len(marks[0]):
            sure = bool(abs(marks[1][mark] - marks[1][mark - 1]) > JUMP_NS)
            if not sure:
                continue
        if np.ptp(apart) <= AGREE_S and len(wraps) == 1:
            found.append((at, sure))
    return found
