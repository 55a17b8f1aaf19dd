r"""Probability that a fill shows what its gap held: each beat within 20 ms, and no other.

A logistic model of three facts that are known at the time of the fill: the length of the gap, how much of
the context the best candidate leaves unexplained, and on how many candidates the vote rests. The longer the
gap, the larger the rest and the fewer the voters, the less likely is a fill to be right. Three kinds of
content have a line each::

    inside   .../\_...     the candidates show a QRS whose centre lies in the gap
    flank    ..../|...     they show a part of a QRS, its centre lies outside
    quiet    .......__.    they show no part of a QRS

``LINES`` come from ``benchmarks/repair_certainty.py fit``: gaps in ten records of the MIT-BIH Arrhythmia
Database, which the program fills and compares with what was there. It also measures how far stated
probabilities can be trusted, on each record by lines fitted on the others. The share of the vote, the spread
of its beats and the candidates' correlation added nothing on records that were left out.
"""

from __future__ import annotations

import numpy as np

from nodeday.core.arrays import Bools, Floats, Ints

INSIDE, FLANK, QUIET = range(3)
LINES = (
    (0.38, -6.35, -1.11, 0.70),
    (-0.17, -0.11, -1.21, 0.73),
    (2.85, -1.69, -1.77, 0.07),
)
"""Intercept and slopes of each kind of content, in the order of the columns of :func:`evidence`."""
LEAST_REST = 0.003
"""Added to the unexplained share, or a perfect candidate would be a certainty. A choice of this project."""
LEAST_SQUARES = 1e-3
"""Instead of the sum of squares where there is no candidate and no fill."""


def content(centre: Floats, has_qrs: Bools, length: int) -> Ints:
    """Return the kind of content (g,) of gaps of ``length`` samples.

    ``centre`` (g,) is where the candidates see the beat, in samples from the start of the gap; ``has_qrs``
    (g,), whether they show any part of a QRS in it.
    """
    inside = (centre >= 0) & (centre <= length - 1)
    return np.where(has_qrs, np.where(inside, INSIDE, FLANK), QUIET)


def evidence(length_s: float, rest: Floats, share: Floats) -> Floats:
    """Return the facts (g, 4) about fills of ``length_s`` seconds.

    They are one, the length, the logarithm of ``rest`` (g,), the share of the context that the best candidate
    leaves unexplained, and the logarithm of the number of candidates that the vote rests on: that of equal
    shares with the same sum of squares as ``share`` (g, c), which is the inverse of that sum.
    """
    constant, voters = np.ones(len(rest)), 1 / np.maximum((share**2).sum(axis=1), LEAST_SQUARES)
    return np.stack([constant, length_s * constant, np.log(rest + LEAST_REST), np.log(voters)], axis=1)


def probability_right(kind: Ints, facts: Floats) -> Floats:
    """Return the probability (g,) that fills are right, from :func:`content` and :func:`evidence`."""
    score = (np.array(LINES)[kind] * facts).sum(axis=1)
    return np.asarray(1 / (1 + np.exp(-score)), np.float64)
