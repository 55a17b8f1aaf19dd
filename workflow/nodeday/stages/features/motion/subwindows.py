"""Windows shorter than an epoch, and sums over them of samples that stand in order of time."""

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
class Ruler:
    """``parts`` equal windows in each epoch; window i is [edges_ns[i], edges_ns[i + 1])."""

    edges_ns: Ints
    parts: int

    @property
    def seconds(self) -> Floats:
        """Length of each window, (k,)."""
        return np.asarray(np.diff(self.edges_ns) / SECOND, np.float64)

    def places(self, utc_ns: Ints) -> Ints:
        """Where each window begins among ordered instants (n,), and where the last one ends: (k + 1,)."""
        return np.searchsorted(utc_ns, self.edges_ns).astype(np.int64)


def ruler(windows: Windows, seconds: float) -> Ruler:
    """Windows of about ``seconds`` that divide each epoch evenly; an epoch shorter than that is one.

    >>> ruler(Windows(0, 30, 2), 6.0).parts, ruler(Windows(0, 4, 2), 6.0).parts
    (5, 1)
    """
    parts = max(1, round(windows.seconds / seconds))
    steps = np.arange(windows.count * parts + 1, dtype=np.int64)
    return Ruler(windows.start_ns + steps * (windows.seconds * SECOND) // parts, parts)


def per_window(function: np.ufunc, values: NDArray[np.generic], places: Ints, empty: float = 0.0) -> Floats:
    """``function`` (add, minimum or maximum) over ``values`` (n,) of each window, (k,); ``empty``
    where a window holds no sample. ``places`` (k + 1,) never falls.
    """
    out = np.full(len(places) - 1, empty)
    held = places[1:] > places[:-1]
    if held.any():
        out[held] = function.reduceat(values[: places[-1]], places[:-1][held], dtype=np.float64)
    return out


def count(mask: Bools, places: Ints) -> Floats:
    """How many samples of each window are in ``mask`` (n,), (k,)."""
    if mask.all():
        return np.diff(places).astype(np.float64)
    return per_window(np.add, mask, places)


def total(values: NDArray[np.floating], mask: Bools, places: Ints) -> Floats:
    """Sum over each window of the ``values`` (n,) that are in ``mask``, (k,)."""
    return per_window(np.add, values if mask.all() else np.where(mask, values, 0), places)
