"""Whether nodes that should keep one time do: each is held to the node of median pace.

A node that runs by its own crystal walks away from the others along a line, or counts from another origin::

    least stamps above  |                 . '
    the reference's     |         . '             its own crystal, some ppm slow
                        |  . '
                        |  -  _ -  - _  -  -      the network's time, a longer way
                        +------------------- x

A delay may rise and fall for long, but not along a line.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from scipy import stats

from nodeday.core.arrays import Floats
from nodeday.stages.clock.boots import Key
from nodeday.stages.clock.edge import coarse_line, lows, stretches
from nodeday.stages.clock.maps import FIT_POINTS, FIT_S
from nodeday.stages.clock.nodes import Stamped

STRETCHES, LEAST_STRETCHES = 20, 6
"""A pace is read off the least stamps of 20 stretches of a node's frames, of 6 at least. Choice of this
project."""
ENVELOPE_S, ENVELOPE_POINTS = 300.0, 12
"""Least stamps of the reference are taken from 5 minutes, or from as long as 12 frames take. Choices of this
project."""
DRIFT_MS, SURE, STRAIGHT = 10.0, 0.999, 4.0
"""A node keeps its own time where its slope against the reference excludes 0 (interval of Sen 1968, 99.9 %),
makes 10 ms or more, and makes 4 times what is left around the line. Choices of this project."""
APART_MS = 10_000.0
"""No constant part of a delay is longer. Choice of this project."""
LOW, LOW_SHARE = 2, 0.02
"""The constant part of a delay is read off the third least stamp, or a 50th of them, so that false early
ones do no harm. Choices of this project."""


@dataclass(frozen=True)
class Above:
    """Stamps (n,) of a node above the reference's least ones: ``x`` in s, never falling, and ``y`` in ms."""

    x: Floats
    y: Floats

    @property
    def low_ms(self) -> float:
        """Return about how much longer the node's least delay is than the reference's."""
        at = min(max(LOW, int(LOW_SHARE * len(self.y))), len(self.y) - 1)
        return float(np.partition(self.y, at)[at])

    @property
    def walks(self) -> bool:
        """Return whether the least stamps walk away along a line."""
        span = float(self.x[-1] - self.x[0])
        at, low = lows(self.x, self.y, stretches(self.x, span / STRETCHES), 0.0)
        if len(low) < LEAST_STRETCHES:
            return False
        slope, base, least, most = stats.theilslopes(low, at, SURE)
        around_ms = float(np.median(np.abs(low - base - slope * at)))
        walked_ms = abs(slope) * float(np.ptp(at))
        return bool((least > 0 or most < 0) and walked_ms > max(DRIFT_MS, STRAIGHT * around_ms))


@dataclass(frozen=True)
class Reference:
    """A boot of median pace, by which others are judged.

    ``x`` (s) and ``low`` (ms), (k,) each, are its least stamps on a clock of nominal rate since
    ``ticks`` and ``sent_ns``; ``slope`` is its mean rate (ms/s).
    """

    ticks: int
    sent_ns: int
    rate_hz: float
    slope: float
    x: Floats
    low: Floats

    @classmethod
    def of(cls, boots: Mapping[Key, Stamped]) -> Reference:
        """Choose the reference among ``boots`` of one run of the hub."""
        spans = {key: float(each.ticks[-1] - each.ticks[0]) / each.rate_hz for key, each in boots.items()}
        able = [key for key, each in boots.items() if len(each.rows) >= FIT_POINTS and spans[key] >= FIT_S]
        if not able:
            able = [max(boots, key=lambda key: len(boots[key].rows))]
        longest = max(spans[key] for key in able)
        slopes = {key: _slope(boots[key]) for key in able if 2 * spans[key] >= longest}
        chosen = sorted(slopes, key=lambda key: slopes[key])[len(slopes) // 2]
        own = boots[chosen]
        x, y = _points(own, int(own.ticks[0]), int(own.sent_ns[0]))
        length = max(ENVELOPE_S, ENVELOPE_POINTS * spans[chosen] / len(x))
        at, low = lows(x, y, stretches(x, length), 0.0)
        return cls(int(own.ticks[0]), int(own.sent_ns[0]), own.rate_hz, slopes[chosen], at, low)

    def turns(self, own: Stamped, turn: int) -> int:
        """Return how many turns of ``turn`` ticks bring a boot's ticks nearest to the reference's."""
        x, y = _points(own, self.ticks, self.sent_ns)
        ahead_s = (y - self.slope * x) / 1e3 / (1 + self.slope / 1e3)
        return round(float(np.median(ahead_s)) * self.rate_hz / turn)

    def above(self, boots: list[Stamped]) -> Above:
        """Return a node's stamps above the least ones of the reference."""
        points = [_points(each, self.ticks, self.sent_ns) for each in boots]
        x, y = (np.concatenate(each) for each in zip(*points, strict=True))
        order = np.argsort(x, kind="stable")
        x, y = x[order], y[order]
        beyond = np.minimum(x - self.x[0], 0.0) + np.maximum(x - self.x[-1], 0.0)
        return Above(x, y - np.interp(x, self.x, self.low) - self.slope * beyond)


def against(boots: Mapping[Key, Stamped], turn: int) -> tuple[dict[Key, int], dict[str, Above]]:
    """Hold ``boots`` of one run of the hub to one reference; ticks wrap after one ``turn``.

    Returns by how many ticks to move each boot, and the stamps of each node above the reference's.
    """
    reference = Reference.of(boots)
    shift = {key: turn * reference.turns(each, turn) for key, each in boots.items()}
    moved = {key: replace(each, ticks=each.ticks + shift[key]) for key, each in boots.items()}
    names = sorted({node for node, _, _ in boots})
    return shift, {
        name: reference.above([each for key, each in moved.items() if key[0] == name]) for name in names
    }


def strays(boots: Mapping[Key, Stamped], turn: int) -> list[str]:
    """Return the names of nodes among ``boots`` of one run of the hub that run by a clock of their own."""
    _, above = against(boots, turn)
    usual = float(np.median([each.low_ms for each in above.values()]))
    return [name for name, each in above.items() if each.walks or abs(each.low_ms - usual) > APART_MS]


def _points(own: Stamped, ticks: int, sent_ns: int) -> tuple[Floats, Floats]:
    """Return seconds on a clock of nominal rate since ``ticks``, and by how many ms stamps went further."""
    x = (own.ticks - ticks) / own.rate_hz
    return x, (own.sent_ns - sent_ns) / 1e6 - x * 1e3


def _slope(own: Stamped) -> float:
    x, y = _points(own, int(own.ticks[0]), int(own.sent_ns[0]))
    span = float(x[-1])
    return coarse_line(x, y, stretches(x, span / STRETCHES))[1] if span > 0 else 0.0
