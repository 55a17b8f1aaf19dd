"""Runs of the hub's clock, and steps of it and of the host's clock taken out of their stamps."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from itertools import chain

import numpy as np
from numpy.typing import NDArray

from nodeday.core.arrays import Bools, Floats, Ints
from nodeday.stages.clock.rounding import Unit
from nodeday.stages.clock.steps import ObservedStep, Shared, find_steps, of_hub

JUMP_MS = 2_000.0
"""A step by more parts the hub's clock from every node's counters; stage frames calls it a restart of
each. Choice of this project."""
MARKS = "host marks"
"""The witness that is no node; no node can be named so."""


@dataclass(frozen=True)
class RunStarts:
    """Runs of the hub's clock, by the ``first`` row of table ``frames`` in each, (r,)."""

    first: Ints

    def of(self, rows: NDArray[np.integer]) -> NDArray[np.int32]:
        """Return the run of each of ``rows`` (k,)."""
        return np.asarray(np.searchsorted(self.first, rows, side="right") - 1, np.int32)

    def at(self, row: int) -> int:
        """Return the run of one row."""
        return int(np.searchsorted(self.first, row, side="right")) - 1


@dataclass(frozen=True)
class BootStamps:
    """Stamps (n,) of one boot of a node, or of the host's marks, in order of ``x_s``.

    ``rows`` are those of table ``frames``, ``x_s`` seconds on the sender's clock, and ``stamp_ms`` the hub's
    stamp less that (and less a known wait), from any origin. Those that are ``turned`` lie under the truth,
    not above it: marks that a host reads after the stamp are late in UTC.
    """

    name: str
    rows: NDArray[np.integer]
    x_s: Floats
    stamp_ms: Floats
    unit: Unit
    turned: bool = False

    def steps(self) -> list[ObservedStep]:
        """Return the steps of the hub's clock against this one, in order."""
        sign = -1.0 if self.turned else 1.0
        found = []
        for each in find_steps(self.x_s, sign * self.stamp_ms, self.unit):
            # A late frame may stand on the other side of its neighbour in the capture.
            before, after = sorted(self.rows[each.before : each.before + 2].tolist())
            found.append(ObservedStep(before, after, sign * each.size_ms, each.deviation_ms))
        return found

    def of_run(self, runs: RunStarts) -> list[BootStamps]:
        """Return the stamps of each of the hub's runs."""
        own = runs.of(self.rows)
        parts = [own == each for each in np.unique(own).tolist()]
        return [
            replace(self, rows=self.rows[part], x_s=self.x_s[part], stamp_ms=self.stamp_ms[part])
            for part in parts
        ]


@dataclass(frozen=True)
class ObservedSteps:
    """Steps of the hub's clock that one witness ``name`` shows; ``rows`` (n,), sorted, are of its frames."""

    name: str
    rows: NDArray[np.integer]
    found: list[ObservedStep]

    def steps(self) -> list[ObservedStep]:
        """Return the steps, in order."""
        return self.found


@dataclass(frozen=True)
class Steady:
    """Steps of the hub's clock: ``shared`` are its own, ``own`` those that only one witness shows."""

    runs: RunStarts
    shared: list[Shared]
    own: dict[str, list[ObservedStep]]

    def steady_ns(self, rows: NDArray[np.integer], hub_ns: Ints) -> Ints:
        """Return stamps ``hub_ns`` (k,) of ``rows`` (k,) with the hub's own steps taken out."""
        moved_ns = np.zeros(len(rows), np.int64)
        for step, after in self._after(rows):
            moved_ns[after] -= round(step.size_ms * 1e6)
        return hub_ns + moved_ns

    def band_ms(self, rows: NDArray[np.integer]) -> Floats:
        """Return the 95 % band of that at ``rows`` (k,), against stamps before the first step."""
        variance = np.zeros(len(rows))
        for step, after in self._after(rows):
            variance[after] += step.deviation_ms**2
        return 1.96 * np.sqrt(variance)

    def _after(self, rows: NDArray[np.integer]) -> Iterator[tuple[ObservedStep, Bools]]:
        run = self.runs.of(rows)
        for one in self.shared:
            yield one.step, (rows >= one.step.after) & (run == self.runs.at(one.step.before))


def with_jumps(runs: RunStarts, marks: BootStamps | None, stamps: Callable[[Ints], Ints]) -> RunStarts:
    """Return ``runs`` that end as well where host marks tell of a jump of the hub's clock.

    A run ends where the marks step by more than any counter could follow, and the stamps do so too:
    ``stamps`` gives the hub's of some rows, in order. Else the host's clock was moved.
    """
    begins = []
    for step in (step for each in (marks.of_run(runs) if marks else []) for step in each.steps()):
        if abs(step.size_ms) > JUMP_MS:
            rows = np.arange(step.before, step.after + 1)
            between = np.diff(stamps(rows)) * np.sign(step.size_ms) / 1e6
            at = int(between.argmax())
            if between[at] > abs(step.size_ms) / 2:
                begins.append(rows[at + 1])
    return RunStarts(np.union1d(runs.first, begins).astype(np.int64))


def steady(runs: RunStarts, nodes: Iterable[BootStamps | ObservedSteps], marks: BootStamps | None) -> Steady:
    """Find the hub's steps within its ``runs``, by what ``nodes`` and ``marks`` show together."""
    seen: dict[str, list[ObservedStep]] = {}
    received: dict[str, Ints] = {}
    for each in chain(nodes, marks.of_run(runs) if marks is not None else []):
        seen.setdefault(each.name, []).extend(each.steps())
        received[each.name] = np.concatenate([received.get(each.name, each.rows[:0]), each.rows[[0, -1]]])
        del each  # before the next one is read
    return Steady(runs, *of_hub(seen, received, MARKS))


def without_host_steps(utc_ns: Ints, rows: Ints, steps: list[ObservedStep]) -> tuple[Ints, Floats]:
    """Return the UTC of marks (m,) as though the host had never moved its clock, and each move (ms).

    The stretch with the most marks is believed; nobody can tell whether it is the right one.
    """
    shift = np.zeros(len(utc_ns))
    for step in steps:
        shift[rows >= step.after] += step.size_ms
    levels, count = np.unique(shift, return_counts=True)
    shift = shift - levels[count.argmax()]
    return utc_ns + np.rint(shift * 1e6).astype(np.int64), np.abs(shift)
