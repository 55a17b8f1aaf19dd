"""Which frames are missing, and when they would have come. Pure functions of sequence numbers."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, TypeVar

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from nodeday.core.arrays import Ints
from nodeday.schemas import TABLES
from nodeday.stages.loss import causes
from nodeday.stages.loss.hub import HUB
from nodeday.stages.loss.streams import SessionFrames, StreamFrames
from nodeday.storage import tables

Mark = TypeVar("Mark", np.bool_, np.int64)

MINUTE_NS = 60_000_000_000


@dataclass(frozen=True)
class Runs:
    """Runs of missing numbers, half open, each array of shape (g,); ``left`` is the row of the
    frame before a run, ``left + 1`` that of the frame after it.
    """

    seq_from: Ints
    seq_to: Ints
    left: Ints

    @property
    def frames(self) -> Ints:
        return self.seq_to - self.seq_from


def gaps_of(seq: Ints, boot: NDArray[np.integer] | None = None) -> Runs:
    """Runs missing between received numbers ``seq`` (n,), strictly increasing within each ``boot`` (n,).

    ::

        seq    250 251 252         255 256     258
        runs               [253, 255)     [257, 258)

    Raises ValueError where a number is there twice or falls.
    """
    step = np.diff(seq)
    inside = np.ones(len(step), np.bool_) if boot is None else np.diff(boot) == 0
    if (step[inside] <= 0).any():
        raise ValueError("received numbers must strictly increase")
    left = np.flatnonzero(inside & (step > 1))
    return Runs(seq[left] + 1, seq[left + 1], left)


def due_ns(frames: Ints, before_ns: Ints, after_ns: Ints) -> tuple[Ints, Ints]:
    """When lost frames would have come: evenly between the stamps on both sides, half up.

    Arrays of gaps (g,) give (gap, ns), a place each for all ``frames.sum()`` lost frames. Stamps
    out of order put all frames of their gap at the earlier side's stamp.
    """
    gap = np.repeat(np.arange(len(frames)), frames)
    number = np.arange(len(gap)) - np.repeat(np.cumsum(frames) - frames, frames) + 1
    span = np.maximum(after_ns - before_ns, 0)[gap]
    # As (q n + r) k / n: q k is exact, r k stays below 64 bits for any count of frames.
    parts = frames[gap] + 1
    whole, rest = np.divmod(span, parts)
    return gap, before_ns[gap] + whole * number + (2 * rest * number + parts) // (2 * parts)


def split(runs: Runs, marked: NDArray[Mark]) -> tuple[Runs, NDArray[Mark]]:
    """Runs cut wherever ``marked``, a mark for each lost frame, changes; and the mark of each part.

    ::

        lost     [10 11 12 13 14 15)
        marked        x  x  x           [10, 11) [11, 14) [14, 15)
    """
    seq = np.repeat(runs.seq_from - np.cumsum(runs.frames) + runs.frames, runs.frames) + np.arange(
        len(marked)
    )
    left = np.repeat(runs.left, runs.frames)
    first = np.ones(len(seq), bool)
    first[1:] = (np.diff(left) > 0) | (marked[1:] != marked[:-1])
    last = np.append(first[1:], True) if len(seq) else first
    return Runs(seq[first], seq[last] + 1, left[first]), marked[first]


def minute_of(hub_ns: Ints) -> Ints:
    """Start of the hub clock's minute that holds each stamp, (n,) -> (n,)."""
    return hub_ns // MINUTE_NS * MINUTE_NS


Unknown = tuple[int, int, str, int, int | None, str]
"""boot, first lost number, cause, stamps before and after (null at the end), reason."""
RADIO, OUTAGE, COUNTER = 0, 1, 2
CAUSE = np.array(["radio", "hub_outage", "unknown"])


