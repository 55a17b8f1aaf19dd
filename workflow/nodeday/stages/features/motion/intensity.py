"""How much a node moves: ENMO, MAD and the vector magnitude, from received samples alone."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from nodeday.core.arrays import Bools, Floats, Ints
from nodeday.stages.features.motion.subwindows import count, total
from nodeday.stages.features.windows import ratio


def enmo_mg(acceleration_g: Floats) -> Floats:
    """Euclidean norm minus one, mg, never below zero: (n, 3) in g -> (n,).

    max(|a| - 1 g, 0), van Hees et al. 2013, from memory. More is more movement.
    """
    x, y, z = np.asarray(acceleration_g, np.float64).T
    return above_gravity_mg(magnitude(x, y, z))


def magnitude(x: NDArray[np.floating], y: NDArray[np.floating], z: NDArray[np.floating]) -> Floats:
    """Vector magnitude (n,) in the axes' unit."""
    square = np.square(x, dtype=np.float64)
    square += np.square(y, dtype=np.float64)
    square += np.square(z, dtype=np.float64)
    return np.asarray(np.sqrt(square, out=square), np.float64)


def above_gravity_mg(norm_g: Floats) -> Floats:
    """max(|a| - 1 g, 0) in mg of a vector magnitude (n,) in g."""
    out = norm_g - 1.0
    np.maximum(out, 0.0, out=out)
    out *= 1000.0
    return np.asarray(out, np.float64)


def mad_mg(norm_g: Floats, got: Bools, places: Ints) -> Floats:
    """Mean amplitude deviation (k,) of each window, mg; NaN without a received sample.

    mean(|r - mean(r)|) of the vector magnitude r, Vähä-Ypyä et al. 2015 (doi 10.1111/cpf.12127 and
    10.1371/journal.pone.0134813; formula from memory). A constant offset of r cancels.
    """
    held = count(got, places)
    middle = ratio(total(norm_g, got, places), held)
    off = norm_g[: places[-1]] - np.repeat(middle, np.diff(places))
    np.abs(off, out=off)
    return 1000.0 * ratio(total(off, got[: places[-1]], places), held)


@dataclass(frozen=True)
class CutPoints:
    """3 and 6 MET in mg of ``metric``, taken over windows of ``seconds``; adults."""

    metric: Literal["mad", "enmo"]
    seconds: float
    met3_mg: float
    met6_mg: float
    source: str


CUT_POINTS = {
    "hip": CutPoints(
        "mad",
        6.0,
        91.0,
        414.0,
        "Vähä-Ypyä et al. 2015, doi 10.1371/journal.pone.0134813 "
        "(cut-points read in its abstract; windows of 6 s from memory)",
    ),
    "wrist": CutPoints(
        "enmo",
        1.0,
        100.6,
        428.8,
        "Hildebrand et al. 2014, non-dominant wrist, adults, "
        "from memory: 3 and 6 MET on VO2 = 0.0320 ENMO + 7.28 ml/kg/min",
    ),
}
"""By part of the body. No cut-point for the chest or the ankle was found, and none is borrowed."""


def words_of(placement: str) -> set[str]:
    """The parts of a placement's name: ``left_wrist`` is a wrist."""
    return set(placement.lower().replace("-", "_").split("_"))


def cut_points_of(placement: str) -> CutPoints | None:
    """The published cut-points of a placement; None where there are none."""
    words = words_of(placement)
    return next((points for part, points in CUT_POINTS.items() if part in words), None)


def shares(metric_mg: Floats, known: Bools, points: CutPoints) -> tuple[Floats, Floats, Floats]:
    """Shares (count,) of each epoch's ``known`` windows (count, parts) below 3 MET, from there to
    below 6 MET, and from 6 MET; NaN without a known window.
    """
    held = known.sum(axis=1)
    low, high = metric_mg < points.met3_mg, metric_mg >= points.met6_mg
    bands = [np.sum(band & known, axis=1) for band in (low, ~low & ~high, high)]
    with np.errstate(invalid="ignore"):
        below, between, above = (np.asarray(band / np.where(held, held, np.nan)) for band in bands)
    return below, between, above
