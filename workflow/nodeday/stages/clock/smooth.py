"""A clock's error as a state that is seen through noise: level and rate, the rate a random walk.

The state-space model behind cubic smoothing splines (Wahba 1978, from memory): second differences
of the level are independent and normal. Or the rate returns to its mean, as the temperature of a worn node
does (a process of Ornstein and Uhlenbeck, 1930). Levels at equal distances are solved for at once, as the
banded normal equations of that model, which is what a Kalman filter and the Rauch-Tung-Striebel
smoother give step by step.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from scipy.linalg import LinAlgError, cho_solve_banded, cholesky_banded

from nodeday.core.arrays import Floats

NEGLIGIBLE = 7.0
"""Wanders with a log posterior this far below the greatest (a factor of 1,100) are left out of a mean."""


@dataclass(frozen=True)
class Wander:
    """How a rate may wander: from block to block a share ``kept`` of it stays, and changes are added.

    ``bend`` is their standard deviation as second differences of the level, ``first`` that of the first
    difference of two levels, and ``log_prior`` the logarithm of its prior probability.
    """

    bend: float
    kept: float = 1.0
    first: float = np.inf
    log_prior: float = 0.0


@dataclass(frozen=True)
class Smooth:
    """Levels (b,) and their variances (b,), by a ``wander``."""

    level: Floats
    variance: Floats
    wander: Wander


def smooth(weighted: Floats, precision: Floats, wanders: Sequence[Wander]) -> Smooth:
    """Levels known to ``precision`` (b,) (1 / variance, 0 where unseen), ``weighted`` (b,) by it, b >= 3.

    Of ``wanders`` the most probable one is taken. Raises ValueError where too little is seen.
    """
    best = max(_solved(weighted, precision, wanders), key=lambda each: each.log_posterior)
    return Smooth(best.level, _variances(best.factor), best.wander)


def averaged(weighted: Floats, precision: Floats, wanders: Sequence[Wander]) -> tuple[Floats, Floats]:
    """Return levels (b,) and variances (b,) averaged over ``wanders``, by how likely each is.

    How the rate wanders is not known, and the variance holds that (as in Rue, Martino and Chopin 2009, from
    memory). Raises ValueError where too little is seen.
    """
    tried = _solved(weighted, precision, wanders)
    most = max(each.log_posterior for each in tried)
    tried = [each for each in tried if each.log_posterior > most - NEGLIGIBLE]
    share = np.exp([each.log_posterior - most for each in tried])
    share /= share.sum()
    levels = np.array([each.level for each in tried])
    variances = np.array([_variances(each.factor) for each in tried])
    level = share @ levels
    return level, share @ (variances + (levels - level) ** 2)


class _Solved(NamedTuple):
    """Levels (b,) by one wander; ``log_posterior`` is the wander's log probability, up to a constant."""

    wander: Wander
    level: Floats
    factor: Floats
    log_posterior: float


def _solved(weighted: Floats, precision: Floats, wanders: Sequence[Wander]) -> list[_Solved]:
    """Levels, factor of the normal equations and log posterior of each wander where these are regular."""
    found = []
    for wander in wanders:
        n, stiff = len(weighted), 1.0 / wander.bend**2
        band = _bands(n, wander.kept) * stiff
        band[2, :2] += wander.first**-2
        band[1, 1] -= wander.first**-2
        # Two readings or more settle level and rate; less than that leaves them nearly free.
        band[2] += np.maximum(precision, 1e-9)
        try:
            factor = np.asarray(cholesky_banded(band))
        except LinAlgError:
            continue
        level = np.asarray(cho_solve_banded((factor, False), weighted))
        log_posterior = (
            0.5 * float(weighted @ level) + 0.5 * (n - 2) * np.log(stiff) - np.sum(np.log(factor[2]))
        )
        log_posterior += wander.log_prior - (np.log(wander.first) if wander.first < np.inf else 0.0)
        found.append(_Solved(wander, level, factor, float(log_posterior)))
    if not found:
        raise ValueError("too little is seen to settle a level and a rate")
    return found


def _bands(n: int, kept: float) -> Floats:
    """Upper bands of D'D for differences D of the rate of n levels less what is ``kept`` of it: (3, n)."""
    out = np.zeros((3, n))
    steps = (kept, -1.0 - kept, 1.0)
    for row, step in enumerate(steps):
        for column, other in enumerate(steps):
            if column >= row:
                out[2 - (column - row), column : column + n - 2] += step * other
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
