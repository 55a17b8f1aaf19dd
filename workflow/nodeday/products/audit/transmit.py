"""Transmit list against frames: sent, received and lost by stream, and each contradiction of the two."""

from __future__ import annotations

import numpy as np
import pandas as pd

from nodeday.config.study import HUB
from nodeday.stages.loss.sent import SentLists, match
from nodeday.stages.loss.streams import SessionFrames, StreamFrames

MOST = 10
"""Frames of a stream that are named; all are counted."""


def counts(rows: pd.DataFrame) -> list[str]:
    """Return a line for each stream on the list, from rows of table ``sent``."""
    return [
        f"{row['node']}/{row['stream']}: {row['sent']} sent, {row['received']} received, {row['lost']} lost "
        f"by the list ({row['lost_leading']} before the first frame of a boot, {row['lost_trailing']} after "
        f"the last); {row['lost_by_counter']} lost by the counter"
        for row in rows.to_dict("records")
    ]


def contradictions(received: SessionFrames, lists: SentLists, rows: pd.DataFrame) -> list[str]:
    """Return a sentence for each contradiction of list and frames; ``rows`` are those of table ``sent``.

    Empty where the session has no list.
    """
    if not lists:
        return []
    found = []
    for row in rows.to_dict("records"):
        between = row["lost"] - row["lost_leading"] - row["lost_trailing"]
        if row["received"] and between != row["lost_by_counter"]:
            found.append(
                f"{row['node']}/{row['stream']}: between received frames of a boot the list has {between} "
                f"lost, the counter {row['lost_by_counter']}"
            )
    for node in received.nodes:
        for own in received.streams_of(node):
            rows_of = lists.get((own.node, own.stream))
            if rows_of is not None:
                found += _not_listed(own, np.flatnonzero(~match(own, rows_of).fits))
            elif node != HUB:
                found.append(
                    f"{own.node}/{own.stream}: {len(own.seq)} frames received, none of it on the list"
                )
    return found


def _not_listed(own: StreamFrames, at: np.ndarray[tuple[int], np.dtype[np.intp]]) -> list[str]:
    """Return a sentence for each of some frames that the list lacks, up to MOST of them."""
    raw = own.column("seq_raw")
    found = [
        f"{own.node}/{own.stream} boot {own.boot[each]} frame {own.seq[each]}, counter {raw[each]}: "
        "received, and not on the list at its place"
        for each in at[:MOST].tolist()
    ]
    return found + ([f"and {len(at) - MOST} more of {own.node}/{own.stream}"] if len(at) > MOST else [])
