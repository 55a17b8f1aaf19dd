"""The hub's stamps in order of capture, and each node's boot by boot, from columns that wait on disk."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nodeday.arrays import Bools, Ints
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
                parts = [_Stamps.of(streams[node, name], layout, name, self.place) for name in names]
                for boot, stamped in _by_boot(parts, run):
                    yield (node, ALL if layout.has_ticks else names[0], boot), stamped


@dataclass(frozen=True)
class _Stamps:
    """Frames (f,) of a stream in the first capture: ``sent_ns`` are its stamps less a known wait, and
    ``sound`` those whose counters and stamp can be relied on."""

    rows: NDArray[Any]
    boot: NDArray[np.int32]
    sound: Bools
    ticks: Ints
    sent_ns: Ints
    rate_hz: float

    @classmethod
    def of(cls, columns: Columns, layout: Layout, stream: str, place: Ints | None) -> _Stamps:
        # A frame waits for its last sample, and a longer one is longer on the air: both are known.
        lag_ns, mine = round(layout.stream(stream).least_lag_s * 1e9), columns["capture"] == 0
        rows: NDArray[Any] = columns["row"]
        if place is not None:
            rows = place[rows]
        return cls(
            rows[mine], columns["boot"][mine], is_in(columns["status"], IN_PLACE)[mine],
            columns["ticks"][mine], columns["hub_ns"][mine] - lag_ns, layout.tick_hz(stream),
        )  # fmt: skip


def _by_boot(parts: list[_Stamps], run: NDArray[np.int32]) -> Iterator[tuple[int, Stamped]]:
    """Frames of streams that one count of ticks serves, boot by boot, in order of ticks; those that are sound
    where any is. The rate is that of the stream which came first."""
    rows, boot, sound, ticks, sent_ns = (
        np.concatenate([getattr(part, name) for part in parts])
        for name in ("rows", "boot", "sound", "ticks", "sent_ns")
    )
    part = np.arange(len(parts), dtype=np.int8).repeat([len(each.rows) for each in parts])
    for number in np.unique(boot).tolist():
        mine = boot == number
        head = np.flatnonzero(mine)[rows[mine].argmin()]
        at = np.flatnonzero(mine & sound if (mine & sound).any() else mine)
        if not (np.diff(ticks[at]) > 0).all():
            at = at[np.lexsort((rows[at], ticks[at]))]
        own = rows[at]
        yield (
            number,
            Stamped(own, ticks[at], sent_ns[at], run[own], np.zeros(len(own)), parts[part[head]].rate_hz),
        )
