"""Days of a node's ticks and the hub's stamps, without bytes: clocks whose truth is known."""

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
"""Mean length of a burst of delays, and the range of its longest delay (choices of this project)."""


@dataclass(frozen=True)
class StampedDay:
    """Frames that a node sent, (n,) each.

    ``boot`` and ``ticks`` are the node's. ``stamp_ns`` is the hub's stamp, rounded down. ``true_ns``
    and ``arrived_ns`` are the instants of the tick and of the arrival by a hub clock that is never
    stepped. ``delivered`` marks frames that the hub received.
    """

    boot: Ints
    ticks: Ints
    stamp_ns: Ints
    true_ns: Ints
    arrived_ns: Ints
    delivered: NDArray[np.bool_]

    def received(self) -> StampedDay:
        """Return the frames that the hub received."""
        return StampedDay(*(column[self.delivered] for column in vars(self).values()))


@dataclass(frozen=True)
class Way:
    """Delays, stamps and losses between node and hub.

    A delay is ``least_ms`` plus an exponential part of mean ``mean_ms``, and longer in
    ``bursts_per_h`` bursts. Stamps are rounded down to ``unit_ms``. A share ``loss`` of frames is
    lost, in runs of mean ``burst``.
    """

    least_ms: float = 3.0
    mean_ms: float = 2.0
    bursts_per_h: float = 60.0
    unit_ms: float = 1.0
    loss: float = 0.05
    burst: float = 1.5


@dataclass(frozen=True)
class Events:
    """Events of a day, in hours since its start.

    ``restarts`` of the node, ``outages`` (from, to) of the hub, ``steps`` (at, ms) of the hub's clock.
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
    """Return the frames of a node ``ppm`` fast against the hub for ``hours`` at ``fps`` frames a second.

    ``moves`` are (hour, degC): the node takes that temperature at once, from 33 degC at the start.
    Without moves its skew is constant.
    """
    rng = np.random.default_rng([seed, 1999])
    n = int(hours * 3600 * fps)
    ticks = np.rint(np.arange(n) / fps * TICK_HZ).astype(np.int64)
    clock_s = ticks / TICK_HZ
    skew = np.full(n, ppm)
    if moves:
        celsius = temperature_at(clock_s, 33.0, tuple((3600 * at, warm) for at, warm in moves), 0.0)
        skew = skew_ppm(celsius, ppm)
    true_s = np.concatenate([[0.0], np.cumsum(np.diff(clock_s) / (1 + skew[:-1] * 1e-6))]) + rng.uniform(0, 1)
    late = channel.delays(true_s, way.least_ms / 1e3, way.mean_ms / 1e3, 600.0, rng)
    for start in rng.uniform(0, clock_s[-1], rng.poisson(hours * way.bursts_per_h)):
        first, stop = np.searchsorted(clock_s, [start, start + rng.exponential(BURST_S)])
        late[first:stop] += rng.uniform(*BURST_MS) * 1e-3 * rng.uniform(0.3, 1, stop - first)
    arrived_s = np.maximum.accumulate(true_s + late)
    shown_s = arrived_s + sum((ms / 1e3 * (arrived_s >= 3600 * at) for at, ms in events.steps), np.zeros(n))
    delivered = ~channel.gilbert(n, way.loss, way.burst, rng)
    for begin, end in events.outages:
        delivered &= (arrived_s < 3600 * begin) | (arrived_s >= 3600 * end)
    boot = np.searchsorted(3600 * np.array(events.restarts), clock_s, side="right")
    starts = np.searchsorted(boot, np.arange(len(events.restarts) + 1))
    unit_ns = round(way.unit_ms * 1e6)
    return StampedDay(
        boot,
        ticks - ticks[starts][boot],
        _ns(shown_s) // unit_ns * unit_ns,
        _ns(true_s),
        _ns(arrived_s),
        delivered,
    )


def _ns(seconds: NDArray[Any]) -> Ints:
    return HUB_START_NS + np.rint(seconds * 1e9).astype(np.int64)


@dataclass(frozen=True)
class Marks:
    """Host marks, (n,) each, in ns.

    ``hub_ns`` is the hub's stamp, rounded down; ``utc_ns`` the host's UTC in the mark, rounded up;
    ``true_ns`` the true UTC at which the hub's clock showed exactly ``hub_ns``.
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
    """Return the host marks of a hub ``ppm`` fast for ``hours``; ``moves`` as in :func:`day`.

    The host sends a mark up to 0.3 s late. With ``in_step`` the hub asks for them at whole periods
    of its own clock instead, so that rounding removes the same part of every stamp.
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
        clock_s = 500.0 + rng.uniform() + np.arange(n) * every_s
        true_s = true_s[0] + np.concatenate([[0.0], np.cumsum(np.diff(clock_s) / (1 + skew[:-1] * 1e-6))])
    else:
        true_s = true_s + rng.uniform(0, 0.3, n)
        clock_s = 500.0 + np.concatenate([[0.0], np.cumsum(np.diff(true_s) * (1 + skew[:-1] * 1e-6))])
    late_s = channel.delays(true_s, 0.0, late_ms / 1e3, 300.0, rng)
    hub_ns = np.rint(clock_s * 1e9).astype(np.int64) // unit_ns * unit_ns
    utc_ns = -(-np.rint((true_s + late_s) * 1e9).astype(np.int64) // unit_ns) * unit_ns
    since_s = (np.rint(clock_s * 1e9) - hub_ns) / 1e9
    return Marks(hub_ns, utc_ns, np.rint((true_s - since_s) * 1e9).astype(np.int64))
