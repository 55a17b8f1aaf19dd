"""Models and measures of how losses cluster."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Bools = NDArray[np.bool_]

GMIN = 16
"""Losses with fewer received frames between them belong to one burst (RFC 3611 section 4.7.2)."""


@dataclass(frozen=True)
class Gilbert:
    """Gilbert's two states, nan where a stream never left one; lower ``p`` and higher ``r`` are
    better. ``p`` = n01 / n0 is the chance that a loss follows a received frame, ``r`` = n10 / n1
    that a received frame follows a loss."""

    p: float
    r: float

    @property
    def loss(self) -> float:
        """Share lost in the long run, p / (p + r)."""
        return self.p / (self.p + self.r)

    @property
    def mean_burst(self) -> float:
        """Mean run of losses in frames, 1 / r."""
        return 1.0 / self.r


def gilbert(lost: Bools) -> Gilbert:
    """Gilbert model of one stretch, (n,) flags in order of sequence, by counts of transitions."""
    before, after = lost[:-1], lost[1:]
    received, missing = int((~before).sum()), int(before.sum())
    p = int((~before & after).sum()) / received if received else float("nan")
    r = int((before & ~after).sum()) / missing if missing else float("nan")
    return Gilbert(p, r)


def gilbert_of(loss: float, mean_burst: float) -> Gilbert:
    """The model with a given share lost and mean burst in frames: r = 1 / b, p = r L / (1 - L)."""
    r = 1.0 / mean_burst
    return Gilbert(r * loss / (1.0 - loss), r)


def burst_ratio(lost: Bools) -> float:
    """Mean run of losses over that of independent losses, mean run x (1 - L); 1 is independent,
    more is burstier. After McGowan's burst ratio, in the stream its tests name. nan without loss."""
    runs = int((lost & ~np.concatenate([[False], lost[:-1]])).sum())
    if not runs:
        return float("nan")
    return float(lost.sum() / runs * (1.0 - lost.mean()))


def bursts(lost: Bools, gmin: int = GMIN) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Half-open bursts of RFC 3611: first and one past the last loss of each, (b,) and (b,).

    Losses with fewer than ``gmin`` received frames between them share a burst; a lone loss is
    one too, since whether to count it as gap loss is left to the reader.
    """
    at = np.flatnonzero(lost)
    if not len(at):
        return np.empty(0, np.int64), np.empty(0, np.int64)
    cut = np.flatnonzero(np.diff(at) - 1 >= gmin)
    return at[np.concatenate([[0], cut + 1])], at[np.concatenate([cut, [len(at) - 1]])] + 1
