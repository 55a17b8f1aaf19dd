"""What the hub's clock and the host's did: runs between restarts, and steps taken out of their stamps."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from itertools import chain

import numpy as np
from numpy.typing import NDArray

from nodeday.core.arrays import Floats, Ints
from nodeday.stages.clock.edge import Unit
from nodeday.stages.clock.steps import ObservedStep, Shared, find_steps, of_hub

FALL_NS = 5_000_000_000
"""A hub clock that falls back by more has started anew; late frames fall back by less. The stages loss
and clock both say 5 s. Choice of this project."""
JUMP_MS = 2_000.0
"""A step by more parts the hub's clock from every node's counters; stage frames calls it a restart of
each. Choice of this project."""
MARKS = "host marks"
"""The witness that is no node; no node can be named so."""


@dataclass(frozen=True)
class BootStamps:
    """One boot of a node, or the host's marks: rows of the table (n,) in order of ``x_s``, seconds on
    the own clock, and ``stamp_ms``, the hub's stamp less that (less a known wait), from anywhere.
    """

    name: str
    rows: NDArray[np.integer]
    x_s: Floats
    stamp_ms: Floats
    unit: Unit

    def steps(self) -> list[ObservedStep]:
        """Steps of the hub's clock against this one, in order. A host's marks are late in UTC, so that
        they lie under the truth.
        """
        sign = 1.0 if self.unit.down else -1.0
        found = []
        for each in find_steps(self.x_s, sign * self.stamp_ms, self.unit):
            # A late frame may stand on the other side of its neighbour in the capture.
            before, after = sorted(self.rows[each.before : each.before + 2].tolist())
            found.append(ObservedStep(before, after, sign * each.size_ms, each.deviation_ms))
        return found

    def of_run(self, run: NDArray[np.integer]) -> list[BootStamps]:
        """The same by the hub's runs, ``run`` (n,) being those of all rows of the table."""
        own = run[self.rows]
        return [
            BootStamps(
                self.name,
                self.rows[own == each],
                self.x_s[own == each],
                self.stamp_ms[own == each],
                self.unit,
            )
            for each in np.unique(own).tolist()
        ]


@dataclass(frozen=True)
class Steady:
    """``steady_ns`` (n,) are hub stamps with the hub's steps taken out, known to ``band_ms`` (n,) of a 95 %
    band against those before the first; ``own`` are the steps that only one witness shows.
    """

    steady_ns: Ints
    band_ms: Floats
    shared: list[Shared]
    own: dict[str, list[ObservedStep]]


def runs(hub_ns: Ints, marks: BootStamps | None) -> NDArray[np.int32]:
    """Number of the hub's run for each frame in capture order, (n,) -> (n,).

    A run ends where the clock falls far back, or where the host's marks tell of a jump that no
    counter could follow and that the stamps show too.
    """
    begins = np.zeros(len(hub_ns), np.bool_)
    begins[1:] = np.diff(hub_ns) < -FALL_NS
    parts = [] if marks is None else marks.of_run(np.cumsum(begins))
    told = [step for each in parts for step in each.steps()]
    for step in told:
        if abs(step.size_ms) > JUMP_MS:
            between = np.diff(hub_ns[step.before : step.after + 1]) * np.sign(step.size_ms) / 1e6
            at = int(between.argmax())
            # Else the hub's clock went on as before, and the host's was moved.
            if between[at] > abs(step.size_ms) / 2:
                begins[step.before + 1 + at] = True
    return np.cumsum(begins, dtype=np.int32)


def steady(
    hub_ns: Ints, run: NDArray[np.integer], nodes: Iterable[BootStamps], marks: BootStamps | None
) -> Steady:
    """Take the hub's steps out of its stamps ``hub_ns`` (n,): what ``nodes`` and ``marks`` show together."""
    seen: dict[str, list[ObservedStep]] = {}
    heard: dict[str, Ints] = {}
    for each in chain(nodes, marks.of_run(run) if marks is not None else []):
        seen.setdefault(each.name, []).extend(each.steps())
        heard[each.name] = np.concatenate([heard.get(each.name, each.rows[:0]), each.rows[[0, -1]]])
        del each  # before the next one is read
    shared, own = of_hub(seen, heard, MARKS)
    if not shared:
        return Steady(hub_ns, np.zeros(len(hub_ns)), shared, own)
    out, variance = hub_ns.copy(), np.zeros(len(hub_ns))
    for one in shared:
        moved = one.step.after + np.flatnonzero(run[one.step.after :] == run[one.step.before])
        out[moved] -= round(one.step.size_ms * 1e6)
        variance[moved] += one.step.deviation_ms**2
    return Steady(out, 1.96 * np.sqrt(variance), shared, own)


def without_host_steps(utc_ns: Ints, rows: Ints, steps: list[ObservedStep]) -> tuple[Ints, Floats]:
    """Marks' UTC (m,) as though the host had never moved its clock, and how far each was moved (ms).

    The stretch with the most marks is believed; nobody can tell whether it is the right one.
    """
    shift = np.zeros(len(utc_ns))
    for step in steps:
        shift[rows >= step.after] += step.size_ms
    levels, count = np.unique(shift, return_counts=True)
    shift = shift - levels[count.argmax()]
    return utc_ns + np.rint(shift * 1e6).astype(np.int64), np.abs(shift)
