"""Received frames of each stream: the distinct ones in order, on the hub's time while it was on."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nodeday.core.arrays import Bools, Floats, Ints
from nodeday.schemas.codes import DISTINCT, SECOND_COPIES
from nodeday.stages.loss.hub import HubClock, HubRuns, hub_clock, nodes_of
from nodeday.storage.frames import FrameColumns, Key, is_in


@dataclass(frozen=True)
class StreamTiming:
    """What a layout says of a stream's frames: nominal period, and counters with their ranges.

    ``has_ticks`` and ``has_boot_field``: whether frames hold ticks of the node, and a number of its boot.
    ``fields`` are fields beyond those that every frame has, by their columns of table ``frames``.
    """

    period_s: float
    seq_modulus: int = 256
    tick_modulus: int = 1 << 24
    tick_hz: float = 32768.0
    has_ticks: bool = True
    has_boot_field: bool = False
    fields: tuple[str, ...] = ()


@dataclass(frozen=True)
class StreamFrames:
    """Distinct frames of one stream by boot and number, (n,) each, and the stamps of second copies (c,).

    ``run`` is the hub's. Other columns of table ``frames`` are read from ``columns`` when they are asked for;
    ``order`` are the positions of the frames there.
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
    def of(
        cls, key: Key, pace: StreamTiming, hub: HubClock, columns: FrameColumns, run: NDArray[np.int32]
    ) -> StreamFrames:
        """Read them; ``run`` (f,) is the hub's at all frames of the stream."""
        status, hub_ns = columns["status"], columns["hub_ns"]
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
            hub,
            columns,
            order,
        )

    @property
    def on_ns(self) -> Ints:
        """The hub's time while it was on, without jumps, when each frame came, (n,)."""
        return self.hub.on_ns(self.hub_ns, self.run)

    def on_at(self, at: Ints | int) -> Ints:
        """Return :attr:`on_ns` of some frames only."""
        return self.hub.on_ns(self.hub_ns[at], self.run[at])

    def column(self, name: str) -> NDArray[Any]:
        """Read a column of table ``frames``, (n,)."""
        return self.columns[name][self.order]

    def measured(self, name: str) -> Floats:
        """Read what the radio or the battery was measured at, (n,), nan where it was not."""
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
    """Streams with their columns in order of node and stream, and what the hub did meanwhile.

    ``last_ns`` is the last frame of all, on the hub's time while it was on.
    """

    columns: Mapping[Key, FrameColumns]
    paces: Mapping[Key, StreamTiming]
    hub: HubClock
    last_ns: int

    @property
    def nodes(self) -> list[str]:
        """Nodes in order."""
        return list(nodes_of(self.columns))

    def streams_of(self, node: str) -> list[StreamFrames]:
        """Read the streams of a node: no other need be in memory at the same time."""
        own = nodes_of(self.columns)[node]
        return [
            StreamFrames.of((node, stream), self.paces[node, stream], self.hub, own[stream], run)
            for stream, run in self.hub.runs.of_node(own).items()
        ]

    def others_ns(self, node: str) -> Ints:
        """Return when frames of all other nodes came, (m,), in order."""
        return _stamps({key: own for key, own in self.columns.items() if key[0] != node}, self.hub)

    def of_node_ns(self, node: str) -> Ints:
        """Return when frames of ``node`` came, (m,), in order."""
        return _stamps({key: own for key, own in self.columns.items() if key[0] == node}, self.hub)


def session_frames(
    streams: Mapping[Key, FrameColumns], runs: HubRuns, paces: Mapping[Key, StreamTiming]
) -> SessionFrames:
    """Return the received frames of a session, in the ``runs`` of its hub; ``paces`` by (node, stream)."""
    hub = hub_clock(streams, runs)
    # Only second copies of a stream cannot be: the first copy is distinct.
    columns = {key: each for key, each in streams.items() if is_in(each["status"], DISTINCT).any()}
    stamps = _stamps(columns, hub)
    return SessionFrames(columns, paces, hub, int(stamps[-1]) if len(stamps) else 0)


def _stamps(streams: Mapping[Key, FrameColumns], hub: HubClock) -> Ints:
    """Return when distinct frames of ``streams`` came, (n,), in order."""
    found = [np.empty(0, np.int64)]
    for node in nodes_of(streams).values():
        for stream, run in hub.runs.of_node(node).items():
            distinct = is_in(node[stream]["status"], DISTINCT)
            found.append(hub.on_ns(node[stream]["hub_ns"], run)[distinct])
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
