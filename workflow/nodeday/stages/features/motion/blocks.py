"""A stream of acceleration some epochs at a time, so that what is computed of them stays in the cache."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from nodeday.core.arrays import Bools, Floats, Ints, Singles
from nodeday.stages.features.motion import intensity, posture
from nodeday.stages.features.motion.subwindows import Axes
from nodeday.stages.features.pieces import INTERPOLATED
from nodeday.stages.features.stream import Samples, SampleSource
from nodeday.stages.features.windows import SECOND, Windows


@dataclass(frozen=True)
class EpochBlock:
    """Samples (n,) of the epochs ``windows`` in order of time, in g; ``usable`` adds short fills to
    ``received``.
    """

    windows: Windows
    rate_hz: float
    utc_ns: Ints
    axes: Axes
    received: Bools
    usable: Bools

    @cached_property
    def norm_g(self) -> Floats:
        """Vector magnitude (n,)."""
        return intensity.magnitude(*self.axes)

    @cached_property
    def heard(self) -> EpochBlock:
        """The received samples alone."""
        got = self.received
        if got.all():
            return self
        every = np.ones(np.count_nonzero(got), np.bool_)
        axes = [axis[got] for axis in self.axes]
        return EpochBlock(self.windows, self.rate_hz, self.utc_ns[got], axes, every, every)


def blocks(source: SampleSource, epochs: int) -> Iterator[EpochBlock]:
    """A stream of acceleration in order of time, as received, in g, so many ``epochs`` at a time, the last
    block of fewer; the axes are x, y and z whatever their order in the layout.

    Boots may overlap by as much as their clocks are uncertain, so that rows are read as soon as any of those
    to come may lie in a block::

        groups   [......][......]          boot 0
                              [......]     boot 1
        blocks   |     |     |     |
    """
    windows = source.windows
    edges = windows.start_ns + np.arange(0, windows.count + epochs, epochs) * (windows.seconds * SECOND)
    firsts = [group.first for group in source.groups]
    to_come = np.minimum.accumulate([group.least for group in reversed(source.groups)])[::-1]
    graded, held, rows = _graded(source), NOTHING, 0
    for number, end_ns in enumerate(edges[1:].tolist()):
        parts = [held]
        while rows < source.groups[-1].last and to_come[bisect_right(firsts, rows) - 1] < end_ns:
            parts.append(next(graded))
            rows += len(parts[-1].utc_ns)
        own, held = _Rows.joined(parts).split(end_ns)
        count = min(epochs, windows.count - number * epochs)
        inside = Windows(int(edges[number]), windows.seconds, count)
        yield EpochBlock(inside, source.rate_hz, own.utc_ns, own.axes, own.received, own.usable)


@dataclass(frozen=True)
class _Rows:
    utc_ns: Ints
    axes: list[Singles]
    received: Bools
    usable: Bools

    @classmethod
    def joined(cls, parts: list[_Rows]) -> _Rows:
        """The rows of all parts in order of time; of one instant those first that were stored first."""
        if len(parts) == 1:
            return parts[0]
        utc, received, usable = (
            np.concatenate([getattr(each, name) for each in parts])
            for name in ("utc_ns", "received", "usable")
        )
        axes = [np.concatenate(each) for each in zip(*(part.axes for part in parts), strict=True)]
        if (utc[1:] < utc[:-1]).any():
            order = np.argsort(utc, kind="stable")
            return cls(utc[order], [axis[order] for axis in axes], received[order], usable[order])
        return cls(utc, axes, received, usable)

    def split(self, at_ns: int) -> tuple[_Rows, _Rows]:
        """Those before ``at_ns``, and the others."""
        place = int(np.searchsorted(self.utc_ns, at_ns))
        first, last = (
            _Rows(self.utc_ns[own], [axis[own] for axis in self.axes], self.received[own], self.usable[own])
            for own in (slice(0, place), slice(place, None))
        )
        return first, last


NOTHING = _Rows(
    np.zeros(0, np.int64), [np.zeros(0, np.float32)] * 3, np.zeros(0, np.bool_), np.zeros(0, np.bool_)
)


def _graded(source: SampleSource) -> Iterator[_Rows]:
    """The stretches of a stream with what of them orientation may use, for which the whole of a fill is
    looked at, wherever they border.
    """
    reach, parts = posture.fill_samples(source.rate_hz) + 1, iter(source.read())
    before, part = np.zeros(0, np.int8), next(parts)
    ahead: list[Samples] = []
    while True:
        while sum(map(len, ahead)) < reach and (more := next(parts, None)) is not None:
            ahead.append(more)
        after = np.concatenate([part.origin[:0], *(each.origin[:reach] for each in ahead)])[:reach]
        around = np.concatenate([before, part.origin, after])
        received = part.received
        usable = posture.usable(received, around == INTERPOLATED, source.rate_hz, len(before))
        yield _Rows(part.utc_ns, [part.values[axis] for axis in "xyz"], received, usable)
        if not ahead:
            return
        before = around[: len(before) + len(part)][-reach:]
        part = ahead.pop(0)
