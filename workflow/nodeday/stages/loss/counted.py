"""A stream counted: its part of the session, and each of its lost frames with cause and minute."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from nodeday.config.sent_list import SentRows
from nodeday.schemas.codes import GAP_CAUSE
from nodeday.stages.loss.causes import Silences
from nodeday.stages.loss.gaps import CAUSE, between_frames, edge_causes, find_gaps
from nodeday.stages.loss.minutes import LostFrames, lost_frames
from nodeday.stages.loss.part import StreamPart
from nodeday.stages.loss.sent import NO_EDGES, SentEdges, SentMatch, edges, match
from nodeday.stages.loss.streams import SessionFrames, StreamFrames

CODE = np.array([list(GAP_CAUSE).index(cause) for cause in CAUSE])
"""Position of each cause of :mod:`.gaps` in the list of codes."""


@dataclass(frozen=True)
class CountedStream:
    """A stream as stage `loss` counts it; ``between`` are all gaps of known length inside its boots.

    ``on_list`` is how its frames stand on a transmit list, None without one, and ``beyond`` are the frames
    that this list has at the edges of boots. ``lost`` are the lost frames of the session.
    """

    part: StreamPart
    between: pd.DataFrame
    lost: LostFrames
    on_list: SentMatch | None
    beyond: SentEdges


def counted(
    own: StreamFrames,
    node: list[StreamFrames],
    session: SessionFrames,
    silent: Silences,
    rows: SentRows | None,
) -> CountedStream:
    """Return a stream counted; ``node`` are all streams of its node, ``rows`` its transmit list."""
    on_list = None if rows is None else match(own, rows)
    beyond = NO_EDGES if on_list is None else edges(own, on_list)
    gaps = find_gaps(own, node, session, silent, beyond if on_list else None)
    part = StreamPart.of(own, gaps, session.cut)
    between = between_frames(own, gaps[gaps["extent"] == "known"])
    lost = lost_frames(own, between, beyond, CODE[edge_causes(beyond, silent)])
    if session.cut:
        lost = lost.take(part.inside.numbers.hold(lost.boot, lost.seq))
    return CountedStream(part, between, lost, on_list, beyond)
