"""The sequence of beats for which most speaks: evidence of each, less what an odd interval costs."""

from __future__ import annotations

from math import log

import numpy as np

from nodeday.arrays import Floats, Ints

COST, SPREAD, FAR, REFRACTORY_S = 1.5, 0.3, 1.6, 0.2
"""An interval that differs by a third or more from the usual one costs ``COST``, as does one that is
longer than ``FAR`` usual ones, however long: a pause is not filled for its length. Choices of this
project."""
ACROSS = 0.5
"""Share of the cost of an interval across lost samples: beats between may be lost too."""


def likeliest(at_s: Floats, evidence: Floats, usual_s: Floats, stretch: Ints) -> Ints:
    """Indices of the sequence of candidates with the largest sum, by dynamic programming.

    ``at_s`` (c,) rises; ``usual_s`` (c,) is the usual interval around each candidate. Intervals below
    the refractory time do not occur.
    """
    worth = np.flatnonzero(evidence > -2 * COST)  # no rhythm can make up for less
    times, usual, value, own = (each[worth].tolist() for each in (at_s, usual_s, evidence, stretch))
    best, before = [0.0] * len(worth), [-1] * len(worth)
    top, top_at, far = -np.inf, -1, 0
    for i, now in enumerate(times):
        while far < i and times[far] <= now - FAR * usual[i]:
            if best[far] > top:
                top, top_at = best[far], far
            far += 1
        most, most_at = (top, top_at) if top > 0 else (0.0, -1)
        most -= COST
        for j in range(i - 1, far - 1, -1):
            apart = now - times[j]
            if apart < REFRACTORY_S:
                continue
            odd = log(apart / usual[i]) / SPREAD
            cost = COST * (min(odd * odd, 1.0) if own[i] == own[j] else ACROSS)
            if best[j] - cost > most:
                most, most_at = best[j] - cost, j
        best[i], before[i] = most + value[i], most_at
    chain = []
    at = int(np.argmax(best)) if best and max(best) > 0 else -1
    while at >= 0:
        chain.append(at)
        at = before[at]
    return np.asarray(worth[np.array(chain[::-1], np.int64)], np.int64)
