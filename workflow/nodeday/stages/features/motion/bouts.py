"""Bouts of walking: runs of windows that walk, and whether their ends were seen."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from nodeday.core.arrays import Bools, Floats, Ints, runs

SEEN, GAP, EDGE = range(3)
"""Indices into ``codes.BOUT_EDGE``."""


@dataclass(frozen=True)
class Bouts:
    """Bouts (b,) [start, end) in order of time.

    Mean ``cadence`` in steps/min, count of ``steps``, mean ``mad_mg``; ``before`` and ``after`` are indices
    into ``codes.BOUT_EDGE``: how the bout begins and ends.
    """

    start_ns: Ints
    end_ns: Ints
    cadence: Floats
    steps: Floats
    mad_mg: Floats
    before: Ints
    after: Ints


def bouts_of(edges_ns: Ints, known: Bools, cadence: Floats, mad_mg: Floats) -> Bouts:
    """Return the bouts of walking in windows between ``edges_ns`` (k + 1,).

    ``known`` (k,) are windows of which enough was received; ``cadence`` (k,) is in steps/min, 0 without
    walking; ``mad_mg`` (k,). A bout ends where walking was seen to end, or where what follows is lost; it is
    never carried over a hole, and where a hole cuts it short its edge is a gap::

        windows   . W W W . ? ? W W |      . still, W walking, ? lost, | end of the session
        bouts       [seen,seen)  [gap,session_edge)
    """
    first, last = runs(known & (cadence > 0))
    seconds = np.diff(edges_ns) / 1e9
    state = np.where(known, SEEN, GAP)
    around = np.concatenate([[EDGE], state, [EDGE]])
    elapsed = np.concatenate([[0.0], np.cumsum(seconds)])
    length = elapsed[last] - elapsed[first]

    def sums(values: Floats) -> Floats:
        running = np.concatenate([[0.0], np.cumsum(np.nan_to_num(values) * seconds)])
        return np.asarray(running[last] - running[first], np.float64)

    steps = sums(cadence) / 60
    return Bouts(
        edges_ns[first],
        edges_ns[last],
        60 * steps / length,
        steps,
        sums(mad_mg) / length,
        around[first],
        around[last + 1],
    )
