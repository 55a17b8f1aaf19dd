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
    """Samples (n,) of the epochs ``windows`` in order of time, in g.

    ``usable`` (n,) are the ``received`` samples (n,) and those of short fills.
    """

    windows: Windows
    rate_hz: float
    utc_ns: Ints
    axes: Axes
    received: Bools
    usable: Bools

    @cached_property
    def norm_g(self) -> Floats:
        """Vector magnitude (n,) in g."""
        return intensity.magnitude(*self.axes)

    @cached_property
    def received_only(self) -> EpochBlock:
        """The block with the received samples alone."""
        received = self.received
        if received.all():
            return self
        every = np.ones(np.count_nonzero(received), np.bool_)
        axes = [axis[received] for axis in self.axes]
        return EpochBlock(self.windows, self.rate_hz, self.utc_ns[received], axes, every, every)


def blocks(source: SampleSource, epochs: int) -> Iterator[EpochBlock]:
    """Yield a stream of acceleration in order of time, so many ``epochs`` at a time, the last block fewer.

    Values are as received, in g; the axes are x, y and z whatever their order in the layout. Boots may
    overlap by as much as their clocks are uncertain, so rows are read as soon as any later row may lie in a
    block::

        groups   [......][......]          boot 0
                              [......]     boot 1
        blocks   |     |     |     |
    """
    windows = source.windows
    edges = windows.start_ns + np.arange(0, windows.count + epochs, epochs) * (windows.seconds * SECOND)
    firsts = [group.first for group in source.groups]
    earliest_ns = np.minimum.accumulate([group.least for group in reversed(source.groups)])[::-1]
    stretches, waiting, rows = _with_usable(source), NO_ROWS, 0
    for number, end_ns in enumerate(edges[1:].tolist()):
        parts = [waiting]
        while rows < source.groups[-1].last and earliest_ns[bisect_right(firsts, rows) - 1] < end_ns:
            parts.append(next(stretches))
            rows += len(parts[-1].utc_ns)
        block, waiting = _Rows.joined(parts).split(end_ns)
        count = min(epochs, windows.count - number * epochs)
        inside = Windows(int(edges[number]), windows.seconds, count)
        yield EpochBlock(inside, source.rate_hz, block.utc_ns, block.axes, block.received, block.usable)


@dataclass(frozen=True)
class _Rows:
    """Rows (n,) of a stream, as far as blocks need them."""

    utc_ns: Ints
    axes: list[Singles]
    received: Bools
    usable: Bools

    @classmethod
    def joined(cls, parts: list[_Rows]) -> _Rows:
        """Return the rows of all parts in order of time; equal instants stay in the order of the parts."""
        if len(parts) == 1:
            return parts[0]
        utc, received, usable = (
            np.concatenate([getattr(part, name) for part in parts])
            for name in ("utc_ns", "received", "usable")
        )
        axes = [np.concatenate(axis) for axis in zip(*(part.axes for part in parts), strict=True)]
        if (utc[1:] < utc[:-1]).any():
            order = np.argsort(utc, kind="stable")
            return cls(utc[order], [axis[order] for axis in axes], received[order], usable[order])
        return cls(utc, axes, received, usable)

    def split(self, at_ns: int) -> tuple[_Rows, _Rows]:
        """Return the rows before ``at_ns``, and the others."""
        border = int(np.searchsorted(self.utc_ns, at_ns))
        before, after = (
            _Rows(
                self.utc_ns[part], [axis[part] for axis in self.axes], self.received[part], self.usable[part]
            )
            for part in (slice(0, border), slice(border, None))
        )
        return before, after


NO_ROWS = _Rows(
    np.zeros(0, np.int64), [np.zeros(0, np.float32)] * 3, np.zeros(0, np.bool_), np.zeros(0, np.bool_)
)


def _with_usable(source: SampleSource) -> Iterator[_Rows]:
    """Yield the stretches of a stream, each with which of its samples orientation may use.

    A fill is looked at in full, wherever stretches border on each other.
    """
    reach, parts = posture.fill_samples(source.rate_hz) + 1, iter(source.read())
    before, part = np.zeros(0, np.int8), next(parts)
    ahead: list[Samples] = []
    while True:
        while sum(map(len, ahead)) < reach and (more := next(parts, None)) is not None:
            ahead.append(more)
        after = np.concatenate([part.origin[:0], *(later.origin[:reach] for later in ahead)])[:reach]
        around = np.concatenate([before, part.origin, after])
        received = part.received
        usable = posture.usable(received, around == INTERPOLATED, source.rate_hz, len(before))
        yield _Rows(part.utc_ns, [part.values[axis] for axis in "xyz"], received, usable)
        if not ahead:
            return
        before = around[: len(before) + len(part)][-reach:]
        part = ahead.pop(0)
