"""Bouts of walking: runs of windows that walk, and whether their ends were seen."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from nodeday.core.arrays import Bools, Floats, Ints, runs

SEEN, GAP, EDGE = range(3)
"""Places in ``codes.BOUT_EDGE``."""


@dataclass(frozen=True)
class Bouts:
    """``b`` bouts in order of time; ``before`` and ``after`` are places in ``codes.BOUT_EDGE``."""

    start_ns: Ints
    end_ns: Ints
    cadence: Floats
    steps: Floats
    mad_mg: Floats
    before: Ints
    after: Ints


def bouts_of(edges_ns: Ints, known: Bools, cadence: Floats, mad_mg: Floats) -> Bouts:
    """Bouts from windows between ``edges_ns`` (k + 1,): ``known`` (k,) enough was received to tell,
    ``cadence`` (k,) steps/min and 0 without walking, ``mad_mg`` (k,).

    A bout ends where walking was seen to end, or where what follows is lost; it is never carried over
    a hole, nor cut short by one without saying so::

        windows   . W W W . ? ? W W |      . still, W walking, ? lost, | end of the session
        bouts       [seen,seen)  [gap,session_edge)
    """
    first, last = runs(known & (cadence > 0))
    seconds = np.diff(edges_ns) / 1e9
    state = np.where(known, SEEN, GAP)
    around = np.concatenate([[EDGE], state, [EDGE]])
    weights = np.concatenate([[0.0], np.cumsum(seconds)])
    length = weights[last] - weights[first]

    def sums(values: Floats) -> Floats:
        run = np.concatenate([[0.0], np.cumsum(np.nan_to_num(values) * seconds)])
        return np.asarray(run[last] - run[first], np.float64)

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
