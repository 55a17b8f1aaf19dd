"""The part of a stream that is in the session: its frames, and its gaps cut at the session's edges.

Gaps get their extent and cause from the frames of the capture on both sides; then they are cut::

    received  |  |  .  .  .  .  .  |  |        the gap has five frames
    session            [start                  three of them are of the session
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from nodeday.core.arrays import Bools, Ints
from nodeday.schemas import TABLES
from nodeday.stages.loss.minutes import left_of
from nodeday.stages.loss.streams import StreamFrames
from nodeday.storage import tables
from nodeday.storage.session_cut import BootNumbers, SessionCut


@dataclass(frozen=True)
class StreamPart:
    """A stream in its capture and in its session: all frames and ``gaps``, and those of the session.

    ``inside`` are the frames and ``kept`` the gaps of the session; without a cut they are all.
    """

    own: StreamFrames
    gaps: pd.DataFrame
    inside: StreamFrames
    kept: pd.DataFrame

    @classmethod
    def of(cls, own: StreamFrames, gaps: pd.DataFrame, cut: SessionCut | None) -> StreamPart:
        """Cut a stream with these ``gaps``."""
        if cut is None:
            return cls(own, gaps, own, gaps)
        numbers = cut.of((own.node, own.stream))
        return cls(own, gaps, own.within(numbers), _gaps_within(own, gaps, numbers, cut))

    def apart_s(self, at: int) -> float | None:
        """Return how long frames ``at`` and ``at + 1`` are apart by host marks, in seconds; None without."""
        before, after = _ends(self.own, at)
        return None if before is None or after is None else (after - before) / 1e9

    def outside_s(self, at: int, cut: SessionCut | None) -> float:
        """Return how long the hole behind frame ``at`` lies outside of the session, in seconds."""
        if cut is None:
            return 0.0
        before, after = _ends(self.own, at)
        early = 0 if before is None or cut.start_ns is None else max(cut.start_ns - before, 0)
        late = 0 if after is None or cut.end_ns is None else max(after - cut.end_ns, 0)
        return (early + late) / 1e9


def counted_within(gaps: pd.DataFrame, numbers: BootNumbers) -> tuple[Ints, Ints]:
    """Return the numbers [from, to) of gaps of known extent (g,) that are among ``numbers``, (g,) each.

    Where none is, both are alike.
    """
    low, high = numbers.limits(gaps["boot"].to_numpy(np.int64))
    first = np.maximum(gaps["seq_from"].to_numpy(np.int64), low)
    return first, np.maximum(np.minimum(gaps["seq_to"].to_numpy(np.int64), high), first)


def _gaps_within(
    own: StreamFrames, gaps: pd.DataFrame, numbers: BootNumbers, cut: SessionCut
) -> pd.DataFrame:
    """Return the gaps of a session: known ones by their numbers, others by their time."""
    if not len(numbers.boot):
        return gaps.iloc[:0]
    known = (gaps["extent"] == "known").to_numpy()
    first, stop = (gaps[name].fillna(0).to_numpy(np.int64, copy=True) for name in ("seq_from", "seq_to"))
    first[known], stop[known] = counted_within(gaps[known], numbers)
    kept: Bools = known & (first < stop)
    rows = np.flatnonzero(~known)
    at = left_of(own, gaps["boot"].to_numpy(np.int64)[rows], first[rows])
    kept[rows] = [_reaches_in(own, each, cut) for each in at.tolist()]
    columns: dict[str, Any] = {
        "seq_from": first,
        "seq_to": pd.arrays.IntegerArray(stop, ~known),
        "frames": pd.arrays.IntegerArray(stop - first, ~known),
    }
    cut_gaps = gaps.assign(**columns)[kept].reset_index(drop=True)
    return tables.build(TABLES["gaps"], {name: cut_gaps[name] for name in TABLES["gaps"].names})


def _reaches_in(own: StreamFrames, at: int, cut: SessionCut) -> bool:
    """Whether the hole behind frame ``at`` is in the session, or more than a frame's period of it is."""
    before, after = _ends(own, at)
    if before is None and after is None:
        return False
    start = cut.start_ns if cut.start_ns is not None else min(x for x in (before, after) if x is not None)
    end = cut.end_ns if cut.end_ns is not None else max(x for x in (before, after, start) if x is not None)
    if before is None or after is None:
        one = before if before is not None else after
        return one is not None and start <= one <= end
    if start <= before and after <= end:
        return True
    return min(after, end) - max(before, start) > own.periods_s[-1] * 1e9


def _ends(own: StreamFrames, at: int) -> tuple[int | None, int | None]:
    """Return the UTC of frame ``at`` and of the one behind it by the nearest host marks, None without.

    Behind the last frame lies the end of time.
    """
    ends = [
        own.hub.utc_of(int(own.run[each]), int(own.on_at(each)), int(own.hub_ns[each]))
        for each in (at, at + 1)
        if each < len(own.seq)
    ]
    return ends[0], ends[1] if len(ends) > 1 else np.iinfo(np.int64).max
