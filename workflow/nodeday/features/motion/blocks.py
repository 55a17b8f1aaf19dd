"""A stream of acceleration some epochs at a time, so that what is computed of them stays in the cache."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from nodeday.arrays import Bools, Floats, Ints, Singles
from nodeday.features.motion import intensity, posture
from nodeday.features.motion.ruler import Axes, ruler
from nodeday.features.stream import Stream
from nodeday.features.windows import SECOND, Windows


@dataclass(frozen=True)
class Block:
    """Samples (n,) of the epochs ``windows`` in order of time, in g; ``usable`` adds short fills to
    ``received``."""

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
    def heard(self) -> Block:
        """The received samples alone."""
        got = self.received
        if got.all():
            return self
        every = np.ones(np.count_nonzero(got), np.bool_)
        axes = [axis[got] for axis in self.axes]
        return Block(self.windows, self.rate_hz, self.utc_ns[got], axes, every, every)


@dataclass(frozen=True)
class Signal:
    """Samples (n,) of a whole stream in order of time, as received, in g; ``axes`` are x, y and z whatever
    their order in the layout."""

    windows: Windows
    rate_hz: float
    utc_ns: Ints
    axes: list[Singles]
    received: Bools
    usable: Bools

    @classmethod
    def of(cls, stream: Stream) -> Signal:
        utc, received = stream.utc_ns, stream.received
        usable = posture.usable(received, stream.computed, stream.rate_hz)
        axes = [stream.samples.values[axis] for axis in "xyz"]
        if (utc[1:] < utc[:-1]).any():  # boots may overlap by as much as their clocks are uncertain
            order = np.argsort(utc, kind="stable")
            axes, utc = [axis[order] for axis in axes], utc[order]
            received, usable = received[order], usable[order]
        return cls(stream.windows, stream.rate_hz, utc, axes, received, usable)

    def blocks(self, epochs: int) -> Iterator[Block]:
        """Blocks of so many ``epochs``, the last one of fewer."""
        windows = self.windows
        places = ruler(windows, windows.seconds).places(self.utc_ns)
        for first in range(0, windows.count, epochs):
            count = min(epochs, windows.count - first)
            own = slice(places[first], places[first + count])
            start = windows.start_ns + first * windows.seconds * SECOND
            yield Block(
                Windows(start, windows.seconds, count), self.rate_hz, self.utc_ns[own],
                [axis[own] for axis in self.axes], self.received[own], self.usable[own],
            )  # fmt: skip
