"""How much a node moves: ENMO, MAD and the vector magnitude, from received samples alone."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from nodeday.arrays import Bools, Floats, Ints
from nodeday.features.motion.ruler import count, total
from nodeday.features.windows import ratio


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
