"""Probability that a fill shows what its gap held: each beat within 20 ms, and no other.

A logistic model of two facts that are known at the time of the fill: the length of the gap, and how much of
the context the best candidate leaves unexplained. The longer the gap and the larger the rest, the less
likely is a fill to be right. Three kinds of content have a line each::

    inside   .../\\_...     the candidates show a QRS whose centre lies in the gap
    flank    ..../|...     they show a part of a QRS, its centre lies outside
    quiet    .......__.    they show no part of a QRS

``LINES`` come from ``benchmarks/repair_certainty.py fit``: gaps in ten records of the MIT-BIH Arrhythmia
Database, which the program fills and compares with what was there. It also measures how far stated
probabilities can be trusted, on each record by lines fitted on the others. The share of the vote, the spread
of its beats and the candidates' correlation told no more about records that were left out.
"""

from __future__ import annotations

import numpy as np

from nodeday.core.arrays import Bools, Floats, Ints

INSIDE, FLANK, QUIET = range(3)
LINES = (
    (3.0, -3.0, -0.9),
    (2.0, -1.0, -0.9),
    (4.0, -3.0, -2.0),
)
"""Intercept and slopes of each kind of content, in the order of the columns of :func:`evidence`."""
LEAST_REST = 0.003
"""Added to the unexplained share, or a perfect candidate would be a certainty. A choice of this project."""


def content(centre: Floats, has_qrs: Bools, length: int) -> Ints:
    """Return the kind of content (g,) of gaps of ``length`` samples.

    ``centre`` (g,) is where the candidates see the beat, in samples from the start of the gap; ``has_qrs``
    (g,), whether they show any part of a QRS in it.
    """
    inside = (centre >= 0) & (centre <= length - 1)
    return np.where(has_qrs, np.where(inside, INSIDE, FLANK), QUIET)


def evidence(length_s: float, rest: Floats) -> Floats:
    """Return the facts (g, 3) about fills of ``length_s`` seconds: one, the length, the logarithm of the rest.

    ``rest`` (g,) is the share of the context that the best candidate leaves unexplained.
    """
    constant = np.ones(len(rest))
    return np.stack([constant, length_s * constant, np.log(rest + LEAST_REST)], axis=1)


def probability_right(kind: Ints, facts: Floats) -> Floats:
    """Return the probability (g,) that fills are right, from :func:`content` and :func:`evidence`."""
    score = (np.array(LINES)[kind] * facts).sum(axis=1)
    return np.asarray(1 / (1 + np.exp(-score)), np.float64)
