r"""Pattern fill of lost ECG: from beats of the same recording that look alike on both sides of the gap.

::

    context, 350 ms   gap    context, 350 ms        the context on both sides is compared with every
    ...__/\__.......______......._/~\_...           complete stretch of the minute on either side, or
                                                    of five; those that fit best vote on the beat in
    ..._/\__/\/|_____/~\_...  (elsewhere)           the gap, and the winners fill it together

The search runs on means of about 20 ms first (:mod:`~nodeday.stages.repair.candidates`), then sample by
sample around the best candidates, which vote and are blended so that together they fit the context best
(:mod:`~nodeday.stages.repair.blend`). A straight line over the fill takes up what is left at its edges.

Filling by similar stretches is a method of many fields; this form and its constants are choices of this
project, made on records of the MIT-BIH Arrhythmia Database (benchmarks/repair.py).
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from nodeday.core.arrays import Bools, Floats, Ints
from nodeday.stages.repair.blend import CONTEXT_S, LONGEST_S, StackedCandidates
from nodeday.stages.repair.candidates import CANDIDATES, SEARCH_S, Bins

__all__ = [
    "CONTEXT_S",
    "LONGEST_S",
    "SEARCH_S",
    "PatternMatch",
    "good_enough",
    "pattern",
    "seamed",
    "stack_candidates",
    "without_qrs",
]

LEAST_LIKENESS, LEAST_SUPPORT = 0.5, 0.6
"""Least correlation of the contexts, and least share of the vote for the beat of the fill; below, no fill."""
MOST_STEEP = 0.1
"""Largest share of the vote for a QRS in a gap that counts as one without a QRS."""
BLOCK_S = 60.0
"""Gaps that begin within this time are searched for together."""
BATCH = 128
"""Most gaps that vote at a time."""


@dataclass(frozen=True)
class PatternMatch:
    """How well the fills of gaps (g,) match their contexts.

    ``likeness`` is the correlation of the leading candidate with the context, 0 without a candidate.
    ``steep`` is the share of the vote for a part as steep as a QRS inside the gap. ``support`` is the share
    of the candidates that agree with the leading one. ``probability`` is from
    :func:`~nodeday.stages.repair.certainty.probability_right`, 0 without a candidate.
    """

    likeness: Floats
    steep: Floats
    support: Floats
    probability: Floats


def pattern(
    value: Floats, known: Bools, starts: Ints, ends: Ints, rate_hz: float
) -> tuple[list[Floats], PatternMatch]:
    """Return a fill for each gap [start, end) of ``value`` (n,), and how well the fills match.

    ``known`` (n,) tells which samples may be learnt from; the neighbours of each gap must be known. Raises
    ValueError for a gap longer than ``LONGEST_S``. A gap without a candidate has a fill of NaN. Fills that
    match badly are returned too: see :func:`good_enough`.
    """
    if (ends - starts > LONGEST_S * rate_hz + 1).any():
        raise ValueError("a gap is longer than a pattern may fill")
    x = np.where(known, value, 0.0)
    fills = [np.full(end - start, np.nan) for start, end in zip(starts, ends, strict=True)]
    match = np.zeros((4, len(starts)))
    for which, stack in stack_candidates(x, known, starts, ends, rate_hz):
        choice = stack.choose()
        match[:, which] = choice.likeness, choice.steep, choice.support, choice.probability
        for gap, row in zip(which.tolist(), choice.fill, strict=True):
            fills[gap] = seamed(row, x[starts[gap] - 1], x[ends[gap]])
    return fills, PatternMatch(*match)


def stack_candidates(
    value: Floats, known: Bools, starts: Ints, ends: Ints, rate_hz: float
) -> Iterator[tuple[Ints, StackedCandidates]]:
    """Yield indices of gaps of one length, and their candidates from ``value`` (n,), until all gaps are done.

    Arguments are as in :func:`pattern`.
    """
    level = np.where(known, value - _centre(value[known]), 0.0).astype(np.float32)
    bins = Bins.of(level, known, rate_hz)
    candidate = np.full((len(starts), CANDIDATES), -1, np.int64)
    for which in _blocks(starts, round(BLOCK_S * rate_hz)):
        candidate[which] = bins.candidates(starts[which], ends[which])
    lost = np.concatenate([[0], np.cumsum(~known, dtype=np.int32)])
    for length in np.unique(ends - starts).tolist():
        same = np.flatnonzero(ends - starts == length)
        for at in range(0, len(same), BATCH):
            which = same[at : at + BATCH]
            yield (
                which,
                StackedCandidates.of(
                    level, known, lost, starts[which], length, candidate[which], bins.width, rate_hz
                ),
            )


def _centre(value: Floats) -> float:
    """Return the mean of ``value`` (n,), rounded to a multiple of a power of two.

    The power is so coarse that another cut of the recording nearly always gives the same mean, and with it
    the same bits in single precision.
    """
    if not len(value):
        return 0.0
    step = 2.0 ** np.ceil(np.log2(max(16 * value.std(), 1e-9)))
    return float(np.rint(value.mean() / step) * step)


def good_enough(match: PatternMatch) -> Bools:
    """Return which gaps (g,) have a fill that matches well enough to be used."""
    return np.asarray((match.likeness >= LEAST_LIKENESS) & (match.support >= LEAST_SUPPORT), np.bool_)


def without_qrs(match: PatternMatch) -> Bools:
    """Return which gaps (g,) hold no part of a QRS, by their candidates."""
    return np.asarray((match.likeness >= LEAST_LIKENESS) & (match.steep <= MOST_STEEP), np.bool_)


def _blocks(starts: Ints, width: int) -> Iterator[Ints]:
    """Yield the indices of the gaps that begin in one block of ``width`` samples, in order."""
    block = starts // width
    edges = np.flatnonzero(np.diff(block, prepend=-1, append=-1))
    for first, last in itertools.pairwise(edges):
        yield np.arange(first, last)


def seamed(row: Floats, before: float, after: float) -> Floats:
    """Return a fill (L,) that joins its neighbours, from one with an outer sample on each side (L + 2,).

    A straight line is added that moves the outer samples onto ``before`` and ``after``, the known ones.
    """
    share = np.linspace(0.0, 1.0, len(row))
    return np.asarray((row + (before - row[0]) * (1 - share) + (after - row[-1]) * share)[1:-1], np.float64)
