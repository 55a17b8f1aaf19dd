"""What a stream's written policy makes of its lost samples: which are computed, and how."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from nodeday.repair.fill import fill
from nodeday.repair.gaps import fillable, spread
from nodeday.repair.pattern import STEEP, STEP_S, good_enough, pattern
from nodeday.repair.quality import PATTERN_FILL, SHORT_FILL

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

LEFT = -1
SHORT_S = 0.04
"""An ECG gap no longer than that, away from a QRS, is filled by a cubic."""
QRS_NEAR_S, QRS_SOUGHT_S = 0.06, 1.0
"""A QRS is near a gap where within so long of it the signal moves as steeply as a QRS, which is told from
the steepest movement within the longer time. Choices of this project."""
CUBICS = {"linear": "linear", "cubic": "akima"}


@dataclass(frozen=True)
class Policy:
    """``method`` as the settings name it; ``most`` and ``context`` in samples."""

    method: str
    most: float
    context: float
    rate_hz: float


def mend(
    seconds: Floats, values: Floats, present: Bools, sound: Bools, barred: Bools, policy: Policy
) -> tuple[Floats, NDArray[np.int8]]:
    """``values`` (n, channels) of one boot with what ``policy`` allows computed, and how: (n,) indices
    into ``codes.QUALITY`` for what was filled, ``LEFT`` elsewhere.

    ``present`` (n,) samples come back as they went in, to the bit. Only ``sound`` ones (not at a rail,
    not flat) are matched against or hold a fill at its ends. ``barred`` samples are never filled.
    """
    how = np.full(len(present), LEFT, np.int8)
    if policy.method == "none" or policy.most <= 0 or present.all():
        return values, how
    starts, ends = fillable(present, sound, barred, policy.most, policy.context)
    if policy.method != "pattern":
        how[spread(starts, ends, len(how))] = SHORT_FILL
        return fill(seconds, values, present, starts, ends, CUBICS[policy.method]), how
    value = values[:, 0]
    short = ends - starts <= SHORT_S * policy.rate_hz
    short[short] = _calm(value, sound, starts[short], ends[short], policy.rate_hz)
    out = fill(seconds, value, present, starts[short], ends[short], "pchip")
    how[spread(starts[short], ends[short], len(how))] = SHORT_FILL
    starts, ends = starts[~short], ends[~short]
    pieces, match = pattern(value, sound, starts, ends, policy.rate_hz)
    for gap in np.flatnonzero(good_enough(match)).tolist():
        out[starts[gap] : ends[gap]] = pieces[gap]
        how[starts[gap] : ends[gap]] = PATTERN_FILL
    return out[:, None], how


def _calm(value: Floats, sound: Bools, starts: Ints, ends: Ints, rate_hz: float) -> Bools:
    """Which gaps (g,) have no QRS beside them."""
    step = max(1, round(STEP_S * rate_hz))
    moves = np.zeros(len(value))
    both = sound[step:] & sound[:-step]
    moves[:-step][both] = np.abs(value[step:] - value[:-step])[both]
    near, far = round(QRS_NEAR_S * rate_hz), round(QRS_SOUGHT_S * rate_hz)
    longest = int((ends - starts).max(initial=0))
    return np.asarray(
        _most(moves, starts - near - step, 2 * near + step + longest)
        < STEEP * _most(moves, starts - far, 2 * far + longest), np.bool_,
    )  # fmt: skip


def _most(values: Floats, first: Ints, size: int) -> Floats:
    """Largest of ``size`` values from ``first`` (g,) on."""
    index = np.clip(first[:, None] + np.arange(size), 0, len(values) - 1)
    return np.asarray(values[index].max(axis=1, initial=0.0), np.float64)
