"""Classification of RR intervals by those around them: usual, ectopic or artefact.

Each interval is held against the median of the 24 around it and against its two neighbours, and against
nothing else: what lies more than ``MARGIN`` intervals away changes no class.

- As in Xu and Schuckers (J. Electrocardiol. 34, 2001; as an open implementation states it), an interval is
  odd only where it differs from the median around *and* from its neighbour: a slow change differs from the
  first, a return to the usual from the second.
- Only what comes too early is odd by its length. A healthy heart slows down by half within a beat and
  quickens by little; the limits of Kamath and Fallen (1995; 32.5 % up, 24.5 % down, in an open
  implementation) lean the same way. A long interval is odd after an early beat, or where another beat would
  fit into it.
- An early interval is odd where it is shorter than both by the fifth of Malik's rule; or by a tenth, if the
  steps down to it and up from it are together as sharp as a limit that varies with the steps around, as in
  Lipponen and Tarvainen (J. Med. Eng. Technol. 43, 2019).

Intervals are classified and never corrected, and a difference is taken only between two usable intervals that
follow each other.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from nodeday.core.arrays import Bools, Floats, Ints, Singles

ECTOPIC_FOUND, ARTEFACT_FOUND = 1, 2
HALF, REACH_S, LEAST_AROUND = 12, 60.0, 3
"""Intervals on either side that count as around, as in Xu and Schuckers; how far away they may lie, and the
fewest of them: choices of this project."""
STEEP = 0.2
"""An early interval that is shorter by a fifth needs no further sign; Malik's rule, from memory."""
LEAST, TIMES = 0.1, 5.2
"""What is early by less than a tenth is usual, a choice of this project. The limit is 5.2 medians of the
steps around: 3.5 standard deviations of normal ones, as 5.2 quartile deviations are in Lipponen and
Tarvainen. It is a tenth at least and a fifth at most."""
ROOM = 1.6
"""Two intervals of four fifths of the median, the shortest that are not steep, fit into so long a one."""
LONGEST_RUN = 12
"""Odd intervals that follow an early one. A choice of this project."""
MARGIN = 2 * HALF + LONGEST_RUN + 2
"""An interval's class rests on no interval farther away: the median and the steps around its neighbours, and
the early interval that began its run."""


@dataclass(frozen=True)
class Around:
    """What is usual around each of b intervals.

    ``median`` (b,) of those around in ms, NaN where fewer than three are known; ``limit`` (b,), the share of
    it by which an early interval may differ.
    """

    median: Floats
    limit: Floats

    @classmethod
    def of(cls, rr: Floats, usable: Bools) -> Around:
        """Return what is usual around intervals ``rr`` (b,) in ms, from the ``usable`` ones (b,)."""
        at_s = _instants(rr)
        median = _median_around(rr, usable, at_s)
        step = np.diff(rr, prepend=np.nan)
        size = _median_around(np.abs(step), usable & _before(usable), at_s)
        limit = np.clip(TIMES * size / median, LEAST, STEEP)
        return cls(median, np.where(np.isfinite(limit), limit, STEEP))


def local_median(rr: Floats, steady: Bools) -> Floats:
    """Return the median (b,) of the ``steady`` ones (b,) of the 24 intervals around each interval.

    ``rr`` (b,) are intervals in ms. NaN where fewer than three are known.
    """
    return _median_around(rr, steady, _instants(rr))


