"""A day of one node's ticks and of the hub's stamps of them, without bytes: clocks with a known truth."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nodeday.core.arrays import Floats, Ints
from nodeday.stages.simulate import channel
from nodeday.stages.simulate.crystal import skew_ppm, temperature_at

TICK_HZ = 32_768
HUB_START_NS = 10**12
BURST_S, BURST_MS = 8.0, (5.0, 60.0)
"""Mean length of a burst of delay, and how long its longest delay may be: choices of this project."""


@dataclass(frozen=True)
class StampedDay:
    """Frames that a node sent, (n,) each: its boot and ticks, the hub's stamp in ns (rounded down), what
    a hub's clock that is never moved showed when the tick was, when the frame arrived by that clock,
    and whether it was ``heard``.
    """

    boot: Ints
    ticks: Ints
    stamp_ns: Ints
    true_ns: Ints
    arrived_ns: Ints
    heard: NDArray[np.bool_]

    def received(self) -> StampedDay:
        return StampedDay(*(each[self.heard] for each in vars(self).values()))


@dataclass(frozen=True)
class Way:
    """How stamps come about: ``least_ms`` plus exponential with ``mean_ms``, ``bursts_per_h`` of longer
    delays, stamps rounded down to ``unit_ms``, a share ``loss`` of frames lost in runs of ``burst``.
    """

    least_ms: float = 3.0
    mean_ms: float = 2.0
    bursts_per_h: float = 60.0
    unit_ms: float = 1.0
    loss: float = 0.05
    burst: float = 1.5


@dataclass(frozen=True)
class Events:
    """What happens to the node and the hub, in hours: ``restarts`` of the node, ``outages`` (from, to) of
    the hub, ``steps`` (at, ms) of its clock.
    """

    restarts: tuple[float, ...] = ()
    outages: tuple[tuple[float, float], ...] = ()
    steps: tuple[tuple[float, float], ...] = ()


def day(
    seed: int,
    hours: float,
    fps: float,
    ppm: float,
    moves: tuple[tuple[float, float], ...] = (),
    way: Way = Way(),
    events: Events = Events(),
) -> StampedDay:
    """A node ``ppm`` fast against the hub for ``hours`` at ``fps`` frames a second.

    ``moves`` are (hour, degC): from then on the node has that temperature, at once (before the first:
    33). Without moves the temperature stays.
    """
    rng = np.random.default_rng([seed, 1999])
    n = int(hours * 3600 * fps)
    ticks = np.rint(np.arange(n) / fps * TICK_HZ).astype(np.int64)
    own_s = ticks / TICK_HZ
    skew = np.full(n, ppm)
    if moves:
        celsius = temperature_at(own_s, 33.0, tuple((3600 * at, warm) for at, warm in moves), 0.0)
        skew = skew_ppm(celsius, ppm)
    true_s = np.concatenate([[0.0], np.cumsum(np.diff(own_s) / (1 + skew[:-1] * 1e-6))]) + rng.uniform(0, 1)
    late = channel.delays(true_s, way.least_ms / 1e3, way.mean_ms / 1e3, 600.0, rng)
    for start in rng.uniform(0, own_s[-1], rng.poisson(hours * way.bursts_per_h)):
        first, stop = np.searchsorted(own_s, [start, start + rng.exponential(BURST_S)])
        late[first:stop] += rng.uniform(*BURST_MS) * 1e-3 * rng.uniform(0.3, 1, stop - first)
    arrived_s = np.maximum.accumulate(true_s + late)
    shown_s = arrived_s + sum((ms / 1e3 * (arrived_s >= 3600 * at) for at, ms in events.steps), np.zeros(n))
    heard = ~channel.gilbert(n, way.loss, way.burst, rng)
    for begin, end in events.outages:
        heard &= (arrived_s < 3600 * begin) | (arrived_s >= 3600 * end)
    boot = np.searchsorted(3600 * np.array(events.restarts), own_s, side="right")
    starts = np.searchsorted(boot, np.arange(len(events.restarts) + 1))
    unit_ns = round(way.unit_ms * 1e6)
    return StampedDay(
        boot,
        ticks - ticks[starts][boot],
        _ns(shown_s) // unit_ns * unit_ns,
        _ns(true_s),
        _ns(arrived_s),
        heard,
    )


def _ns(seconds: NDArray[Any]) -> Ints:
    return HUB_START_NS + np.rint(seconds * 1e9).astype(np.int64)


@dataclass(frozen=True)
class Marks:
    """Host marks, (n,) each: the hub's stamp (ns, rounded down), the host's UTC in the mark (ns, rounded
    up), and true UTC when the hub's clock showed just that stamp.
    """

    hub_ns: Ints
    utc_ns: Ints
    true_ns: Ints


def marks(
    seed: int,
    hours: float,
    every_s: float,
    ppm: float,
    moves: tuple[tuple[float, float], ...] = (),
    unit_ms: float = 1.0,
    in_step: bool = False,
    late_ms: float = 1.5,
) -> Marks:
    """Marks of a hub ``ppm`` fast; ``moves`` as in :func:`day`.

    The host sends them when it gets to it, ``in_step`` the hub asks for them at whole periods of
    its own clock, so that the part cut off its stamps is always the same.
    """
    rng = np.random.default_rng([seed, 2002])
    n, unit_ns = int(hours * 3600 / every_s), round(unit_ms * 1e6)
    true_s: Floats = np.asarray(1e3 + (np.arange(n) + rng.uniform()) * every_s, np.float64)
    skew = np.full(n, ppm)
    if moves:
        skew = skew_ppm(
            temperature_at(true_s - 1e3, 33.0, tuple((3600 * at, c) for at, c in moves), 0.0), ppm
        )
    if in_step:
        own_s = 500.0 + rng.uniform() + np.arange(n) * every_s
        true_s = true_s[0] + np.concatenate([[0.0], np.cumsum(np.diff(own_s) / (1 + skew[:-1] * 1e-6))])
    else:
        true_s = true_s + rng.uniform(0, 0.3, n)
        own_s = 500.0 + np.concatenate([[0.0], np.cumsum(np.diff(true_s) * (1 + skew[:-1] * 1e-6))])
    late_s = channel.delays(true_s, 0.0, late_ms / 1e3, 300.0, rng)
    hub_ns = np.rint(own_s * 1e9).astype(np.int64) // unit_ns * unit_ns
    utc_ns = -(-np.rint((true_s + late_s) * 1e9).astype(np.int64) // unit_ns) * unit_ns
    since_s = (np.rint(own_s * 1e9) - hub_ns) / 1e9
    return Marks(hub_ns, utc_ns, np.rint((true_s - since_s) * 1e9).astype(np.int64))
