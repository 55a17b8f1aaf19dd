"""Origin and quality of samples as indices into their code lists; quality before any fill.

Measured samples lose quality at a rail, without an electrode, and in stretches without change.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from nodeday.core.arrays import Bools, runs, spread
from nodeday.schemas import codes

GOOD, CLIPPED, FLAT, NOT_MEASURED, LEAD_OFF, SHORT_FILL, PATTERN_FILL, NEAR_GAP, FILL_REFUSED = range(9)
"""Indices into ``codes.QUALITY``."""
MEASURED, RECOVERED, INTERPOLATED, MISSING = range(4)
"""Indices into ``codes.ORIGIN``, from the strongest to the weakest."""
FLAT_MS = 200.0
"""Least time for which an ECG without a change by one count is no ECG. A choice of this project."""
LEAD_OFF_S = 1.0
"""Least time at a rail that no body voltage explains. A choice of this project."""

if list(codes.QUALITY) != [
    "good",
    "clipped",
    "flat",
    "not_measured",
    "lead_off",
    "short_fill",
    "pattern_fill",
    "near_gap",
    "fill_refused",
]:
    raise ImportError("the codes of quality changed; nodeday.stages.repair.quality must follow")
if list(codes.ORIGIN) != ["measured", "recovered", "interpolated", "missing"]:
    raise ImportError("the codes of origin changed; nodeday.stages.repair.quality must follow")


def clipped(counts: NDArray[np.int32], rails: tuple[int, int] | None) -> Bools:
    """Return which counts (n,) lie at or beyond a rail of the converter."""
    if rails is None:
        return np.zeros(len(counts), np.bool_)
    return np.asarray((counts <= rails[0]) | (counts >= rails[1]), np.bool_)


def flat(counts: NDArray[np.int32], present: Bools, least: float) -> Bools:
    """Return which samples (n,) of a boot belong to ``least`` or more equal counts in a row, all present."""
    same = present[1:] & present[:-1] & (counts[1:] == counts[:-1])
    starts, ends = runs(same)
    long = ends + 1 - starts >= least  # a run of k equalities joins k + 1 samples
    return spread(starts[long], ends[long] + 1, len(counts))


def lead_off(at_rail: Bools, least: float) -> Bools:
    """Return which samples (n,) belong to ``least`` or more in a row at a rail."""
    if not at_rail.any():
        return at_rail
    starts, ends = runs(at_rail)
    long = ends - starts >= least
    return spread(starts[long], ends[long], len(at_rail))


def grade(present: Bools, at_rail: Bools, still: Bools, off: Bools) -> NDArray[np.int8]:
    """Return the index into ``codes.QUALITY`` of each sample (n,) before any fill.

    Masks (n,): ``present`` was received, ``still`` is from :func:`flat`, ``off`` from :func:`lead_off`. Of
    several faults of a sample the worst counts: lead off, then a rail, then no change.
    """
    out = np.where(present, np.int8(GOOD), np.int8(NOT_MEASURED))
    for mask, code in ((still, FLAT), (at_rail, CLIPPED), (off, LEAD_OFF)):
        if mask.any():
            out[mask] = code
    return out
