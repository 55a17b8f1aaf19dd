"""The hub's stamps in order of capture, and each node's boot by boot, from columns that wait on disk."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nodeday.arrays import Bools, Floats, Ints
from nodeday.clock.nodes import Stamped
from nodeday.heard import STATUS, Columns, Received, is_in
from nodeday.layouts import Layout
from nodeday.schemas.codes import IN_PLACE
from nodeday.settings import HUB

ALL = "*"
Key = tuple[str, str, int]
"""Node, stream and boot; the stream is ALL where one count of ticks serves all of them."""


@dataclass(frozen=True)
class Captured:
    """The first capture of a session: stamps (n,) in order of capture, and the host's marks by row and UTC.

    Frames of further captures carry stamps that were made from the first one's. ``place`` is the row here of
    each row of table ``frames``; None where there is no further capture.
    """

    frames: Received
    hub_ns: Ints
    marks: tuple[Ints, Ints]
    place: Ints | None

    @classmethod
    def first(cls, frames: Received) -> Captured:
        mine, hub_ns = frames.in_order("capture") == 0, frames.in_order("hub_ns")
        rows, utc_ns = frames.marks
        utc_ns = utc_ns.astype(np.float64).astype(np.int64)  # which rounds them to 256 ns
        if mine.all():
            return cls(frames, hub_ns, (rows, utc_ns), None)
        place, early = np.cumsum(mine) - 1, mine[rows]
        return cls(frames, hub_ns[mine], (place[rows[early]], utc_ns[early]), place)

    def by_status(self) -> dict[str, dict[str, int]]:
        """How many frames of each node but the hub have each status: nodes by their first frame, statuses
        from the commonest on."""
        first, counts = dict[str, int](), dict[str, Ints]()
        for (node, _), columns in self.frames.streams.items():
            mine = columns["capture"] == 0
            if node != HUB and mine.any():
                row, count = int(columns["row"][mine.argmax()]), np.bincount(columns["status"][mine])
                first[node] = min(row, first.get(node, row))
                count = np.pad(count, (0, len(STATUS) - len(count)))
                counts[node] = count + counts.get(node, np.zeros_like(count))
        return {
            node: {
                STATUS[at]: int(counts[node][at]) for at in np.argsort(-counts[node], kind="stable").tolist()
            }
            for node in sorted(first, key=lambda name: first[name])
        }

    def boots(
        self, layout_of: Callable[[str], Layout], run: NDArray[np.int32]
    ) -> Iterator[tuple[Key, Stamped]]:
        """Each boot of each node but the hub, a node after the other; ``run`` (n,) is the hub's."""
        streams = self.frames.streams
        for node in dict.fromkeys(node for node, _ in streams if node != HUB):
            layout, own = layout_of(node), [stream for name, stream in streams if name == node]
            for names in [own] if layout.has_ticks else [[name] for name in own]:
                stamps = _joined(
                    [_Stamps.of(streams[node, name], layout, name, self.place) for name in names]
                )
                for boot, stamped in _by_boot(stamps, run):
                    yield (node, ALL if layout.has_ticks else names[0], boot), stamped
                del stamps, stamped  # before the next ones are read


@dataclass(frozen=True)
class _Stamps:
    """Frames (f,) of the first capture: ``sent_ns`` are stamps less a known wait, ``sound`` those frames whose
    counters and stamp can be relied on, and ``rate_hz`` is the nominal rate of ticks of their streams."""

    rows: NDArray[Any]
    boot: NDArray[np.int32]
    sound: Bools
    ticks: Ints
    sent_ns: Ints
    rate_hz: Floats

    @classmethod
    def of(cls, columns: Columns, layout: Layout, stream: str, place: Ints | None) -> _Stamps:
        """Of one stream."""
        rows, mine = columns["row"], slice(None) if place is None else columns["capture"] == 0
        own = rows if place is None else place[rows[mine]]
        # A frame waits for its last sample, and a longer one is longer on the air: both are known.
        sent_ns = columns["hub_ns"][mine]
        sent_ns -= round(layout.stream(stream).least_lag_s * 1e9)
        return cls(own, columns["boot"][mine], is_in(columns["status"], IN_PLACE)[mine], columns["ticks"][mine],
                   sent_ns, np.broadcast_to(layout.tick_hz(stream), len(own)))  # fmt: skip


def _joined(parts: list[_Stamps]) -> _Stamps:
    """Of streams that one count of ticks serves, one stream after the other."""
    if len(parts) == 1:
        return parts[0]
    return _Stamps(
        *(np.concatenate(each) for each in zip(*(vars(part).values() for part in parts), strict=True))
    )


def _by_boot(whole: _Stamps, run: NDArray[np.int32]) -> Iterator[tuple[int, Stamped]]:
    """Frames boot by boot, in order of ticks, then of capture; those that are sound where any is. The rate is
    that of the stream which came first."""
    for number in np.unique(whole.boot).tolist():
        mine = whole.boot == number
        first = np.flatnonzero(mine)[whole.rows[mine].argmin()]
        if (mine & whole.sound).any():
            mine &= whole.sound
        at: Ints | slice = slice(None) if mine.all() else np.flatnonzero(mine)
        rows, ticks = whole.rows[at], whole.ticks[at]
        if (np.diff(ticks) <= 0).any():
            order = np.lexsort((rows, ticks))
            rows, ticks, at = rows[order], ticks[order], np.arange(len(mine))[at][order]
        rate_hz = float(whole.rate_hz[first])
        yield number, Stamped(rows, ticks, whole.sent_ns[at], run[rows], np.zeros(len(rows)), rate_hz)
