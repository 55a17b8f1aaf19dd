"""Lost ECG from the same recording's beats that look alike on both sides of the gap.

::

    context, 350 ms   gap    context, 350 ms        the context on both sides is laid over every
    ...__/\\__.......______......._/~\\_...           whole stretch of the minute on either side, or of
                                                    five; those that fit best vote on the beat in the
    ..._/\\__/\\/|_____/~\\_...  (elsewhere)           gap, and the winners fill it together

The search runs on means of about 20 ms first (:mod:`places`), then sample by sample around the best places
(:mod:`vote`); the winners are mixed so that together they give the context best (:mod:`blend`). What is left
at the edges is spread over the fill as a straight line.

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
from nodeday.stages.repair.candidates import PLACES, SEARCH_S, Bins

__all__ = [
    "CONTEXT_S",
    "LONGEST_S",
    "SEARCH_S",
    "PatternMatch",
    "good_enough",
    "pattern",
    "seamed",
    "stretches",
    "without_qrs",
]

LEAST_LIKENESS, LEAST_SUPPORT, MOST_DOUBT = 0.5, 0.6, 0.1
"""Below such a correlation of the contexts, or where the stretches that agree on the beat in the gap hold
less than such a share of the vote, nothing is filled. Up to the last share, a gap is without a QRS."""
BLOCK_S = 60.0
BATCH = 128


@dataclass(frozen=True)
class PatternMatch:
    """How the gaps (g,) were matched: ``likeness`` is the correlation of the leading stretch with the context
    (0 where there is none), ``steep`` the share of the vote for a part as steep as a QRS inside the gap,
    ``support`` that of the stretches which agree with the leading one.
    """

    likeness: Floats
    steep: Floats
    support: Floats


def pattern(
    value: Floats, known: Bools, starts: Ints, ends: Ints, rate_hz: float
) -> tuple[list[Floats], PatternMatch]:
    """A fill for each gap [start, end) of ``value`` (n,), and how well it matched.

    ``known`` (n,) says which samples may be learnt from. The samples beside each gap must be known.
    Raises ValueError for a gap longer than ``LONGEST_S``. A gap without any likeness has a fill of NaN.
    Nothing is refused here: see :func:`good_enough`.
    """
    if (ends - starts > LONGEST_S * rate_hz + 1).any():
        raise ValueError("a gap is longer than a pattern may fill")
    x = np.where(known, value, 0.0)
    fills = [np.full(end - start, np.nan) for start, end in zip(starts, ends, strict=True)]
    likeness, steep, support = np.zeros((3, len(starts)))
    for which, laid in stretches(x, known, starts, ends, rate_hz):
        told = laid.chosen()
        likeness[which], steep[which], support[which] = told.likeness, told.steep, told.support
        for gap, row in zip(which.tolist(), told.fill, strict=True):
            fills[gap] = seamed(row, x[starts[gap] - 1], x[ends[gap]])
    return fills, PatternMatch(likeness, steep, support)


def stretches(
    value: Floats, known: Bools, starts: Ints, ends: Ints, rate_hz: float
) -> Iterator[tuple[Ints, StackedCandidates]]:
    """Which gaps (g,), all of one length, and the stretches of ``value`` (n,) that look alike around them."""
    level = np.where(known, value - _centre(value[known]), 0.0).astype(np.float32)
    bins = Bins.of(level, known, rate_hz)
    places = np.full((len(starts), PLACES), -1, np.int64)
    for which in _blocks(starts, round(BLOCK_S * rate_hz)):
        places[which] = bins.places(starts[which], ends[which])
    lost = np.concatenate([[0], np.cumsum(~known, dtype=np.int32)])
    for length in np.unique(ends - starts).tolist():
        same = np.flatnonzero(ends - starts == length)
        for at in range(0, len(same), BATCH):
            which = same[at : at + BATCH]
            yield (
                which,
                StackedCandidates.of(
                    level, known, lost, starts[which], length, places[which], bins.width, rate_hz
                ),
            )


def _centre(value: Floats) -> float:
    """The mean of ``value`` (n,) to a multiple of a power of two so coarse that another cut of the recording
    gives the same one nearly always, and with it the same bits in single precision.
    """
    if not len(value):
        return 0.0
    step = 2.0 ** np.ceil(np.log2(max(16 * value.std(), 1e-9)))
    return float(np.rint(value.mean() / step) * step)


def good_enough(match: PatternMatch) -> Bools:
    """Which fills (g,) may stand."""
    return np.asarray((match.likeness >= LEAST_LIKENESS) & (match.support >= LEAST_SUPPORT), np.bool_)


def without_qrs(match: PatternMatch) -> Bools:
    """Which gaps (g,) hold no part of a QRS, by their fills."""
    return np.asarray((match.likeness >= LEAST_LIKENESS) & (match.steep <= MOST_DOUBT), np.bool_)


def _blocks(starts: Ints, width: int) -> Iterator[Ints]:
    """Indices of gaps, in order, that begin within the same ``width`` samples."""
    block = starts // width
    edges = np.flatnonzero(np.diff(block, prepend=-1, append=-1))
    for first, last in itertools.pairwise(edges):
        yield np.arange(first, last)


def seamed(row: Floats, before: float, after: float) -> Floats:
    """A fill with its two outer samples (L + 2,), which lie over known ones, moved onto these: (L,)."""
    share = np.linspace(0.0, 1.0, len(row))
    return np.asarray((row + (before - row[0]) * (1 - share) + (after - row[-1]) * share)[1:-1], np.float64)