def irregular(rr: Floats, usable: Bools) -> Ints:
    """Classify RR intervals as usual, ectopic or artefact.

    ``rr`` (b,) are intervals in ms, of which only the ``usable`` ones (b,) are looked at. Returns (b,): 0,
    ``ECTOPIC_FOUND`` or ``ARTEFACT_FOUND``; 0 for all others::

        usual     800  810  790  800  805        early beat and its pause   800  520 1120  805
        missed    800  810 1600  800  805        extra beat                 800  390  410  805
    """
    around = Around.of(rr, usable)
    known = usable & np.isfinite(around.median)
    after, follows = known & _before(known), known & _next(known)
    share = np.where(known, rr, np.nan) / around.median
    fall, rise = _before(share, np.nan) - share, _next(share, np.nan) - share
    early = known & _early(1 - share, fall, rise, around.limit, after, follows)
    long = known & (share >= ROOM)
    # Two parts of one usual interval: an extra beat.
    extra = early & follows & (share + _next(share, np.nan) < 1 + STEEP)
    second = after & _before(extra)
    late = known & ~after & (share > 1 + STEEP) & (~follows | (rise < -STEEP)) & ~long
    ectopic = _runs_after(early, known & (np.abs(share - 1) > STEEP), after) | late
    classes = np.where(long, ARTEFACT_FOUND, 0)
    classes[ectopic] = ECTOPIC_FOUND
    classes[extra | second] = ARTEFACT_FOUND
    return classes


def _early(short: Floats, fall: Floats, rise: Floats, limit: Floats, after: Bools, follows: Bools) -> Bools:
    """Return which intervals (b,) come too early.

    By how much each is ``short`` of the median, how far it ``fall``s from the interval before and the next
    ``rise``s again, all as shares of the median; the interval before is known where it is ``after`` it, and
    the next where it ``follows``.
    """
    fall, rise = np.where(after, fall, rise), np.where(follows, rise, fall)
    alone = ~after & ~follows
    steep = (short > STEEP) & (alone | (fall > STEEP))
    turn = (np.minimum(short, np.minimum(fall, rise)) > LEAST) & ((fall + rise) / 2 > limit)
    return np.asarray(steep | turn, np.bool_)


def _runs_after(early: Bools, off: Bools, after: Bools) -> Bools:
    """Return the ``early`` intervals (b,), the one that follows each, and those ``off`` the median after it.

    An interval whose beat before is not known, ``after`` (b,) false, begins anew.
    """
    member = early | (after & _before(early)) | (after & off)
    index = np.arange(len(early))
    # A run begins where an interval is no member or stands after none that is known.
    begin = np.maximum.accumulate(np.where(member & after & _before(member), -1, index))
    last_early = np.maximum.accumulate(np.where(early, index, -1))
    return np.asarray(member & (last_early >= begin) & (index - last_early <= LONGEST_RUN), np.bool_)


def _instants(rr: Floats) -> Floats:
    """Return when each interval (b,) ends, in s; one of unknown length is out of reach of those before."""
    return np.cumsum(np.where(np.isfinite(rr), rr / 1000, 2 * REACH_S))


def _median_around(values: Floats, use: Bools, at_s: Floats) -> Floats:
    """Return the median (b,) of the ``values`` in ``use`` among the 24 intervals around each one.

    NaN where fewer than three of them, no farther than ``REACH_S`` away by ``at_s`` (b,), are in use.
    """
    if not len(values):
        return np.zeros(0)
    padded = np.full(len(values) + 2 * HALF, np.inf, np.float32)
    instants = np.full(len(padded), np.inf)
    padded[HALF:-HALF], instants[HALF:-HALF] = np.where(use, values, np.inf), at_s
    rows: Singles = sliding_window_view(padded, 2 * HALF + 1).copy()
    rows[np.abs(sliding_window_view(instants, 2 * HALF + 1) - at_s[:, None]) > REACH_S] = np.inf
    rows[:, HALF] = np.inf
    rows.sort(axis=1)
    count, row = np.isfinite(rows).sum(axis=1), np.arange(len(rows))
    middle = [rows[row, np.maximum(index, 0)].astype(np.float64) for index in ((count - 1) // 2, count // 2)]
    return np.where(count >= LEAST_AROUND, np.mean(middle, axis=0), np.nan)


def _before(values: Any, first: Any = False) -> Any:
    """Return ``values`` (b,) moved back by one, with ``first`` in front."""
    return np.concatenate([[first], values])[: len(values)]


def _next(values: Any, last: Any = False) -> Any:
    """Return ``values`` (b,) moved forward by one, with ``last`` at the end."""
    return np.concatenate([values, [last]])[1:]
