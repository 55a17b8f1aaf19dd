"""What was heard of each stream: its distinct frames in order, on the hub's time while it was on."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nodeday.core.arrays import Bools, Floats, Ints
from nodeday.schemas.codes import DISTINCT, SECOND_COPIES
from nodeday.stages.loss import causes
from nodeday.stages.loss.hub import HUB, HubClock, follow
from nodeday.storage.frames import FrameColumns, Key, Received, is_in

COLUMNS = [
    "capture",
    "boot",
    "seq_raw",
    "seq",
    "ticks_raw",
    "ticks",
    "hub_ns",
    "mark_utc_ns",
    "rssi_dbm",
    "lqi",
    "battery_v",
]


@dataclass(frozen=True)
class StreamTiming:
    """What a layout says of a stream's frames: nominal period, and counters with their ranges."""

    period_s: float
    seq_modulus: int = 256
    tick_modulus: int = 1 << 24
    tick_hz: float = 32768.0


@dataclass(frozen=True)
class StreamFrames:
    """Distinct frames of one stream by boot and number, (n,) each, and the stamps of second copies (c,).

    ``run`` counts the hub's restarts. Other columns of table ``frames`` are read as they are asked for, from
    ``columns``, in which the frames stand at ``order``.
    """

    node: str
    stream: str
    pace: StreamTiming
    boot: NDArray[np.int32]
    seq: Ints
    hub_ns: Ints
    run: NDArray[np.int32]
    copy_hub_ns: Ints
    copy_run: NDArray[np.int32]
    copy_conflict: Bools
    hub: HubClock
    columns: FrameColumns
    order: Ints | slice

    @classmethod
    def of(cls, key: Key, pace: StreamTiming, own: HubClock, columns: FrameColumns) -> StreamFrames:
        status, run, hub_ns = columns["status"], own.run[columns["row"]], columns["hub_ns"]
        again = np.flatnonzero(is_in(status, SECOND_COPIES))
        boot, seq = columns["boot"], columns["seq"]
        order = _in_order(is_in(status, DISTINCT), boot, seq)
        return cls(
            *key,
            pace,
            boot[order],
            seq[order],
            hub_ns[order],
            run[order],
            hub_ns[again],
            run[again],
            is_in(status[again], ["conflict"]),
            own,
            columns,
            order,
        )

    @property
    def on_ns(self) -> Ints:
        """The hub's time while it was on, without jumps, when each frame came, (n,)."""
        return self.hub.on_ns(self.hub_ns, self.run)

    def on_at(self, at: Ints | int) -> Ints:
        """The same of some frames only."""
        return self.hub.on_ns(self.hub_ns[at], self.run[at])

    def column(self, name: str) -> NDArray[Any]:
        """A column of table ``frames``, (n,)."""
        return self.columns[name][self.order]

    def measured(self, name: str) -> Floats:
        """What the radio or the battery was measured at, (n,), nan where it was not."""
        return self.column(name).astype(np.float64)

    def stands_as(self, status: str) -> Bools:
        """Which frames have a status, (n,)."""
        return is_in(self.column("status"), [status])

    @property
    def recovered(self) -> Bools:
        """Which frames came by another copy of the capture, (n,)."""
        return np.asarray(self.column("capture") > 0, np.bool_)


@dataclass(frozen=True)
class SessionFrames:
    """Streams in order of node and stream, what the hub did meanwhile, half-open stretches in which no node
    was heard, (s,) each, and the last frame of all, both on the hub's time while it was on.
    """

    columns: Mapping[Key, FrameColumns]
    paces: Mapping[Key, StreamTiming]
    hub: HubClock
    silent: tuple[Ints, Ints]
    last_ns: int

    @property
    def nodes(self) -> list[str]:
        return list(dict.fromkeys(node for node, _ in self.columns))

    def streams_of(self, node: str) -> list[StreamFrames]:
        """The streams of a node, from disk: no other need be in memory at the same time."""
        return [
            StreamFrames.of(key, self.paces[key], self.hub, own)
            for key, own in self.columns.items()
            if key[0] == node
        ]

    def others_ns(self, node: str) -> Ints:
        """When frames of all other nodes came, (m,), in order."""
        return _stamps([own for key, own in self.columns.items() if key[0] != node], self.hub)


def session_frames(frames: Received, paces: Mapping[Key, StreamTiming]) -> SessionFrames:
    """What was heard of a session; ``paces`` by (node, stream)."""
    rates = {node: (pace.tick_hz, pace.tick_modulus) for (node, _), pace in paces.items()}
    own = follow(frames, rates)
    # Only second copies of a stream cannot be: the first copy is distinct.
    columns = {key: each for key, each in frames.streams.items() if is_in(each["status"], DISTINCT).any()}
    stamps, slowest = _stamps(columns.values(), own), dict[str, float]()
    for node, stream in columns:
        if node != HUB:
            slowest[node] = min(paces[node, stream].period_s, slowest.get(node, np.inf))
    # Without sensor nodes there is nobody whose silence could tell.
    silent = causes.silences(stamps if slowest else stamps[:0], max(slowest.values(), default=0.0))
    return SessionFrames(columns, paces, own, silent, int(stamps[-1]) if len(stamps) else 0)


def _stamps(streams: Collection[FrameColumns], own: HubClock) -> Ints:
    """When distinct frames of ``streams`` came, (n,), in order."""
    found = [np.empty(0, np.int64)]
    for each in streams:
        distinct = is_in(each["status"], DISTINCT)
        found.append(own.on_ns(each["hub_ns"], own.run[each["row"]])[distinct])
    return np.sort(np.concatenate(found), kind="stable")  # merges what is in order


def _in_order(distinct: Bools, boot: NDArray[np.int32], seq: Ints) -> Ints | slice:
    """Places of the ``distinct`` frames by boot and number; a slice where all are, and stand like that."""
    if distinct.all():
        later = np.diff(boot)
        if (later >= 0).all() and ((np.diff(seq) >= 0) | (later > 0)).all():
            return slice(None)
    order = np.flatnonzero(distinct)
    # Nearly in order already, which is what the stable sort is quick at.
    order = order[np.argsort(seq[order], kind="stable")]
    return order[np.argsort(boot[order], kind="stable")] if np.ptp(boot) else order
