"""Which frames are missing, and when they would have come. Pure functions of sequence numbers."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, TypeVar

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from nodeday.core.arrays import Bools, Ints
from nodeday.schemas import TABLES
from nodeday.stages.loss import causes
from nodeday.stages.loss.causes import Silences
from nodeday.stages.loss.hub import HUB
from nodeday.stages.loss.sent import SentEdges
from nodeday.stages.loss.streams import SessionFrames, StreamFrames
from nodeday.storage import tables

Mark = TypeVar("Mark", np.bool_, np.int64)

MINUTE_NS = 60_000_000_000


@dataclass(frozen=True)
class Runs:
    """Runs of missing numbers, half open, each array of shape (g,).

    ``left`` is the row of the frame before a run, ``left + 1`` that of the frame after it.
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


Unknown = tuple[int, int, str, int, int | None, str]
"""boot, first lost number, cause, stamps before and after (null at the end), reason."""
RADIO, OUTAGE, JOINT, COUNTER, LISTED = range(5)
CAUSE = np.array(["radio", "hub_outage", "joint_silence", "unknown", "listed"])


def find_gaps(
    own: StreamFrames,
    node: list[StreamFrames],
    session: SessionFrames,
    silent: Silences,
    listed: SentEdges | None = None,
) -> pd.DataFrame:
    """Rows of table ``gaps`` of one stream in order; ``node`` are all streams of its node.

    With the frames that a transmit list has at the edges of boots, these are counted.
    """
    runs, lost_thread = missing_runs(own)
    known = _known(own, runs, lost_thread, silent)
    at_edges = [*_restarts(own), *_ending(own, node, session.last_ns)] if listed is None else []
    unknown = [*_uncounted(own, lost_thread), *at_edges]
    rows = pd.DataFrame(
        unknown, columns=["boot", "seq_from", "cause", "before_hub_ns", "after_hub_ns", "reason"]
    )
    rows = rows.assign(
        boot=rows["boot"].astype(np.int32),
        seq_from=rows["seq_from"].astype(np.int64),
        extent="unknown",
        before_hub_ns=pd.array(rows["before_hub_ns"].tolist(), "Int64"),
        reason=rows["reason"].astype(object),
        **{name: pd.array([None] * len(rows), "Int64") for name in ("seq_to", "frames")},
        after_hub_ns=pd.array(rows["after_hub_ns"].tolist(), "Int64"),
    )
    parts = [known, rows] if listed is None else [known, rows, _listed(own, listed, silent)]
    both = pd.concat([each for each in parts if len(each)] or [known])
    both = both.assign(node=own.node, stream=own.stream).sort_values(["boot", "seq_from"], kind="stable")
    return tables.build(TABLES["gaps"], {name: both[name] for name in TABLES["gaps"].names})


def missing_runs(own: StreamFrames) -> tuple[Runs, Bools]:
    """Return missing numbers inside boots, and between which frames (n - 1,) the counter lost its thread."""
    lost_thread = causes.counter_lost_thread(own.boot, own.seq, own.column("seq_raw"), own.pace.seq_modulus)
    return gaps_of(own.seq, own.boot), lost_thread


def _known(own: StreamFrames, runs: Runs, lost_thread: Bools, silent: Silences) -> pd.DataFrame:
    """Gaps inside boots, where numbers say how many are missing."""
    gap, due = due_ns(runs.frames, own.on_at(runs.left), own.on_at(runs.left + 1))
    # A frame due while other nodes were received was lost on the air, whatever came next.
    label = np.where(causes.within(due, *silent.joint), JOINT, RADIO)
    label[causes.within(due, *silent.outage)] = OUTAGE
    label[lost_thread[runs.left][gap]] = COUNTER
    runs, label = split(runs, label)
    return pd.DataFrame(
        {
            "boot": own.boot[runs.left].astype(np.int32),
            "seq_from": runs.seq_from,
            "seq_to": pd.array(runs.seq_to, "Int64"),
            "frames": pd.array(runs.frames, "Int64"),
            "extent": "known",
            "cause": CAUSE[label],
            "before_hub_ns": pd.array(own.hub_ns[runs.left], "Int64"),
            "after_hub_ns": pd.array(own.hub_ns[runs.left + 1], "Int64"),
            "reason": np.array([None, "counter_restart"], object)[(label == COUNTER).astype(np.int64)],
        }
    )


def edge_causes(listed: SentEdges, silent: Silences) -> Ints:
    """Return the number in :data:`CAUSE` of each frame (k,) that a list has at the edge of a boot."""
    label = np.where(causes.within(listed.on_ns, *silent.joint), JOINT, LISTED)
    label[causes.within(listed.on_ns, *silent.outage)] = OUTAGE
    return label


