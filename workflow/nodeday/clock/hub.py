"""What the hub's clock and the host's did: runs between restarts, and steps taken out of their stamps."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from nodeday.clock.steps import Shared, Step, find_steps, of_hub

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

FALL_NS = 5_000_000_000
"""A hub clock that falls back by more has started anew; late frames fall back by less. The rooms loss
and clock both say 5 s. Choice of this project."""
JUMP_MS = 2_000.0
"""A step by more parts the hub's clock from every node's counters; room frames calls it a restart of
each. Choice of this project."""
MARKS = "host"


@dataclass(frozen=True)
class Heard:
    """One boot of a node, or the host's marks: rows of the table (n,) in order of ``x_s``, seconds on
    the own clock, and ``stamp_ms``, the hub's stamp less that (less a known wait), from anywhere."""

    name: str
    rows: Ints
    x_s: Floats
    stamp_ms: Floats

    def steps(self, sign: float = 1.0) -> list[tuple[int, int, float]]:
        """Steps as (row before, row after, ms that the hub moved forward), in order of rows."""
        found: list[Step] = find_steps(self.x_s, sign * self.stamp_ms)
        return [
            (int(self.rows[each.before]), int(self.rows[each.before + 1]), sign * each.size_ms)
            for each in found
        ]


@dataclass(frozen=True)
class Steady:
    """``steady_ns`` (n,) are hub stamps with the hub's steps taken out and ``utc_ns`` (m,) those of the
    marks with the host's; ``host_ms`` is by how much each mark was moved for that."""

    steady_ns: Ints
    shared: list[Shared]
    own: dict[str, list[tuple[int, int, float]]]


def runs(hub_ns: Ints, marks: Heard | None) -> Ints:
    """Number of the hub's run for each frame in capture order, (n,) -> (n,).

    A run ends where the clock falls far back, or where the host's marks tell of a jump that no
    counter could follow.
    """
    begins = np.diff(hub_ns, prepend=hub_ns[:1]) < -FALL_NS
    out = np.cumsum(begins)
    for before, after, size in _jumps(out, marks):
        between = np.diff(hub_ns[before : after + 1])
        at = before + 1 + int(between.argmax() if size > 0 else between.argmin())
        begins[at] = True
    return np.cumsum(begins)


def _jumps(run: Ints, marks: Heard | None) -> list[tuple[int, int, float]]:
    if marks is None:
        return []
    found = []
    for each in np.unique(run[marks.rows]).tolist():
        own = run[marks.rows] == each
        part = Heard(MARKS, marks.rows[own], marks.x_s[own], marks.stamp_ms[own])
        found += [step for step in part.steps(-1.0) if abs(step[2]) > JUMP_MS]
    return found


def steady(hub_ns: Ints, run: Ints, nodes: list[Heard], marks: Heard | None) -> Steady:
    """Take the hub's steps out of its stamps ``hub_ns`` (n,): what all of ``nodes`` show together."""
    seen: dict[str, list[tuple[int, int, float]]] = {}
    heard: dict[str, Ints] = {}
    for each in nodes:
        seen.setdefault(each.name, []).extend(each.steps())
        rows = np.array([each.rows.min(), each.rows.max()])
        heard[each.name] = np.concatenate([heard.get(each.name, rows[:0]), rows])
    if marks is not None:
        for each_run in np.unique(run[marks.rows]).tolist():
            own = run[marks.rows] == each_run
            part = Heard(MARKS, marks.rows[own], marks.x_s[own], marks.stamp_ms[own])
            seen.setdefault(MARKS, []).extend(part.steps(-1.0))
        heard[MARKS] = np.array([marks.rows.min(), marks.rows.max()])
    shared, own_steps = of_hub(seen, heard, MARKS)
    out = hub_ns.copy()
    for each_step in shared:
        same = run == run[each_step.before]
        moved = (np.arange(len(out)) >= each_step.after) & same
        out[moved] -= round(each_step.size_ms * 1e6)
    return Steady(out, shared, own_steps)


def without_host_steps(
    utc_ns: Ints, rows: Ints, steps: Mapping[int, tuple[int, float]]
) -> tuple[Ints, Floats]:
    """Marks' UTC (m,) as though the host had never moved its clock, and how far each was moved (ms).

    ``steps`` are (row after, ms that the hub moved against the host) by row before. The stretch with the
    most marks is believed; nobody can tell whether it is the right one.
    """
    shift = np.zeros(len(utc_ns))
    for after, size in steps.values():
        shift[rows >= after] += size
    if not len(shift):
        return utc_ns, shift
    levels, count = np.unique(shift, return_counts=True)
    shift = shift - levels[count.argmax()]
    return utc_ns + np.rint(shift * 1e6).astype(np.int64), np.abs(shift)
