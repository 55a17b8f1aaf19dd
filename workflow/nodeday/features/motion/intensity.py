"""Motion features."""

from __future__ import annotations

import numpy as np

from nodeday.features.stretches import Floats


def enmo_mg(acceleration_g: Floats) -> Floats:
    """Euclidean norm minus one, mg, never below zero: (n, 3) in g -> (n,).

    max(|a| - 1 g, 0), van Hees et al. 2013, from memory. More is more movement.
    """
    norm = np.sqrt(np.sum(np.asarray(acceleration_g, np.float64) ** 2, axis=1))
    return np.asarray(1000.0 * np.maximum(norm - 1.0, 0.0), np.float64)
