"""What speaks against each sample: rails, stretches without change, never measured."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from nodeday.repair.gaps import runs, spread
from nodeday.schemas import codes

Bools = NDArray[np.bool_]

GOOD, CLIPPED, FLAT, NOT_MEASURED = range(4)
FLAT_MS = 200.0
"""An ECG that does not move by one count for so long is no ECG. A choice of this project."""

if list(codes.QUALITY) != ["good", "clipped", "flat", "not_measured"]:
    raise ImportError("the codes of quality changed; nodeday.repair.quality must follow")


def clipped(counts: NDArray[np.int32], rails: tuple[int, int] | None) -> Bools:
    """Which counts (n,) lie at or beyond a rail of the converter."""
    if rails is None:
        return np.zeros(len(counts), np.bool_)
    return np.asarray((counts <= rails[0]) | (counts >= rails[1]), np.bool_)


def flat(counts: NDArray[np.int32], present: Bools, boot: NDArray[np.int32], least: float) -> Bools:
    """Which samples (n,) belong to ``least`` or more equal counts in a row, all present, in one boot."""
    same = present[1:] & present[:-1] & (counts[1:] == counts[:-1]) & (boot[1:] == boot[:-1])
    starts, ends = runs(same)
    long = ends + 1 - starts >= least  # a run of k equalities joins k + 1 samples
    return spread(starts[long], ends[long] + 1, len(counts))


def grade(present: Bools, at_rail: Bools, still: Bools) -> NDArray[np.int8]:
    """Index into ``codes.QUALITY`` for each sample (n,); a rail is told before a flat stretch."""
    measured = np.where(at_rail, CLIPPED, np.where(still, FLAT, GOOD))
    return np.where(present, measured, NOT_MEASURED).astype(np.int8)
