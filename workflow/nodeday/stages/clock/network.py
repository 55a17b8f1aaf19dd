"""Nodes of a network that keeps one time: all of their frames tell one map, and no node steps alone.

Ticks of a time-slotted network (IEEE 802.15.4e) count the network's slots, whichever node sends them. What
differs between nodes is the constant part of their delay, by hops and handlers::

    stamp - ticks |   b  b b   b  b  bb       node b: its delays are longer by a constant part
                  |  b     b  b     b
                  |  a a   a  a  a aaa        node a
                  | a__a_a__aa_a__a__         edge of all, with b's part taken out of b's stamps

A layout declares such a time, and frames can contradict it: see :mod:`nodeday.stages.clock.contradiction`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace

import numpy as np

from nodeday.core.arrays import Floats, Ints
from nodeday.stages.clock import contradiction, maps, nodes
from nodeday.stages.clock.boots import Key
from nodeday.stages.clock.hub import MARKS, BootStamps, ObservedSteps
from nodeday.stages.clock.maps import NOMINAL_DELAY_MS, Map
from nodeday.stages.clock.nodes import Stamped
from nodeday.stages.clock.rounding import Unit
from nodeday.stages.clock.steps import ObservedStep, of_hub

NETWORK = "*"
"""In place of a node's name: the time of the network."""
ROUNDS = 2
"""Times that all frames are fitted and constant parts of delays are read off that fit."""
LOWEST, SURE = 10, 3.0
"""The least stamp of a node lies above its edge by an exponential amount, whose mean is that of the distances
of its ten least stamps (as of a Poisson process, where delays begin alike); three means hold 95 %."""


@dataclass(frozen=True)
class Network:
    """Frames of the nodes that keep one time, within one run of the hub.

    ``boots`` hold ticks that all count from one origin: those of table ``frames`` plus ``shift``. Stamps are
    less the delay that the layout states. ``extra_ms`` is by node how much longer its least delay is than
    the shortest, about.
    """

    boots: Mapping[Key, Stamped]
    shift: Mapping[Key, int]
    extra_ms: Mapping[str, float]

    def witness(self, unit: Unit) -> ObservedSteps:
        """Return the steps that half of the nodes show together; what one shows alone is a delay."""
        seen: dict[str, list[ObservedStep]] = {}
        rows: dict[str, Ints] = {}
        for (node, _, _), each in self.boots.items():
            x, y = maps.points(each.ticks, each.sent_ns, each.rate_hz)
            seen.setdefault(node, []).extend(BootStamps(node, each.rows, x, y, unit).steps())
            rows[node] = np.append(rows.get(node, each.rows[:0]), [each.rows.min(), each.rows.max()])
        ends = np.sort(np.concatenate([*rows.values()]))
        if len(seen) == 1:
            return ObservedSteps(NETWORK, ends, *seen.values())
        shared, _ = of_hub(seen, rows, MARKS)
        return ObservedSteps(NETWORK, ends, [each.step for each in shared])

    def changed(self, change: Callable[[Stamped], Stamped]) -> Network:
        """Return the network with a ``change`` to the frames of each boot."""
        return replace(self, boots={key: change(each) for key, each in self.boots.items()})

    def fit(self, steps: list[ObservedStep], hub: Map, unit: Unit) -> NetworkMap:
        """Map of the network's ticks to UTC, by the map of the ``hub`` to UTC.

        The delay that the layout states is that of the fastest node. The band holds how well that node's
        least delay is known.
        """
        every, number, names = self._joined()
        extra = np.array([self.extra_ms[name] for name in names])
        for _ in range(ROUNDS):
            found = _in_hub_time(every, extra[number], steps, unit)
            above = (every.sent_ns - found(every.ticks)) / 1e6
            of_node = [above[number == each] for each in range(len(names))]
            least = np.array([each.min() for each in of_node])
            extra = least - least.min()
        wide = found.uncertainty_ms + _least_error(of_node[int(least.argmin())])
        medians = {name: float(np.median(each)) for name, each in zip(names, of_node, strict=True)}
        return NetworkMap(maps.join(replace(found, uncertainty_ms=wide), hub), self.shift, medians)

    def _joined(self) -> tuple[Stamped, Ints, list[str]]:
        """Return the frames (n,) of all in order of ticks, the number of each one's node, and names."""
        names, boots = sorted({node for node, _, _ in self.boots}), [*self.boots.values()]
        rows, ticks, sent_ns, run, band_ms = (
            np.concatenate([getattr(each, name) for each in boots])
            for name in ("rows", "ticks", "sent_ns", "run", "band_ms")
        )
        every = Stamped(rows, ticks, sent_ns, run, band_ms, boots[0].rate_hz)
        number = np.repeat(
            [names.index(node) for node, _, _ in self.boots], [len(each.rows) for each in boots]
        )
        order = np.lexsort((every.rows, every.ticks))
        return every.take(order), number[order], names