def _listed(own: StreamFrames, listed: SentEdges, silent: Silences) -> pd.DataFrame:
    """Gaps before the first and after the last frames of boots, by a transmit list."""
    label, near, seq = edge_causes(listed, silent), listed.near, listed.seq
    same = (np.diff(near) == 0) & (np.diff(seq) == 1) & (np.diff(label) == 0)
    heads = np.flatnonzero(np.append(True, ~same)) if len(near) else near
    frames, near, before = np.diff(heads, append=len(seq)), near[heads], listed.before(own)[heads]
    hub_ns = pd.array([pd.NA, *own.hub_ns.tolist(), pd.NA], "Int64")
    return pd.DataFrame(
        {
            "boot": own.boot[near].astype(np.int32),
            "seq_from": seq[heads],
            "seq_to": pd.array(seq[heads] + frames, "Int64"),
            "frames": pd.array(frames, "Int64"),
            "extent": "known",
            "cause": CAUSE[label[heads]],
            "before_hub_ns": hub_ns[near + 1 - before],
            "after_hub_ns": hub_ns[near + 2 - before],
            "reason": None,
        }
    )


def between_frames(own: StreamFrames, known: pd.DataFrame) -> pd.DataFrame:
    """Return the gaps between received frames of a boot, without what a transmit list has at its edges."""
    heads = np.flatnonzero(np.diff(own.boot, prepend=-1) != 0)
    tails = np.append(heads[1:], len(own.boot)) - 1
    boot = np.searchsorted(own.boot[heads], known["boot"].to_numpy(np.int64))
    seq = known["seq_from"].to_numpy(np.int64)
    between: pd.DataFrame = known.loc[(seq > own.seq[heads][boot]) & (seq < own.seq[tails][boot])]
    return between


def _uncounted(own: StreamFrames, lost_thread: Bools) -> Iterator[Unknown]:
    """A gap of unknown length between frames next to each other where the counter lost its thread."""
    raw = own.column("seq_raw")
    for at in np.flatnonzero(lost_thread & (np.diff(own.seq) == 1)).tolist():
        hub_s, ticks = np.diff(own.on_at(np.array([at, at + 1])))[0] / 1e9, own.column("ticks")
        passed_s = max(hub_s, (int(ticks[at + 1]) - int(ticks[at])) / own.pace.tick_hz)
        turned = causes.counter_may_have_turned(
            *_pair(raw, at), own.pace.seq_modulus, passed_s / own.periods_s[0]
        )
        why = "wraps" if turned else "counter_restart"
        yield (int(own.boot[at]), int(own.seq[at + 1]), "unknown", *_pair(own.hub_ns, at), why)


def _restarts(own: StreamFrames) -> Iterator[Unknown]:
    """A gap of unknown length between each boot of a stream and the next one, unless they interleave."""
    heads = np.flatnonzero(np.diff(own.boot, prepend=-1))
    on_ns = own.on_ns
    first, last = np.minimum.reduceat(on_ns, heads), np.maximum.reduceat(on_ns, heads)
    for number in np.flatnonzero(last[:-1] <= first[1:]).tolist():
        at = int(heads[number + 1]) - 1
        why = _between_boots(own, at, *_pair(on_ns, at))
        yield (int(own.boot[at]), int(own.seq[at]) + 1, why[0], *_pair(own.hub_ns, at), why[1])


def _between_boots(own: StreamFrames, at: int, before_ns: int, after_ns: int) -> tuple[str, str]:
    """Cause and reason of the gap between the last frame ``at`` of a boot and the first one of the next."""
    passed_s = (after_ns - before_ns) / 1e9
    if own.run[at] != own.run[at + 1] or own.node == HUB:
        return "hub_outage", "hub_restart"
    if ((own.hub.either >= before_ns) & (own.hub.either < after_ns)).any():
        return "unknown", "hub_or_nodes"
    counter = _pair(own.column("seq_raw"), at)
    if causes.counter_went_on(*counter, own.pace.seq_modulus, *(passed_s / each for each in own.periods_s)):
        return "unknown", "ticks_restart"
    # A network may keep the time of its nodes: then ticks go on, and only the counter shows anything.
    network = own.pace.has_ticks and not own.pace.has_boot_field
    ticks = _pair(own.column("ticks_raw"), at)
    if network and causes.ticks_went_on(*ticks, own.pace.tick_modulus, own.pace.tick_hz, passed_s):
        return "unknown", "counter_restart"
    return "node_restart", "restart"


def _pair(values: Ints, at: int) -> tuple[int, int]:
    return int(values[at]), int(values[at + 1])


def _ending(own: StreamFrames, node: list[StreamFrames], end_ns: int) -> Iterator[Unknown]:
    """A gap of unknown length at the end of a stream that fell silent before the session did."""
    period_s = own.periods_s[-1]
    if not causes.fell_silent(int(own.on_at(-1)), end_ns, period_s):
        return
    gone = causes.fell_silent(max(int(each.on_ns.max()) for each in node), end_ns, period_s)
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
