"""Transmit list against frames: sent, received and lost by stream, and each contradiction of the two."""

from __future__ import annotations

from collections.abc import Iterable

import pandas as pd

from nodeday.config.study import HUB
from nodeday.stages.loss.sent import NotListed


def counts(rows: pd.DataFrame) -> list[str]:
    """Return a line for each stream on the list, from rows of table ``sent``."""
    return [
        f"{row['node']}/{row['stream']}: {row['sent']} sent, {row['received']} received, {row['lost']} lost "
        f"by the list ({row['lost_leading']} before the first frame of a boot, {row['lost_trailing']} after "
        f"the last); {row['lost_by_counter']} lost by the counter"
        for row in rows.to_dict("records")
    ]


def contradictions(unlisted: Iterable[NotListed], rows: pd.DataFrame) -> list[str]:
    """Return a sentence for each contradiction of list and frames; ``rows`` are those of table ``sent``.

    Empty where the session has no list.
    """
    found = []
    for row in rows.to_dict("records"):
        between = row["lost"] - row["lost_leading"] - row["lost_trailing"]
        if row["received"] and between != row["lost_by_counter"]:
            found.append(
                f"{row['node']}/{row['stream']}: between received frames of a boot the list has {between} "
                f"lost, the counter {row['lost_by_counter']}"
            )
    return found + [sentence for each in unlisted for sentence in _not_listed(each)]


def _not_listed(frames: NotListed) -> list[str]:
    """Return a sentence for each frame that the list lacks, up to MOST of a stream; hubs are on no list."""
    name, more = f"{frames.node}/{frames.stream}", frames.count - len(frames.frames)
    if not frames.has_rows:
        none = f"{name}: {frames.count} frames received, none of it on the list"
        return [] if frames.node == HUB else [none]
    found = [
        f"{name} boot {boot} frame {seq}, counter {raw}: received, and not on the list at its place"
        for boot, seq, raw in frames.frames
    ]
    return found + ([f"and {more} more of {name}"] if more else [])