@dataclass(frozen=True)
class NetworkMap:
    """Map of a network's ticks to UTC in one run of the hub; ``median_ms`` of each node's stamps above it."""

    map: Map
    shift: Mapping[Key, int]
    median_ms: Mapping[str, float]

    def of_boot(self, key: Key, own: Stamped) -> Map:
        """Return the part that frames of a boot cover, in its own ticks."""
        first, last = (int(own.ticks[at]) + self.shift[key] for at in (0, -1))
        ends = np.array([first, max(last, first + max(round(own.rate_hz), 1))])
        inner = self.map.at[(self.map.at > ends[0]) & (self.map.at < ends[1])]
        at = np.concatenate([ends[:1], inner, ends[1:]])
        band, median = self.map.uncertainty(at), np.full(len(at), self.median_ms[key[0]])
        return Map(at - self.shift[key], self.map(at), band, median, self.map.status)


def map_boot(key: Key, own: Stamped, found: Mapping[int, NetworkMap]) -> Map | None:
    """Return the map of a boot by those of its network in each run of the hub; None where there is none."""
    runs = [run for run in np.unique(own.run).tolist() if run in found]
    parts = [found[run].of_boot(key, own.take(np.flatnonzero(own.run == run))) for run in runs]
    return maps.in_order(parts) if parts else None


def _of_run(boots: Mapping[Key, Stamped], turn: int) -> Network:
    """Join ``boots`` of one run of the hub."""
    shift, above = contradiction.against(boots, turn)
    moved = {key: replace(each, ticks=each.ticks + shift[key]) for key, each in boots.items()}
    least = min(each.low_ms for each in above.values())
    return Network(moved, shift, {name: each.low_ms - least for name, each in above.items()})


def of_session(boots: Iterable[tuple[Key, Stamped]], turn: int) -> dict[int, Network]:
    """Return the network by run of the hub, of ``boots`` whose layouts declare one time.

    Ticks wrap after one ``turn``. Nodes that run by a clock of their own in any run are left out.
    """
    parts: dict[int, dict[Key, Stamped]] = {}
    for key, each in boots:
        for run in np.unique(each.run).tolist():
            parts.setdefault(run, {})[key] = each.take(np.flatnonzero(each.run == run))
    strays = {name for each in parts.values() for name in contradiction.strays(each, turn)}
    kept = {
        run: {key: part for key, part in each.items() if key[0] not in strays} for run, each in parts.items()
    }
    return {run: _of_run(each, turn) for run, each in kept.items() if each}


def _in_hub_time(every: Stamped, part_ms: Floats, steps: list[ObservedStep], unit: Unit) -> Map:
    """Map of ticks to the hub's time by frames (n,) whose constant delays are longer by ``part_ms`` (n,)."""
    moved = replace(every, sent_ns=every.sent_ns - np.rint(part_ms * 1e6).astype(np.int64))
    ends = np.array([every.sent_ns.min(), every.sent_ns.max() + 1])
    itself = Map(ends, ends, np.zeros(2), np.zeros(2), "fitted")
    found = nodes.map_boot(moved, steps, {int(every.run[0]): itself}, unit, 0.0)
    assert found is not None  # its run of the hub is given
    return found


def _least_error(above_ms: Floats) -> float:
    """Return how far below the least of values (n,) their edge may lie, with 95 %."""
    if len(above_ms) < 2:
        return NOMINAL_DELAY_MS
    lowest = np.sort(above_ms)[:LOWEST]
    return float(SURE * (lowest[-1] - lowest[0]) / (len(lowest) - 1))
