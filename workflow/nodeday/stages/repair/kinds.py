"""Parts of a stream in which its node sent one kind of frame, so at one rate.

Samples are placed, filled and put on the grid part by part; nothing runs from one part to the next::

    kind     A A . A | . . | B B . B         | frames lost between two kinds: no rows
    parts    [------)       [------)
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
import pandas as pd

from nodeday.core.arrays import Ints, groups
from nodeday.layouts import Kind
from nodeday.storage.frames import DistinctFrames

OFF_PERIODS, OFF_SHARE = 0.25, 0.03
"""Frames lost between two of one kind were of that kind where they fill the time between to a quarter of a
frame and 3 %. Choices of this project."""


@dataclass(frozen=True)
class KindPart:
    """Frames of a boot and kind that follow each other: ``rows`` (k,) of ``frames``, with their payloads."""

    boot: int
    kind: Kind
    frames: DistinctFrames
    rows: Ints

    @property
    def first_seq(self) -> int:
        """Least number of the frames."""
        return int(self.frames.seq[self.rows].min())

    @property
    def last_seq(self) -> int:
        """Greatest number of the frames."""
        return int(self.frames.seq[self.rows].max())

    def lost_in(self, gaps: pd.DataFrame) -> int:
        """Return how many frames of the stream's ``gaps`` were lost between frames of this part."""
        own = gaps[(gaps["boot"] == self.boot) & (gaps["extent"] == "known")]
        own = own[own["seq_from"].between(self.first_seq, self.last_seq)]
        return int(own["frames"].sum())


def parts_of(frames: DistinctFrames, kinds: Sequence[Kind], tick_hz: float) -> Iterator[KindPart]:
    """Yield the boots of a stream, each in parts of one kind where the stream has several ``kinds``."""
    for boot, rows in groups(frames.boot).items():
        if len(kinds) == 1:
            yield KindPart(boot, kinds[0], frames, rows)
            continue
        rows = rows[np.argsort(frames.seq[rows], kind="stable")]
        for low, high in pairwise(_borders(frames, rows, kinds, tick_hz)):
            number = int(frames.kind[rows[low]])
            kind = next(one for one in kinds if one.kind == number)
            payload = replace(frames.payload, kind=kind)
            yield KindPart(boot, kind, replace(frames, payload=payload), rows[low:high])


def _borders(frames: DistinctFrames, rows: Ints, kinds: Sequence[Kind], tick_hz: float) -> list[int]:
    """Return where parts begin and end among frames ``rows`` (k,) in order of their numbers.

    Where frames were lost between two of one kind, and time disagrees, the node may have sent another kind
    meanwhile: that is a border, too.
    """
    number, ticks, step = frames.kind[rows], frames.ticks[rows], np.diff(frames.seq[rows])
    period = {kind.kind: kind.period_s * tick_hz for kind in kinds}
    of_frame = np.array([period[each] for each in number[:-1].tolist()])
    off = np.abs(np.diff(ticks) - step * of_frame) > of_frame * (OFF_PERIODS + OFF_SHARE * step)
    border = (np.diff(number) != 0) | ((step > 1) & off)
    return [0, *(np.flatnonzero(border) + 1).tolist(), len(rows)]
