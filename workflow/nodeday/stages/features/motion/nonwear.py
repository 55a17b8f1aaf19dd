"""Whether a node was worn. What was lost is not known; it is never taken for non-wear.

After van Hees et al. 2011 and 2013, from memory: in an hour of which two axes hardly move, the node
was not worn. Hours begin every 15 minutes.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np

from nodeday.core.arrays import Bools, Floats, Ints
from nodeday.stages.features.motion.subwindows import Axes, count, per_window, total

HOUR_S, STEP_S = 3600, 900
STILL_G, RANGE_G, AXES = 0.013, 0.050, 2
"""An axis is still below this standard deviation and range; so many still axes are no movement."""
WORN, NOT_WORN, UNKNOWN = 0, 1, -1


@dataclass(frozen=True)
class AxisSums:
    """Sums over the samples of each of k stretches of time.

    The ``count`` of samples (k,), and of each axis the sum, the sum of squares and the least and greatest
    value, (3, k) each, in g.
    """

    count: Floats
    sum: Floats
    square: Floats
    low: Floats
    high: Floats

    @classmethod
    def of(cls, axes: Axes, mask: Bools, edges: Ints) -> AxisSums:
        """Sum the samples in ``mask`` (n,) of ``axes`` (n,) in g between each two of ``edges`` (k + 1,)."""
        every = bool(mask.all())
        sums, squares, low, high = [], [], [], []
        for axis in axes:
            sums.append(total(axis, mask, edges))
            squares.append(total(np.square(axis), mask, edges))
            below, above = (axis if every else np.where(mask, axis, end) for end in (np.inf, -np.inf))
            low.append(per_window(np.minimum, below, edges, np.inf))
            high.append(per_window(np.maximum, above, edges, -np.inf))
        return cls(count(mask, edges), *(np.stack(rows) for rows in (sums, squares, low, high)))

    @classmethod
    def joined(cls, parts: list[AxisSums]) -> AxisSums:
        """Return the sums of stretches one after the other."""
        columns = ([getattr(part, field.name) for part in parts] for field in fields(cls))
        return cls(*(np.concatenate(column, axis=-1) for column in columns))

    @classmethod
    def added(cls, parts: Sequence[AxisSums], weights: Sequence[float]) -> AxisSums:
        """Return the sums of samples of several parts of the same stretches, each sample by its weight."""
        count, total, square = (
            np.sum([w * getattr(part, name) for part, w in zip(parts, weights, strict=True)], axis=0)
            for name in ("count", "sum", "square")
        )
        low = np.minimum.reduce([part.low for part in parts])
        return cls(count, total, square, low, np.maximum.reduce([part.high for part in parts]))

    def together(self, stretches: slice) -> AxisSums:
        """Return the sums of some stretches as one."""
        return AxisSums(
            self.count[stretches].sum(keepdims=True),
            self.sum[:, stretches].sum(axis=1, keepdims=True),
            self.square[:, stretches].sum(axis=1, keepdims=True),
            self.low[:, stretches].min(axis=1, keepdims=True),
            self.high[:, stretches].max(axis=1, keepdims=True),
        )

    def moves(self) -> Bools:
        """Return where fewer than two axes are still, (k,); a stretch without samples does not move."""
        n = np.maximum(self.count, 1)
        spread = np.sqrt(np.maximum(self.square / n - (self.sum / n) ** 2, 0))
        still = (spread < STILL_G) & (self.high - self.low < RANGE_G)
        return np.asarray((still.sum(axis=0) < AXES) & (self.count > 0), np.bool_)


def epochs_of(seconds: int) -> int:
    """Return how many epochs of ``seconds`` make up a block of about 15 minutes."""
    return max(1, STEP_S // seconds)


def wear(sums: AxisSums, rows: Ints, seconds: int, rate_hz: float, share: float) -> Ints:
    """Return the state (e,) of each epoch of ``seconds``: ``WORN``, ``NOT_WORN`` or ``UNKNOWN``.

    ``sums`` are of blocks of :func:`epochs_of` epochs, ``rows`` (e,) how many samples each epoch holds, lost
    ones too. A block was not worn if some hour around it, received by ``share`` at least, was still; it was
    worn if it moved, or if all hours around it are known and none was still::

        hours     [---------)          received enough, still: not worn
                     [---------)       half of it lost: not known
        blocks    |  |  |  |  |  |
    """
    epochs, length = len(rows), epochs_of(seconds)
    per_hour = max(1, round(HOUR_S / (length * seconds)))
    starts = np.append(np.arange(0, epochs, length), epochs)
    expected = np.diff(starts) * seconds * rate_hz
    moves = sums.moves()
    blocks = len(moves)
    not_worn, uncertain = np.zeros(blocks, np.bool_), np.zeros(blocks, np.bool_)
    for first in range(max(1, blocks - per_hour + 1)):
        part = slice(first, first + per_hour)
        full = expected[part].sum() >= per_hour * length * seconds * rate_hz * 0.999
        hour = sums.together(part)
        if not full or hour.count[0] < share * expected[part].sum():
            uncertain[part] = True
        elif not hour.moves()[0]:
            not_worn[part] = True
    unknown = ~moves & (uncertain | (sums.count == 0))
    state = np.repeat(np.where(not_worn, NOT_WORN, np.where(unknown, UNKNOWN, WORN)), np.diff(starts))
    state[rows == 0] = UNKNOWN
    return np.asarray(state, np.int64)
