"""Received frames of each stream: the distinct ones in order, on the hub's time while it was on."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nodeday.core.arrays import Bools, Floats, Ints
from nodeday.schemas.codes import DISTINCT, SECOND_COPIES
from nodeday.stages.loss.hub import HubClock, HubRuns, hub_clock, nodes_of
from nodeday.storage.frames import FrameColumns, Key, is_in
from nodeday.storage.session_cut import BootNumbers, SessionCut

COPIES = ("copy_hub_ns", "copy_run", "copy_conflict", "copies")


@dataclass(frozen=True)
class StreamTiming:
    """What a layout says of a stream's frames: nominal period, and counters with their ranges.

    ``has_ticks`` and ``has_boot_field``: whether frames hold ticks of the node, and a number of its boot.
    ``periods`` are by kind of frame where several hold the stream.
    ``is_made``: whether they were made of the times of decoded rows, and so are no evidence of a hub.
    ``fields`` are fields beyond those that every frame has, by their columns of table ``frames``.
    """

    period_s: float
    seq_modulus: int = 256
    tick_modulus: int = 1 << 24
    tick_hz: float = 32768.0
    has_ticks: bool = True
    has_boot_field: bool = False
    is_made: bool = False
    periods: Mapping[int, float] = field(default_factory=dict)
    fields: tuple[str, ...] = ()


@dataclass(frozen=True)
class StreamFrames:
    """Distinct frames of one stream by boot and number, (n,) each, and the stamps of second copies (c,).

    ``run`` is the hub's. Other columns of table ``frames`` are read from ``columns`` when they are asked for;
    ``order`` and ``copies`` are the positions of the frames and of the second copies there. ``numbers`` are
    those that were received or lost in each boot.
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
    copies: Ints
    numbers: BootNumbers

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
            again,
            BootNumbers.received(boot[order], seq[order]),
        )

    def within(self, numbers: BootNumbers) -> StreamFrames:
        """Return the frames and second copies with one of these ``numbers``."""
        kept = np.flatnonzero(numbers.hold(self.boot, self.seq))
        copy_boot, copy_seq = (self.columns[name][self.copies] for name in ("boot", "seq"))
        again = np.flatnonzero(numbers.hold(copy_boot, copy_seq))
        order = np.arange(len(self.seq))[kept] if isinstance(self.order, slice) else self.order[kept]
        return replace(
            self,
            **{name: getattr(self, name)[kept] for name in ("boot", "seq", "hub_ns", "run")},
            **{name: getattr(self, name)[again] for name in COPIES},
            order=order,
            numbers=numbers,
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
    def boot_returns(self) -> int:
        """How often the first capture goes back to an earlier boot.

        A node that restarts leaves a boot for good::

            boots    0 0 0 1 1 1 2 2      restarts
            boots    0 1 0 1 1 0 1 0      two senders: 3 returns
        """
        boot = self.columns["boot"][self.columns["capture"] == 0]
        back: Bools = (np.diff(boot) != 0) & (boot[1:] < np.maximum.accumulate(boot)[1:])
        return int(back.sum())

    @property
    def periods_s(self) -> list[float]:
        """Nominal times from frame to frame of the kinds that were received, the shortest first."""
        if not self.pace.periods:
            return [self.pace.period_s]
        return sorted({self.pace.periods[kind] for kind in np.unique(self.column("kind")).tolist()})

    @property
    def recovered(self) -> Bools:
        """Which frames came by another copy of the capture, (n,)."""
        return np.asarray(self.column("capture") > 0, np.bool_)


@dataclass(frozen=True)
class SessionFrames:
    """Streams with their columns in order of node and stream, and what the hub did meanwhile.

    They are those of the capture, of which a session may be a part: its ``cut``. ``last_ns`` is the last
    frame of all, or the session's end where that comes first, on the hub's time while it was on.
    """

    columns: Mapping[Key, FrameColumns]
    paces: Mapping[Key, StreamTiming]
    hub: HubClock
    last_ns: int
    cut: SessionCut | None = None

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
    streams: Mapping[Key, FrameColumns],
    runs: HubRuns,
    paces: Mapping[Key, StreamTiming],
    cut: SessionCut | None = None,
) -> SessionFrames:
    """Return the received frames of a capture, in the ``runs`` of its hub; ``paces`` by (node, stream)."""
    hub = hub_clock(streams, runs)
    # Only second copies of a stream cannot be: the first copy is distinct.
    columns = {key: each for key, each in streams.items() if is_in(each["status"], DISTINCT).any()}
    stamps = _stamps(columns, hub)
    last_ns = int(stamps[-1]) if len(stamps) else 0
    if cut is not None and cut.end_ns is not None:
        last_ns = min(last_ns, hub.on_at(cut.end_ns))
    return SessionFrames(columns, paces, hub, last_ns, cut)


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
