"""Windows shorter than an epoch, and sums over them of samples in order of time."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from nodeday.core.arrays import Bools, Floats, Ints
from nodeday.stages.features.windows import SECOND, Windows

Axes = Sequence[NDArray[np.floating]]
"""x, y and z, (n,) each, in g."""


@dataclass(frozen=True)
class SubWindows:
    """``parts`` equal windows in each epoch; window i is [edges_ns[i], edges_ns[i + 1])."""

    edges_ns: Ints
    parts: int

    @property
    def seconds(self) -> Floats:
        """Length of each window in s, (k,)."""
        return np.asarray(np.diff(self.edges_ns) / SECOND, np.float64)

    def edges_among(self, utc_ns: Ints) -> Ints:
        """Return the indices (k + 1,) of the windows' edges among ordered instants ``utc_ns`` (n,)."""
        return np.searchsorted(utc_ns, self.edges_ns).astype(np.int64)


def sub_windows(windows: Windows, seconds: float) -> SubWindows:
    """Return windows of about ``seconds`` that divide each epoch evenly; a shorter epoch is one window.

    >>> sub_windows(Windows(0, 30, 2), 6.0).parts, sub_windows(Windows(0, 4, 2), 6.0).parts
    (5, 1)
    """
    parts = max(1, round(windows.seconds / seconds))
    steps = np.arange(windows.count * parts + 1, dtype=np.int64)
    return SubWindows(windows.start_ns + steps * (windows.seconds * SECOND) // parts, parts)


def per_window(function: np.ufunc, values: NDArray[np.generic], edges: Ints, empty: float = 0.0) -> Floats:
    """Return ``function`` (add, minimum or maximum) over the ``values`` (n,) of each window, (k,).

    Window i holds the samples [edges[i], edges[i + 1]); ``edges`` (k + 1,) never falls. ``empty`` stands
    where a window holds no sample.
    """
    result = np.full(len(edges) - 1, empty)
    held = edges[1:] > edges[:-1]
    if held.any():
        result[held] = function.reduceat(values[: edges[-1]], edges[:-1][held], dtype=np.float64)
    return result


def count(mask: Bools, edges: Ints) -> Floats:
    """Return how many samples of each window are in ``mask`` (n,), (k,); ``edges`` (k + 1,)."""
    if mask.all():
        return np.diff(edges).astype(np.float64)
    return per_window(np.add, mask, edges)


def total(values: NDArray[np.floating], mask: Bools, edges: Ints) -> Floats:
    """Return the sum over each window of the ``values`` (n,) in ``mask`` (n,), (k,); ``edges`` (k + 1,)."""
    return per_window(np.add, values if mask.all() else np.where(mask, values, 0), edges)
