"""Whether a node was worn. What was lost is not known; it is never taken for non-wear.

After van Hees et al. 2011 and 2013, from memory: in an hour of which two axes hardly move, the node
was not worn. Hours begin every 15 minutes.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np

from nodeday.core.arrays import Bools, Floats, Ints
from nodeday.stages.features.motion.subwindows import Axes, count, per_window, total

HOUR_S, STEP_S = 3600, 900
STILL_G, RANGE_G, AXES = 0.013, 0.050, 2
WORN, NOT_WORN, UNKNOWN = 0, 1, -1


def epochs_of(seconds: int) -> int:
    """How many epochs of ``seconds`` make up a block of about 15 minutes."""
    return max(1, STEP_S // seconds)


def wear(sums: Sums, rows: Ints, seconds: int, rate_hz: float, share: float) -> Ints:
    """Of each epoch of ``seconds`` (count,): worn, not worn or unknown.

    ``sums`` are those of blocks of :func:`epochs_of` epochs, ``rows`` (count,) how many samples each epoch
    holds, lost ones too. A block was not worn if some hour around it, received by ``share`` at least,
    was still; it was worn if it moved, or if all hours around it are known and none was still::

        hours     [---------)          received enough, still: not worn
                     [---------)       half of it lost: tells nothing
        blocks    |  |  |  |  |  |
    """
    epochs, length = len(rows), epochs_of(seconds)
    per_hour = max(1, round(HOUR_S / (length * seconds)))
    starts = np.append(np.arange(0, epochs, length), epochs)
    expected = np.diff(starts) * seconds * rate_hz
    moves = sums.moves()
    blocks = len(moves)
    not_worn, doubt = np.zeros(blocks, np.bool_), np.zeros(blocks, np.bool_)
    for first in range(max(1, blocks - per_hour + 1)):
        own = slice(first, first + per_hour)
        whole = expected[own].sum() >= per_hour * length * seconds * rate_hz * 0.999
        hour = sums.within(own)
        if not whole or hour.held[0] < share * expected[own].sum():
            doubt[own] = True
        elif not hour.moves()[0]:
            not_worn[own] = True
    state = np.where(not_worn, NOT_WORN, np.where(~moves & (doubt | (sums.held == 0)), UNKNOWN, WORN))
    out = np.repeat(state, np.diff(starts))
    out[rows == 0] = UNKNOWN
    return np.asarray(out, np.int64)


@dataclass(frozen=True)
class Sums:
    """Count (k,), and of each axis the sum, the sum of squares and the least and greatest value (3, k), of k
    stretches of time.
    """

    held: Floats
    first: Floats
    second: Floats
    low: Floats
    high: Floats

    @classmethod
    def of(cls, axes: Axes, got: Bools, places: Ints) -> Sums:
        """Of the samples ``got`` (n,) of ``axes`` (n,) in g between each two ``places`` (k + 1,)."""
        every = bool(got.all())
        first, second, low, high = [], [], [], []
        for axis in axes:
            first.append(total(axis, got, places))
            second.append(total(np.square(axis), got, places))
            low.append(per_window(np.minimum, axis if every else np.where(got, axis, np.inf), places, np.inf))
            high.append(
                per_window(np.maximum, axis if every else np.where(got, axis, -np.inf), places, -np.inf)
            )
        return cls(count(got, places), *(np.stack(each) for each in (first, second, low, high)))

    @classmethod
    def joined(cls, parts: list[Sums]) -> Sums:
        """Those of stretches one after the other."""
        columns = ([getattr(part, each.name) for part in parts] for each in fields(cls))
        return cls(*(np.concatenate(column, axis=-1) for column in columns))

    def within(self, own: slice) -> Sums:
        """Those of some stretches as one."""
        return Sums(
            self.held[own].sum(keepdims=True),
            self.first[:, own].sum(axis=1, keepdims=True),
            self.second[:, own].sum(axis=1, keepdims=True),
            self.low[:, own].min(axis=1, keepdims=True),
            self.high[:, own].max(axis=1, keepdims=True),
        )

    def moves(self) -> Bools:
        """Whether fewer than two axes are still; a stretch without samples does not move."""
        n = np.maximum(self.held, 1)
        spread = np.sqrt(np.maximum(self.second / n - (self.first / n) ** 2, 0))
        still = (spread < STILL_G) & (self.high - self.low < RANGE_G)
        return np.asarray((still.sum(axis=0) < AXES) & (self.held > 0), np.bool_)
