"""Intensity of movement: vector magnitude, ENMO and MAD, and the bands of published cut-points.

From received samples alone. Cut-points hold only for the placement that they were published for.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from nodeday.core.arrays import Bools, Floats, Ints
from nodeday.stages.features.motion.subwindows import count, total
from nodeday.stages.features.windows import ratio


def magnitude(x: NDArray[np.floating], y: NDArray[np.floating], z: NDArray[np.floating]) -> Floats:
    """Return the vector magnitude (n,) of three axes (n,), in their unit."""
    square = np.square(x, dtype=np.float64)
    square += np.square(y, dtype=np.float64)
    square += np.square(z, dtype=np.float64)
    return np.asarray(np.sqrt(square, out=square), np.float64)


def above_gravity_mg(norm_g: Floats) -> Floats:
    """Return ENMO, Euclidean norm minus one, in mg (n,), of a vector magnitude (n,) in g.

    max(|a| - 1 g, 0), van Hees et al. 2013, from memory. More is more movement.
    """
    above = norm_g - 1.0
    np.maximum(above, 0.0, out=above)
    above *= 1000.0
    return np.asarray(above, np.float64)


def mad_mg(norm_g: Floats, received: Bools, edges: Ints) -> Floats:
    """Return the mean amplitude deviation (k,) of each window in mg; NaN without a received sample.

    mean(|r - mean(r)|) of the ``received`` (n,) vector magnitudes r, ``norm_g`` (n,); window i holds the
    samples [edges[i], edges[i + 1]). Vähä-Ypyä et al. 2015 (doi 10.1111/cpf.12127 and
    10.1371/journal.pone.0134813; formula from memory). A constant offset of r cancels.
    """
    samples = count(received, edges)
    middle = ratio(total(norm_g, received, edges), samples)
    off = norm_g[: edges[-1]] - np.repeat(middle, np.diff(edges))
    np.abs(off, out=off)
    return 1000.0 * ratio(total(off, received[: edges[-1]], edges), samples)


@dataclass(frozen=True)
class CutPoints:
    """Cut-points of 3 and 6 MET in mg of ``metric``, taken over windows of ``seconds``; adults."""

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
    """Return the words of a placement's name: ``left_wrist`` is a wrist."""
    return set(placement.lower().replace("-", "_").split("_"))


def cut_points_of(placement: str) -> CutPoints | None:
    """Return the published cut-points of a placement; None where there are none."""
    words = words_of(placement)
    return next((points for part, points in CUT_POINTS.items() if part in words), None)


def band_shares(metric_mg: Floats, known: Bools, points: CutPoints) -> tuple[Floats, Floats, Floats]:
    """Return the shares of each epoch's windows below 3 MET, from 3 to below 6 MET, and from 6 MET, (e,).

    ``metric_mg`` and ``known`` (e, parts): only known windows count; NaN without one.
    """
    windows = known.sum(axis=1)
    low, high = metric_mg < points.met3_mg, metric_mg >= points.met6_mg
    bands = [np.sum(band & known, axis=1) for band in (low, ~low & ~high, high)]
    with np.errstate(invalid="ignore"):
        below, between, above = (np.asarray(band / np.where(windows, windows, np.nan)) for band in bands)
    return below, between, above
