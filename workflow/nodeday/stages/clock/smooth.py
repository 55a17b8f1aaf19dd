"""A clock's error as a state that is seen through noise: level and rate, the rate a random walk.

The state-space model behind cubic smoothing splines (Wahba 1978, from memory): second differences
of the level are independent and normal. Levels at equal distances are solved for at once, as the
banded normal equations of that model, which is what a Kalman filter and the Rauch-Tung-Striebel
smoother give step by step.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.linalg import LinAlgError, cho_solve_banded, cholesky_banded

from nodeday.core.arrays import Floats

SURE = 1.0
"""What readings claim of their error counts as much as this many times what is seen of it. Choice of this
project, by simulated swings of temperature that are slow against few frames."""


@dataclass(frozen=True)
class Smooth:
    """Levels (b,) and their variances (b,).

    ``bend`` is the standard deviation of a second difference, and ``scale`` by how much readings err more
    than they claim, at least 1.
    """

    level: Floats
    variance: Floats
    bend: float
    scale: float


def smooth(seen: Floats, precision: Floats, bends: Floats) -> Smooth:
    """Levels behind ``seen`` (b,), known to ``precision`` (b,) (1 / variance, 0 where unseen), b >= 3.

    Of ``bends`` the one with the greatest marginal likelihood is taken, the readings' scale being
    estimated with it. Raises ValueError where too little is seen.
    """
    tried = [found for bend in bends.tolist() if (found := _solve(seen, precision, bend)) is not None]
    if not tried:
        raise ValueError("too little is seen to settle a level and a rate")
    bend, level, factor, scale, _ = max(tried, key=lambda each: each[-1])
    return Smooth(level, scale**2 * _variances(factor), bend * scale, scale)


def _solve(seen: Floats, precision: Floats, bend: float) -> tuple[float, Floats, Floats, float, float] | None:
    """Bend, levels, factor of the normal equations, scale and evidence; None where they are singular."""
    n, free = len(seen), max(int((precision > 0).sum()) - 2, 1)
    stiff = 1.0 / bend**2
    band = _bands(n) * stiff
    # Two readings or more settle level and rate; less than that leaves them nearly free.
    band[2] += np.maximum(precision, 1e-9)
    try:
        factor = cholesky_banded(band)
    except LinAlgError:
        return None
    level = cho_solve_banded((factor, False), precision * seen)
    misfit = np.sum(precision * (seen - level) ** 2) + stiff * np.sum(np.diff(level, 2) ** 2)
    square = max(misfit / free, 1.0)
    # Readings err about as much as they claim: else a wander would pass for noise.
    sure = SURE * free
    likely = max((misfit + sure) / (free + sure), 1.0)
    evidence = -0.5 * (misfit + sure) / likely - 0.5 * (free + sure) * np.log(likely)
    evidence += 0.5 * (n - 2) * np.log(stiff) - np.sum(np.log(factor[2]))
    return bend, np.asarray(level), np.asarray(factor), float(np.sqrt(square)), float(evidence)


def _bands(n: int) -> Floats:
    """Upper bands of D'D for second differences D of n levels, as scipy stores them: (3, n)."""
    out = np.zeros((3, n))
    for row, step in enumerate((1.0, -2.0, 1.0)):
        for column, other in enumerate((1.0, -2.0, 1.0)):
            if column >= row:
                start = column
                out[2 - (column - row), start : start + n - 2] += step * other
    return out


def _variances(factor: Floats) -> Floats:
    """Diagonal of the inverse of U'U from its banded factor U (3, n).

    By the recursion of Takahashi, Fagan and Chin (1973, from memory), which needs the inverse inside the band
    only.
    """
    n = factor.shape[1]
    main = factor[2].tolist()
    one = [*(factor[1, 1:] / factor[2, :-1]).tolist(), 0.0]
    two = [*(factor[0, 2:] / factor[2, :-2]).tolist(), 0.0, 0.0]
    out = np.zeros(n)
    a = b = c = d = e = 0.0  # inverse at (i+1, i+1), (i+1, i+2), (i+2, i+2)
    for i in range(n - 1, -1, -1):
        d = -one[i] * a - two[i] * b
        e = -one[i] * b - two[i] * c
        here = 1.0 / main[i] ** 2 - one[i] * d - two[i] * e
        out[i] = here
        a, b, c = here, d, a
    return out
