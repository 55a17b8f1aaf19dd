"""Table ``loss``: what came and what did not, minute by minute of the hub's clock."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, fields
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from nodeday.core.arrays import Bools, Floats, Ints
from nodeday.schemas.codes import GAP_CAUSE
from nodeday.stages.loss.burst import interval
from nodeday.stages.loss.gaps import MINUTE_NS, due_ns, joined
from nodeday.stages.loss.sent import NO_EDGES, SentEdges
from nodeday.stages.loss.streams import StreamFrames

WIDTH = {"rssi_dbm": 2.0, "lqi": 5.0}
"""Width of a bin, in the unit of the measure. Choice of this project."""


def neighbours(
    boot: NDArray[np.integer], seq: Ints, values: Floats, gap_boot: Ints, first: Ints, stop: Ints
) -> Floats:
    """Mean of the values of the received frames next to each gap [first, stop), (n,) -> (g,).

    Frames (n,) are in order of boot and number. A gap that another cause cut off on one side has the
    value of the other; where neither side has one, nan::

        values   -60   .   .  -70        both: -65
        cause        radio | outage      radio: -60
    """
    out = np.full(len(first), np.nan)
    for each in np.unique(gap_boot).tolist():
        low, high = np.searchsorted(boot, [each, each + 1])
        mine = gap_boot == each
        own, value = seq[low:high], values[low:high]
        right = np.searchsorted(own, first[mine])
        sides = np.stack(
            [
                np.where(own[right - 1] == first[mine] - 1, value[right - 1], np.nan),
                np.where(own[right] == stop[mine], value[right], np.nan),
            ]
        )
        there = np.isfinite(sides)
        total = np.where(there, sides, 0.0).sum(axis=0)
        # Between both ends of a wider run lies a part that touches no received frame.
        apart = ~there.any(axis=0)
        total[apart] = (value[right - 1] + value[right])[apart] / 2
        out[mine] = total / np.maximum(there.sum(axis=0), 1)
    return out


def table_rows(measure: str, received: Floats, lost: Floats) -> Iterator[dict[str, Any]]:
    """A row for each bin in which a frame was received or lost; nothing where nothing was measured."""
    width = WIDTH[measure]
    got, gone = (np.floor(each[np.isfinite(each)] / width).astype(np.int64) for each in (received, lost))
    if not len(got):
        return
    low = min(int(got.min()), int(gone.min(initial=got[0])))
    counts = np.bincount(got - low), np.bincount(gone - low)
    size = max(len(each) for each in counts)
    came, went = (np.pad(each, (0, size - len(each))) for each in counts)
    for at in np.flatnonzero(came + went).tolist():
        expected, missing = int(came[at] + went[at]), int(went[at])
        ends = interval(missing, expected)
        yield {
            "measure": measure,
            "low": (low + at) * width,
            "high": (low + at + 1) * width,
            "expected": expected,
            "lost": missing,
            "share": missing / expected,
            "share_low": ends[0],
            "share_high": ends[1],
        }


LOST = [f"lost_{cause}" for cause in GAP_CAUSE]
RUN = 1 << 40
"""More minutes than any hub counts, so that minutes of all runs have a number each."""


@dataclass(frozen=True)
class LostFrames:
    """Lost frames (n,) of a stream in order, those of a transmit list last.

    Boot and number, cause as an index into ``GAP_CAUSE``, number of the run of missing frames that each is
    of, and a number for the minute of the hub's clock in which it was due.
    """

    boot: Ints
    seq: Ints
    cause: NDArray[np.integer]
    run: NDArray[np.integer]
    minute: Ints

    def take(self, rows: Bools) -> LostFrames:
        """Return some of them."""
        return LostFrames(*(getattr(self, each.name)[rows] for each in fields(self)))


def lost_frames(
    own: StreamFrames, known: pd.DataFrame, listed: SentEdges = NO_EDGES, causes: Ints = NO_EDGES.near
) -> LostFrames:
    """Return the lost frames of a stream, of which ``known`` are the gaps between frames.

    ``listed`` are frames (k,) that a transmit list has at the edges of boots, and ``causes`` (k,) theirs as
    numbers of the codes.
    """
    frames = known["frames"].to_numpy(np.int64)
    runs = known.groupby(joined(known)).agg(
        frames=("frames", "sum"),
        before=("before_hub_ns", "first"),
        after=("after_hub_ns", "first"),
        boot=("boot", "first"),
        seq_from=("seq_from", "first"),
    )
    count, boot, first = (runs[name].to_numpy(np.int64) for name in ("frames", "boot", "seq_from"))
    run, due = due_ns(count, runs["before"].to_numpy(np.int64), runs["after"].to_numpy(np.int64))
    number = np.arange(len(run), dtype=np.int64) - np.repeat(np.cumsum(count) - count, count)
    cause = known["cause"].cat.codes.to_numpy(np.int64).repeat(frames)
    minute = minute_key(own.run[left_of(own, boot, first)][run], due)
    edge = np.zeros(len(listed.near), np.int64)
    edge[listed.heads(own)] = 1
    beyond = listed.on_ns - own.on_at(listed.near) + own.hub_ns[listed.near]
    return LostFrames(
        np.concatenate([boot[run], own.boot[listed.near]]),
        np.concatenate([first[run] + number, listed.seq]),
        np.concatenate([cause, causes]),
        np.concatenate([run, len(count) - 1 + np.cumsum(edge)]),
        np.concatenate([minute, minute_key(own.run[listed.near], beyond)]),
    )


def by_minute(own: StreamFrames, gone: LostFrames) -> pd.DataFrame:
    """Rows of table ``loss`` of one stream, of which frames are ``gone``.

    A row is a minute of the hub's clock in which the stream had a frame, lost or not.
    """
    again_at = minute_key(own.copy_run, own.copy_hub_ns)
    # Frames come minute by minute but for a few: what follows each other in one is looked up together.
    got_at = minute_key(own.run, own.hub_ns)
    heads = np.flatnonzero(np.diff(got_at, prepend=-1))
    many, got_at = np.diff(heads, append=len(got_at)), got_at[heads]
    minutes = np.unique(np.concatenate([got_at, gone.minute, again_at]))
    lost, again = np.searchsorted(minutes, gone.minute), np.searchsorted(minutes, again_at)
    got = np.searchsorted(minutes, got_at).repeat(many)

    def count_of(place: Ints, where: Any = slice(None)) -> Ints:
        return np.bincount(place[where], minlength=len(minutes))

    begins = np.flatnonzero(np.diff(gone.run, prepend=-1))
    longest = np.zeros(len(minutes), np.int64)
    np.maximum.at(longest, lost[begins], np.diff(begins, append=len(lost)))
    numbers = {name: count_of(lost, gone.cause == code) for code, name in enumerate(LOST)}
    received, hub_run = count_of(got), minutes // RUN
    start = (minutes % RUN - RUN // 2) * MINUTE_NS
    return pd.DataFrame(
        {
            "node": own.node,
            "stream": own.stream,
            "hub_run": hub_run.astype(np.int16),
            "minute_hub_ns": start,
            "minute_utc_ns": _utc(hub_run, start, own.hub.utc_ns),
            "expected": received + sum(numbers.values()),
            "received": received,
            "recovered": count_of(got, own.recovered),
            **numbers,
            "duplicates": count_of(again),
            "conflicts": count_of(again, own.copy_conflict),
            "late": count_of(got, own.stands_as("late")),
            "rssi_dbm": _mean(own.measured("rssi_dbm"), got, len(minutes)),
            "lqi": _mean(own.measured("lqi"), got, len(minutes)),
            "longest_gap_frames": longest,
        }
    )


def minute_key(run: NDArray[np.integer], hub_ns: Ints) -> Ints:
    """Return a number for the minute of each stamp (n,) in a run (n,) of the hub, rising with both."""
    return run.astype(np.int64) * RUN + hub_ns // MINUTE_NS + RUN // 2


def left_of(own: StreamFrames, boot: Ints, seq: Ints) -> Ints:
    """Return the row (g,) of the frame before each of the missing numbers ``seq`` of ``boot``."""
    out = np.zeros(len(seq), np.int64)
    for each in np.unique(boot).tolist():
        first, stop = np.searchsorted(own.boot, [each, each + 1])
        mine = boot == each
        out[mine] = first + np.searchsorted(own.seq[first:stop], seq[mine]) - 1
    return out


def _utc(run: Ints, start: Ints, utc_ns: dict[int, int]) -> Any:
    none = ~np.isin(run, list(utc_ns))
    offset = np.array([utc_ns.get(k, 0) for k in range(int(run.max()) + 1)], np.int64)
    return pd.arrays.IntegerArray(np.where(none, 0, start + offset[run]), none)


def _mean(values: NDArray[np.float64], place: Ints, size: int) -> NDArray[np.float32]:
    """Mean of the values at each place, nan where there is none."""
    there = np.isfinite(values)
    if not there.all():
        place, values = place[there], values[there]
    count = np.bincount(place, minlength=size)
    total = np.bincount(place, weights=values, minlength=size)
    return np.where(count, total / np.maximum(count, 1), np.nan).astype(np.float32)
