"""Continuous stretches of samples: the only places where a filter or a difference may run."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]


def runs(mask: Bools) -> tuple[Ints, Ints]:
    """Half-open [start, end) of each run of true values of ``mask`` (n,), in order."""
    edges = np.diff(np.concatenate([[0], np.asarray(mask, np.int8), [0]]))
    return np.flatnonzero(edges == 1), np.flatnonzero(edges == -1)


def apply(values: Floats, starts: Ints, ends: Ints, function: Callable[[Floats], Floats]) -> Floats:
    """``function`` of each stretch of ``values`` (n,) by itself; zero outside the stretches."""
    out = np.zeros(len(values))
    for start, end in zip(starts, ends, strict=True):
        out[start:end] = function(values[start:end])
    return out


def edges_of(starts: Ints, ends: Ints, n: int) -> tuple[Ints, Ints]:
    """First and one past the last sample of the stretch that each sample (n,) belongs to.

    A sample outside all stretches is a stretch of its own, without length.
    """
    first, last = np.arange(n), np.arange(n)
    lengths = ends - starts
    inside = np.repeat(starts, lengths) + _ramp(lengths)
    first[inside], last[inside] = np.repeat(starts, lengths), np.repeat(ends, lengths)
    return first, last


def _ramp(lengths: Ints) -> Ints:
    """0, 1, ... for each length, joined."""
    return np.arange(lengths.sum()) - np.repeat(np.cumsum(lengths) - lengths, lengths)


def moving_mean(values: Floats, width: int, first: Ints, last: Ints) -> Floats:
    """Centred mean (n,) over ``width`` samples, cut off at the stretch [first, last) of each sample."""
    total = np.concatenate([[0.0], np.cumsum(values)])
    at = np.arange(len(values))
    low = np.maximum(at - width // 2, first)
    high = np.minimum(at + (width + 1) // 2, last)
    return np.asarray((total[high] - total[low]) / np.maximum(high - low, 1), np.float64)


def masked_mean(values: Floats, mask: Bools, width: int) -> Floats:
    """Centred mean (n,) of the masked ``values`` within ``width`` samples; zero where there are none."""
    total = np.concatenate([[0.0], np.cumsum(np.where(mask, values, 0.0))])
    count = np.concatenate([[0], np.cumsum(mask)])
    at = np.arange(len(values))
    low, high = np.maximum(at - width // 2, 0), np.minimum(at + (width + 1) // 2, len(values))
    return np.asarray((total[high] - total[low]) / np.maximum(count[high] - count[low], 1), np.float64)
