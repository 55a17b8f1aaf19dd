"""Beats of a recording with its short holes bridged: what losses can be replayed on, wherever it is lossy.

The beats on both sides of a hole are known, and so is the sum of the intervals between them. It is divided
into as many as the usual interval goes into it, along the straight line between the intervals around::

    recorded  R   R   R  xxxxxxxxx  R   R        x lost
    bridged   R   R   R   r   r   r R   R        r made up

No value is ever computed from what is made up here: it stands for the truth in replays alone. A choice of
this project."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from nodeday.arrays import Bools, Floats, Ints
from nodeday.features.heart.artefacts import local_median
from nodeday.features.heart.intervals import FIRST, TOO_LONG, TOUCHES_GAP
from nodeday.features.heart.rates import Series, counted

SECOND = 1_000_000_000
LONGEST_MS = 10_000.0
"""A longer hole ends a stretch."""
SLACK_NS = 2 * SECOND
"""A window may reach so far past the first or last beat of its stretch, about an interval."""


@dataclass(frozen=True)
class Bridged:
    """Beats (b,) in order: ``at_ns``, the interval ``rr`` before each in ms, whether a beat is the
    ``first`` of a stretch, and whether its interval was ``made`` up."""

    at_ns: Ints
    rr: Floats
    first: Bools
    made: Bools

    @property
    def stretches(self) -> tuple[Ints, Ints]:
        """First and last beat (s,) of each stretch, as instants."""
        begin = np.flatnonzero(self.first)
        return self.at_ns[begin], self.at_ns[np.concatenate([begin[1:], [len(self.first)]])[: len(begin)] - 1]

    def hold(self, starts_ns: Ints, ends_ns: Ints) -> Bools:
        """Which windows, of any shape, lie in one stretch."""
        begin, end = self.stretches
        if not len(begin):
            return np.zeros(starts_ns.shape, np.bool_)
        own = np.maximum(np.searchsorted(begin, starts_ns + SLACK_NS, side="right") - 1, 0)
        fits = (begin[own] <= starts_ns + SLACK_NS) & (ends_ns <= end[own] + SLACK_NS)
        return np.asarray(fits, np.bool_)

    def untouched(self, starts_ns: Ints, ends_ns: Ints) -> Bools:
        """In which windows (w,) no interval was made up."""
        total = np.concatenate([[0], np.cumsum(self.made)])
        low, high = (np.searchsorted(self.at_ns, each) for each in (starts_ns, ends_ns))
        return np.asarray(total[high] == total[low], np.bool_)


def bridged(series: Series) -> Bridged:
    """``series`` with its holes of up to ``LONGEST_MS`` bridged, as drawn above."""
    known = counted(series.status)
    usual = local_median(series.rr, known)
    cut = np.isin(series.status, (FIRST, TOO_LONG)) | ~(series.rr <= LONGEST_MS) | np.isnan(usual)
    hole = (series.status == TOUCHES_GAP) & ~cut
    ratio = np.divide(series.rr, usual, out=np.ones(len(usual)), where=hole)
    parts = np.maximum(np.rint(ratio), 1).astype(np.int64)
    own = np.repeat(np.arange(len(parts)), parts)
    made = hole[own]
    rr = np.where(made, _on_the_line(series.rr[own], known[own]), series.rr[own])
    sums = np.bincount(own, np.where(made, rr, 0.0), len(parts))
    scale = np.divide(series.rr, sums, out=np.ones(len(parts)), where=hole & (sums > 0))
    rr = np.where(cut[own], np.nan, rr * scale[own])
    total = np.cumsum(np.where(made, rr, 0.0))
    to_come = total[np.cumsum(parts) - 1][own] - total
    return Bridged(series.at_ns[own] - np.rint(to_come * 1e6).astype(np.int64), rr, cut[own], made)


def _on_the_line(rr: Floats, known: Bools) -> Floats:
    """Each interval (b,) on the straight line between the ``known`` ones (b,) around it."""
    at = np.flatnonzero(known)
    if not len(at):
        return rr
    return np.asarray(np.interp(np.arange(len(rr)), at, rr[at]), np.float64)
