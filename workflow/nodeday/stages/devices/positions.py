"""An accelerometer at rest in six positions: offset, gain, noise, cross-axis, and 1 g.

With an axis up it reads about +1 g, with the axis down about -1 g::

    m+ = offset + gain        offset = (m+ + m-) / 2
    m- = offset - gain        gain   = (m+ - m-) / 2

The textbook method (common practice, no source); 0.97 and -1.03 give an offset of -0.03 and a gain of 1.
A position tilted by an angle t loses 1 - cos(t) of its gain (0.2 mg at 1 degree) but shows sin(t)
(17 mg) on the other axes: tilt does little to offset and gain, and counts fully as cross-axis.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from nodeday.core.arrays import Floats

STILL_MG = 13.0
"""Spread of each axis below which a node is at rest: van Hees et al. 2014, from memory."""
LEAST_UP_G = 0.7
"""An axis that is up must read at least so many g, so that no other one can read more."""


@dataclass(frozen=True)
class Rest:
    """Readings of one position: mean (3,) in g, standard deviation (3,) in mg; NaN without samples."""

    up: str | None
    at_s: float
    samples: int
    mean_g: Floats
    spread_mg: Floats


def rest_of(up: str | None, at_s: float, acceleration_g: Floats) -> Rest:
    """Return the rest of one position from readings (n, 3) in g; empty below two readings."""
    if len(acceleration_g) < 2:
        return Rest(up, at_s, 0, np.full(3, np.nan), np.full(3, np.nan))
    spread = 1000 * acceleration_g.std(axis=0, ddof=1)
    return Rest(up, at_s, len(acceleration_g), acceleration_g.mean(axis=0), spread)


@dataclass(frozen=True)
class SixPositions:
    """Coefficients of an accelerometer.

    ``offset_g`` and ``gain`` (3,); ``cross_axis`` (3, 3): what a row's axis shows of 1 g on a column's axis,
    zero on the diagonal.
    """

    offset_g: Floats
    gain: Floats
    cross_axis: Floats


def six_positions(plus: Floats, minus: Floats) -> SixPositions:
    """Return the coefficients from mean readings in six positions.

    In g: row j of ``plus`` (3, 3) with axis j up, row j of ``minus`` (3, 3) with axis j down.
    """
    response = (plus - minus).T / 2
    offset = (np.diag(plus) + np.diag(minus)) / 2
    gain = np.diag(response).copy()
    return SixPositions(offset, gain, response - np.diag(gain))


def reads(mean_g: Floats, up: str) -> bool:
    """Return whether a mean reading (3,) in g is that of the axis ``up``, such as ``-y``."""
    along = mean_g["xyz".index(up[1])] * (1 if up[0] == "+" else -1)
    return bool(along >= LEAST_UP_G)


def from_1_g_mg(acceleration_g: Floats) -> Floats:
    """Return how far from 1 g each reading (n, 3) in g at rest is, (n,) in mg; nearer to 0 is better."""
    return np.asarray(1000 * (np.linalg.norm(acceleration_g, axis=1) - 1), np.float64)
