"""How irregular the beats of a window are, and whether variability means anything there.

Measured by the coefficient of sample entropy of Lake and Moorman, "Accurate estimation of entropy in very
short physiological time series", Am. J. Physiol. Heart Circ. Physiol. 300, 2011 (constants from memory): of
all pairs of intervals that are alike within 30 ms, the share whose next intervals are alike too, normalised
by the tolerance and the mean interval::

    B   pairs i < j with |RR[i] - RR[j]| < r        A   of these, pairs with |RR[i+1] - RR[j+1]| < r
    irregularity = -ln(A / B) + ln(2 r) - ln(mean RR)

A heart in sinus rhythm that breathes deeply is as irregular by this measure as some that follow no pattern,
but none of its beats come too early. So variability is withheld only where the measure and the share of odd
intervals both say so; that is a choice of this project.
"""

from __future__ import annotations

import numpy as np

from nodeday.core.arrays import Bools, Floats, Ints
from nodeday.stages.features.heart.intervals import ARTEFACT, BEAT_IN_FILL, ECTOPIC
from nodeday.stages.features.heart.rates import BeatSeries, for_rate
from nodeday.stages.features.windows import ratio

WINDOW_S, TOLERANCE_MS = 300.0, 30.0
"""Five minutes around an epoch hold enough pairs also of a deeply breathing heart: a choice of this
project."""
LIMIT = -1.4
"""At and above it Lake and Moorman take the rhythm for irregular; from memory."""
ODD_SHARE = 0.1
"""Share of ectopic and artefact intervals, at and above which a window may be irregular. A choice of this
project."""
LEAST_ALIKE = 5
"""Fewest pairs ``A``, from memory of the same paper."""


def irregularity(series: BeatSeries, starts_ns: Ints, ends_ns: Ints) -> Floats:
    """Return the coefficient of sample entropy (w,) of the intervals that end in windows [start, end).

    NaN with fewer than five pairs that stay alike. All intervals between two beats that were seen count,
    ectopic ones too.
    """
    use = counted(series)
    low, high = series.within(starts_ns, ends_ns)
    if not use.any():
        return np.full(len(low), np.nan)
    rr = np.where(use, series.rr, np.nan).astype(np.float32)
    linked = np.concatenate([use[1:] & use[:-1], [False]])
    alike, stay = np.zeros((2, len(low)))
    for lag in range(1, int((high - low).max(initial=0)) - 1):
        with np.errstate(invalid="ignore"):
            near = np.abs(rr[lag:] - rr[:-lag]) < TOLERANCE_MS
        pair = near & linked[lag:] & linked[:-lag]
        both = pair.copy()
        both[:-1] &= near[1:]
        # Both intervals of a pair, and those that follow, end in the window.
        last = np.maximum(high - lag - 1, low)
        for total, mask in ((alike, pair), (stay, both)):
            sums = np.concatenate([[0], np.cumsum(mask)])
            total += sums[np.minimum(last, len(mask))] - sums[np.minimum(low, len(mask))]
    mean = _mean(np.where(use, series.rr, 0.0), use, low, high)
    share = ratio(stay, np.where(stay >= LEAST_ALIKE, alike, 0.0))
    return np.asarray(-np.log(share) + np.log(2 * TOLERANCE_MS) - np.log(mean), np.float64)


def too_irregular(series: BeatSeries, measure: Floats, starts_ns: Ints, ends_ns: Ints) -> Bools:
    """Return in which windows [start, end), (w,), beats are too irregular for variability to mean anything.

    ``measure`` (w,) is their :func:`irregularity`.
    """
    low, high = series.within(starts_ns, ends_ns)
    odd = np.isin(series.status, (ECTOPIC, ARTEFACT)).astype(np.float64)
    share = _mean(odd, counted(series), low, high)
    return np.asarray((measure >= LIMIT) & (share >= ODD_SHARE), np.bool_)


def counted(series: BeatSeries) -> Bools:
    """Return which intervals (b,) lie between two beats that were measured, pauses included."""
    return np.asarray(for_rate(series.status) & (series.status != BEAT_IN_FILL), np.bool_)


def _mean(values: Floats, use: Bools, low: Ints, high: Ints) -> Floats:
    """Return the mean (w,) of the ``values`` (b,) in ``use`` over each range [low, high)."""
    totals = (np.concatenate([[0.0], np.cumsum(part)]) for part in (np.where(use, values, 0.0), use))
    return ratio(*(total[high] - total[low] for total in totals))
