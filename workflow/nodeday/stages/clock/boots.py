"""The hub's stamps in order of capture, and each node's boot by boot, from columns that wait on disk."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nodeday.config.study import HUB
from nodeday.core.arrays import Bools, Floats, Ints
from nodeday.layouts import Layout
from nodeday.schemas.codes import IN_PLACE
from nodeday.stages.clock.nodes import Stamped
from nodeday.storage.frames import STATUS, FirstCapture, FrameColumns, Received, is_in

ALL = "*"
Key = tuple[str, str, int]
"""Node, stream and boot; the stream is ALL where one count of ticks serves all of them."""


@dataclass(frozen=True)
class Captured:
    """The ``first`` capture of a session: stamps (n,) in order of capture, and the host's marks by their
    place among them and by UTC, (m,) each.
    """

    frames: Received
    first: FirstCapture
    hub_ns: Ints
    marks: tuple[NDArray[np.integer], Ints]

    @classmethod
    def of(cls, frames: Received) -> Captured:
        first, (rows, utc_ns) = frames.first_capture(), frames.marks
        early = first.holds(rows)
        hub_ns = frames.in_order("hub_ns")[first.mine]
        return cls(frames, first, hub_ns, (first.place(rows[early]), utc_ns[early]))

    def by_status(self) -> dict[str, dict[str, int]]:
        """How many frames of each node but the hub have each status: nodes by their first frame, statuses
        from the commonest on.
        """
        first, counts = dict[str, int](), dict[str, Ints]()
        for (node, _), columns in self.frames.streams.items():
            mine = self.first.holds(columns["row"])
            if node != HUB and mine.any():
                row, count = int(columns["row"][mine.argmax()]), np.bincount(columns["status"][mine])
                first[node] = min(row, first.get(node, row))
                count = np.pad(count, (0, len(STATUS) - len(count)))
                counts[node] = count + counts.get(node, np.zeros_like(count))
        return {
            node: dict(sorted(zip(STATUS, counts[node].tolist(), strict=True), key=lambda each: -each[1]))
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
                parts = (_Stamps.of(streams[node, name], layout, name, self.first) for name in names)
                whole = ALL if layout.has_ticks else names[0]
                yield from (((node, whole, boot), each) for boot, each in _by_boot(_joined([*parts]), run))


@dataclass(frozen=True)
class _Stamps:
    """Frames (f,) of the first capture: ``rows`` are their places in it, ``sent_ns`` stamps less a known
    wait, ``sound`` those whose counters and stamp can be relied on, ``rate_hz`` the nominal rate of ticks.
    """

    rows: NDArray[Any]
    boot: NDArray[np.int32]
    sound: Bools
    ticks: Ints
    sent_ns: Ints
    rate_hz: Floats

    @classmethod
    def of(cls, columns: FrameColumns, layout: Layout, stream: str, first: FirstCapture) -> _Stamps:
        """Of one stream."""
        rows = columns["row"]
        mine = slice(None) if isinstance(first.mine, slice) else first.holds(rows)
        # A frame waits for its last sample, and a longer one is longer on the air: both are known.
        sent_ns = columns["hub_ns"][mine]
        sent_ns -= round(layout.stream(stream).least_lag_s * 1e9)
        sound = is_in(columns["status"], IN_PLACE)[mine]
        rates = np.broadcast_to(layout.tick_hz(stream), len(sent_ns))
        return cls(
            first.place(rows[mine]), columns["boot"][mine], sound, columns["ticks"][mine], sent_ns, rates
        )


def _joined(parts: list[_Stamps]) -> _Stamps:
    """Of streams that one count of ticks serves, one stream after the other."""
    if len(parts) == 1:
        return parts[0]
    columns = zip(*(vars(part).values() for part in parts), strict=True)
    return _Stamps(*(np.concatenate(each) for each in columns))


def _by_boot(whole: _Stamps, run: NDArray[np.int32]) -> Iterator[tuple[int, Stamped]]:
    """Frames boot by boot, in order of ticks, then of capture; those that are sound where any is. The rate is
    that of the stream which came first.
    """
    for number in np.unique(whole.boot).tolist():
        mine = whole.boot == number
        first = (whole.rows == whole.rows.min(where=mine, initial=len(run))).argmax()
        if (mine & whole.sound).any():
            mine &= whole.sound
        at: Ints | slice = slice(None) if mine.all() else np.flatnonzero(mine)
        rows, ticks = whole.rows[at], whole.ticks[at]
        if (ticks[1:] <= ticks[:-1]).any():
            order = np.lexsort((rows, ticks))
            rows, ticks, at = rows[order], ticks[order], np.arange(len(mine))[at][order]
        rate_hz = float(whole.rate_hz[first])
        yield number, Stamped(rows, ticks, whole.sent_ns[at], run[rows], np.zeros(len(rows)), rate_hz)