def find_gaps(own: StreamFrames, node: list[StreamFrames], session: SessionFrames) -> pd.DataFrame:
    """Rows of table ``gaps`` of one stream in order; ``node`` are all streams of its node."""
    contradicts, stood = causes.counter_steps(
        own.boot,
        own.seq,
        own.column("seq_raw"),
        own.column("ticks"),
        own.pace.seq_modulus,
        own.pace.period_s * own.pace.tick_hz,
    )
    known = _known(own, gaps_of(own.seq, own.boot), contradicts, session.silent)
    unknown: list[Unknown] = [
        *(
            (
                int(own.boot[at]),
                int(own.seq[at + 1]),
                "unknown",
                int(own.hub_ns[at]),
                int(own.hub_ns[at + 1]),
                "counter_restart",
            )
            for at in np.flatnonzero(stood).tolist()
        ),
        *_restarts(own),
        *_ending(own, node, session.last_ns),
    ]
    rows = pd.DataFrame(
        unknown, columns=["boot", "seq_from", "cause", "before_hub_ns", "after_hub_ns", "reason"]
    )
    rows = rows.assign(
        boot=rows["boot"].astype(np.int32),
        seq_from=rows["seq_from"].astype(np.int64),
        extent="unknown",
        before_hub_ns=rows["before_hub_ns"].astype(np.int64),
        reason=rows["reason"].astype(object),
        **{name: pd.array([None] * len(rows), "Int64") for name in ("seq_to", "frames")},
        after_hub_ns=pd.array(rows["after_hub_ns"].tolist(), "Int64"),
    )
    both = pd.concat([each for each in (known, rows) if len(each)] or [known])
    both = both.assign(node=own.node, stream=own.stream).sort_values(["boot", "seq_from"], kind="stable")
    return tables.build(TABLES["gaps"], {name: both[name] for name in TABLES["gaps"].names})


def _known(
    own: StreamFrames, runs: Runs, contradicts: NDArray[np.bool_], silent: tuple[Ints, Ints]
) -> pd.DataFrame:
    """Gaps inside boots, where numbers say how many are missing."""
    gap, due = due_ns(runs.frames, own.on_at(runs.left), own.on_at(runs.left + 1))
    # A frame due while other nodes were heard was lost on the air, whatever came next.
    label = np.where(causes.within(due, *silent), OUTAGE, RADIO)
    label[contradicts[runs.left][gap]] = COUNTER
    runs, label = split(runs, label)
    return pd.DataFrame(
        {
            "boot": own.boot[runs.left].astype(np.int32),
            "seq_from": runs.seq_from,
            "seq_to": pd.array(runs.seq_to, "Int64"),
            "frames": pd.array(runs.frames, "Int64"),
            "extent": "known",
            "cause": CAUSE[label],
            "before_hub_ns": own.hub_ns[runs.left],
            "after_hub_ns": pd.array(own.hub_ns[runs.left + 1], "Int64"),
            "reason": np.array([None, "counter_restart"], object)[(label == COUNTER).astype(np.int64)],
        }
    )


def _restarts(own: StreamFrames) -> Iterator[Unknown]:
    """A gap of unknown length between each boot of a stream and the next one it is seen in."""
    for at in np.flatnonzero(np.diff(own.boot)).tolist():
        before_ns, after_ns = _pair(own.on_ns, at)
        if own.run[at] != own.run[at + 1] or own.node == HUB:
            why = "hub_outage", "hub_restart"
        elif ((own.hub.either >= before_ns) & (own.hub.either < after_ns)).any():
            why = "unknown", "hub_or_nodes"
        elif causes.counter_went_on(
            *_pair(own.column("seq_raw"), at),
            own.pace.seq_modulus,
            (after_ns - before_ns) / 1e9 / own.pace.period_s,
        ):
            why = "unknown", "ticks_restart"
        else:
            why = "node_restart", "restart"
        yield (
            int(own.boot[at]),
            int(own.seq[at]) + 1,
            why[0],
            int(own.hub_ns[at]),
            int(own.hub_ns[at + 1]),
            why[1],
        )


def _pair(values: Ints, at: int) -> tuple[int, int]:
    return int(values[at]), int(values[at + 1])


def _ending(own: StreamFrames, node: list[StreamFrames], end_ns: int) -> Iterator[Unknown]:
    """A gap of unknown length at the end of a stream that fell silent before the session did."""
    if not causes.fell_silent(int(own.on_at(-1)), end_ns, own.pace.period_s):
        return
    gone = causes.fell_silent(max(int(each.on_ns.max()) for each in node), end_ns, own.pace.period_s)
    on_ns, volts = (
        np.concatenate([values[each.boot == own.boot[-1]] for each, values in pairs])
        for pairs in ([(n, n.on_ns) for n in node], [(n, n.measured("battery_v")) for n in node])
    )
    cause = "end_of_battery" if gone and causes.battery_fell(on_ns, volts) else "unknown"
    yield (int(own.boot[-1]), int(own.seq[-1]) + 1, cause, int(own.hub_ns[-1]), None, "nothing_after")


def joined(known: pd.DataFrame) -> Any:
    """A number (g,) for each run of missing frames, the same for the parts that causes cut it into.

    ``known`` are gaps of known extent in order; parts of one run follow each other without a frame
    received between them.
    """
    goes_on = known["seq_from"] == known["seq_to"].shift()
    for name in ("node", "stream", "boot"):
        goes_on &= known[name] == known[name].shift()
    return (~goes_on).cumsum()
