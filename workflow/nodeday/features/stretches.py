"""Continuous stretches of samples: the only places where a filter or a difference may run."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]


def runs(mask: Bools) -> tuple[Ints, Ints]:
    """Half-open [start, end) of each run of true values of ``mask`` (n,), in order."""
    edges = np.diff(np.concatenate([[0], np.asarray(mask, np.int8), [0]]))
    return np.flatnonzero(edges == 1), np.flatnonzero(edges == -1)
