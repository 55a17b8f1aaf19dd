"""Table ``fields``: frames by what their fields beyond the usual ones held, and what was lost behind them.

What a lost frame held is not known. So losses are counted behind received frames, by the value of the last
one before them::

    channel    11   26   11   ?   ?   26   11   ?
    received    x    x    x   .   .    x    x   (nothing after)

    11: received 3, followed 2, runs behind it 1, frames in it 2
    26: received 2, followed 2, runs behind it 0
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np

from nodeday.core.arrays import Ints
from nodeday.stages.loss.burst import Stretches, interval
from nodeday.stages.loss.streams import StreamFrames
from nodeday.storage.frames import ABSENT

MOST_VALUES = 32
"""A field of more values in a stream has no rows: it is no category. A choice of this project."""


def by_field(own: StreamFrames, at: Ints, within: Stretches) -> Iterator[dict[str, Any]]:
    """Give a row for each value of each field of few values of a stream.

    ``at`` (n,) are the frames' numbers as ``within`` counts them, with the losses on the air.
    """
    if not own.pace.fields:
        return
    stretch = np.searchsorted(within.start, at, side="right") - 1
    followed = at + 1 < within.end[stretch]
    run = np.minimum(np.searchsorted(within.first, at + 1), max(len(within.first) - 1, 0))
    lost = np.zeros(len(at), np.int64)
    if len(within.first):
        begins = followed & (within.first[run] == at + 1)
        lost[begins] = (within.stop - within.first)[run[begins]]
    for column in own.pace.fields:
        yield from _rows(column.removeprefix("field_"), own.column(column), followed, lost)


def _rows(field: str, sent: Ints, followed: Any, lost: Ints) -> Iterator[dict[str, Any]]:
    """Give a row for each of the values ``sent`` (n,), by the frames ``lost`` (n,) behind each frame."""
    values, place, count = np.unique(sent, return_inverse=True, return_counts=True)
    if len(values) - int(ABSENT in values) > MOST_VALUES:
        return
    known, runs, frames = (
        np.bincount(place, weights, len(values)).astype(np.int64) for weights in (followed, lost > 0, lost)
    )
    for index, value in enumerate(values.tolist()):
        if value == ABSENT:
            continue
        low, high = interval(int(runs[index]), int(known[index]))
        yield {
            "field": field,
            "value": value,
            "received": int(count[index]),
            "followed": int(known[index]),
            "runs_after": int(runs[index]),
            "lost_after": int(frames[index]),
            "p": runs[index] / known[index] if known[index] else np.nan,
            "p_low": low,
            "p_high": high,
        }
