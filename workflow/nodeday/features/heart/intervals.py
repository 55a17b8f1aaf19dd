"""RR intervals, and what each may be used for."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from nodeday.features.stretches import Bools, Floats, Ints
from nodeday.schemas import codes

NORMAL, FIRST, TOUCHES_GAP, BEAT_IN_FILL, ARTEFACT, TOO_LONG = range(6)
LONGEST_MS = 3000.0
GUARD_MS = 50.0
"""A beat nearer than this to lost samples has an uncertain time. A choice of this project."""
DIFFERS, NEIGHBOURS, LEAST_NEIGHBOURS = 0.2, 11, 3
"""An interval more than 20 % off the median of the 11 around it is an artefact; the 20 % are
Malik's, from memory, the median in place of the interval before is a choice of this project."""

if list(codes.RR_STATUS) != ["normal", "first", "touches_gap", "beat_in_fill", "artefact", "too_long"]:
    raise ImportError("the codes of rr_status changed; nodeday.features.heart.intervals must follow")


def rr_ms(utc_ns: Ints) -> Floats:
    """Milliseconds (b,) from the beat before, NaN for the first."""
    return np.concatenate([[np.nan], np.diff(utc_ns) / 1e6])[: len(utc_ns)]


def rr_status(rr: Floats, sample: Ints, missing: Bools, computed: Bools, rate_hz: float) -> NDArray[np.int8]:
    """Index (b,) into ``codes.RR_STATUS`` for the interval that ends at each beat of one boot.

    ``sample`` (b,) are the beats' places among the boot's samples (n,); ``missing`` (n,) and
    ``computed`` (n,) are lost samples that stayed lost and that a fill replaced::

        samples   ____R_________R____xx____R________R__~~__R___      x missing, ~ computed
        status      first    normal    gap    normal   gap            ~ may hide a beat too
    """
    lost = missing | computed
    guard = round(GUARD_MS * rate_hz / 1000)
    near_missing, near_lost = (_holds(each, sample - guard, sample + guard + 1) for each in (missing, lost))
    before = np.concatenate([sample[:1], sample[:-1]])
    pair = [np.concatenate([near[:1], near[:-1]]) | near for near in (near_missing, near_lost)]
    hard = pair[0] | _holds(missing, before, sample)
    soft = pair[1] | _holds(lost, before, sample)
    filled = computed[sample] if len(sample) else np.zeros(0, np.bool_)
    filled = filled | np.concatenate([filled[:1], filled[:-1]])
    status = np.where(hard, TOUCHES_GAP, np.where(filled, BEAT_IN_FILL, np.where(soft, TOUCHES_GAP, NORMAL)))
    status = np.where((status == NORMAL) & (rr > LONGEST_MS), TOO_LONG, status)
    status[:1] = FIRST
    status[artefacts(rr, status == NORMAL)] = ARTEFACT
    return status.astype(np.int8)


def artefacts(rr: Floats, judged: Bools) -> Bools:
    """Which of the ``judged`` intervals (b,) differ by more than 20 % from the median around them.

    The median runs over judged intervals only; fewer than three tell nothing.
    """
    found = np.zeros(len(rr), np.bool_)
    own = rr[judged]
    if len(own) < LEAST_NEIGHBOURS:
        return found
    half = NEIGHBOURS // 2
    padded = np.pad(own, half, constant_values=np.nan)
    around = np.lib.stride_tricks.sliding_window_view(padded, NEIGHBOURS)
    middle = np.nanmedian(around, axis=1)
    found[judged] = np.abs(own - middle) > DIFFERS * middle
    return found


def _holds(mask: Bools, start: Ints, end: Ints) -> Bools:
    """Whether each [start, end) holds a true value of ``mask``; what lies outside holds none."""
    total = np.concatenate([[0], np.cumsum(mask)])
    low, high = (np.clip(each, 0, len(mask)) for each in (start, end))
    return np.asarray(total[high] > total[low], np.bool_)
