"""What a stream's written policy makes of its lost samples: which are computed, and how."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from nodeday.arrays import Bools, Floats, spread
from nodeday.repair.fill import fill
from nodeday.repair.gaps import fillable
from nodeday.repair.pattern import good_enough, pattern, without_qrs
from nodeday.repair.quality import PATTERN_FILL, SHORT_FILL

LEFT = -1
SHORT_S = 0.04
"""An ECG gap no longer than that, outside a QRS, is filled by a cubic."""
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
    pieces, match = pattern(value, sound, starts, ends, policy.rate_hz)
    short = (ends - starts <= SHORT_S * policy.rate_hz) & without_qrs(match)
    out = fill(seconds, value, present, starts[short], ends[short], "pchip")
    how[spread(starts[short], ends[short], len(how))] = SHORT_FILL
    for gap in np.flatnonzero(good_enough(match) & ~short).tolist():
        out[starts[gap] : ends[gap]] = pieces[gap]
        how[starts[gap] : ends[gap]] = PATTERN_FILL
    return out[:, None], how
