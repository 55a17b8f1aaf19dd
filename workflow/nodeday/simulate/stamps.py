"""A day of one node's ticks and of the hub's stamps of them, without bytes: clocks with a known truth."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from nodeday.simulate import channel
from nodeday.simulate.crystal import skew_ppm, temperature_at

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

TICK_HZ = 32_768
BURST_S, BURST_MS = 8.0, (5.0, 60.0)
"""Mean length of a burst of delay, and how long its longest delay may be: choices of this project."""


@dataclass(frozen=True)
class Day:
    """Frames that arrived, (n,) each: node ticks, the hub's stamp of each in ns (rounded down), and
    what the hub's clock showed, in ns, when the tick was."""

    ticks: Ints
    stamp_ns: Ints
    true_ns: Ints


@dataclass(frozen=True)
class Way:
    """How stamps come about: ``least_ms`` plus exponential with ``mean_ms``, ``bursts_per_h`` of longer
    delays, stamps rounded down to ``unit_ms``, a share ``loss`` of frames lost in runs of ``burst``."""

    least_ms: float = 3.0
    mean_ms: float = 2.0
    bursts_per_h: float = 60.0
    unit_ms: float = 1.0
    loss: float = 0.05
    burst: float = 1.5


def day(
    seed: int, hours: float, fps: float, ppm: float, moves: tuple[tuple[float, float], ...] = (),
    way: Way = Way(),
) -> Day:  # fmt: skip
    """A node ``ppm`` fast against the hub for ``hours`` at ``fps`` frames a second.

    ``moves`` are (hour, degC): from then on the node has that temperature (before the first: 33).
    Without moves the temperature stays.
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
    arrived = np.maximum.accumulate(true_s + late) + 1e6
    unit_ns = round(way.unit_ms * 1e6)
    stamp_ns = np.rint(arrived * 1e9).astype(np.int64) // unit_ns * unit_ns
    kept = ~channel.gilbert(n, way.loss, way.burst, rng)
    true_ns = np.rint((true_s + 1e6) * 1e9).astype(np.int64)
    return Day(ticks[kept], stamp_ns[kept], true_ns[kept])


@dataclass(frozen=True)
class Marks:
    """Host marks, (n,) each: the hub's stamp (ns, rounded down), the host's UTC in the mark (ns, rounded
    up), and true UTC when the hub's clock showed just that stamp."""

    hub_ns: Ints
    utc_ns: Ints
    true_ns: Ints


def marks(
    seed: int, hours: float, every_s: float, ppm: float, moves: tuple[tuple[float, float], ...] = (),
    unit_ms: float = 1.0, in_step: bool = False, late_ms: float = 1.5,
) -> Marks:  # fmt: skip
    """Marks of a hub ``ppm`` fast; ``moves`` as in :func:`day`.

    The host sends them when it gets to it, ``in_step`` the hub asks for them at whole periods of
    its own clock, so that the part cut off its stamps is always the same.
    """
    rng = np.random.default_rng([seed, 2002])
    n, unit_ns = int(hours * 3600 / every_s), round(unit_ms * 1e6)
    true_s = 1e3 + (np.arange(n) + rng.uniform()) * every_s
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
