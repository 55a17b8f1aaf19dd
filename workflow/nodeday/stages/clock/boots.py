"""Hub stamps and host marks of the first capture, and the stamps of each node boot by boot."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from nodeday.config.study import HUB
from nodeday.core.arrays import Bools, Floats, Ints
from nodeday.layouts import Layout
from nodeday.schemas.codes import IN_PLACE
from nodeday.stages.clock.hub import RunStarts
from nodeday.stages.clock.nodes import Stamped
from nodeday.storage.frames import STATUS, FrameColumns, first_capture, is_in, marks_of
from nodeday.storage.frames import Key as Stream

ALL = "*"
Key = tuple[str, str, int]
"""Node, stream and boot; the stream is ALL where one count of ticks serves all of them."""


@dataclass(frozen=True)
class Captured:
    """The first capture of a session, stream by stream, and the host's marks in it in order of capture.

    ``marks`` are rows of table ``frames``, hub stamps and UTC, (m,) each.
    """

    streams: Mapping[Stream, FrameColumns]
    marks: tuple[Ints, Ints, Ints]

    @classmethod
    def of(cls, streams: Mapping[Stream, FrameColumns]) -> Captured:
        """Look for the marks in all ``streams``."""
        parts = [np.empty((3, 0), np.int64)]
        for columns in streams.values():
            at, utc_ns = marks_of(columns)
            if len(at):
                early = at < first_capture(columns).stop
                at = at[early]
                parts.append(np.stack([columns["row"][at], columns["hub_ns"][at], utc_ns[early]]))
        joined = np.concatenate(parts, axis=1)
        row, hub_ns, utc_ns = joined[:, np.argsort(joined[0])]
        return cls(streams, (row, hub_ns, utc_ns))

    @property
    def has_samples(self) -> bool:
        """Whether any frame holds samples."""
        return any((columns["samples"] > 0).any() for columns in self.streams.values())

    def stamps(self) -> Iterator[tuple[Ints, Ints]]:
        """Give rows of table ``frames`` and hub stamps (f,) of one stream after the other."""
        for columns in self.streams.values():
            own = first_capture(columns)
            yield columns["row"][own], columns["hub_ns"][own]

    def stamps_at(self, rows: Ints) -> Ints:
        """Return the hub's stamps at ``rows`` (k,) of table ``frames``, in order."""
        out = np.zeros(len(rows), np.int64)
        for row, hub_ns in self.stamps():
            low, high = np.searchsorted(row, [rows[0], rows[-1] + 1]) if len(rows) else (0, 0)
            at = np.searchsorted(rows, row[low:high])
            own = rows[at] == row[low:high]
            out[at[own]] = hub_ns[low:high][own]
        return out

    def by_status(self) -> dict[str, dict[str, int]]:
        """Count the frames of each node but the hub by status.

        Nodes come in order of their first frame, statuses from the commonest on.
        """
        first, counts = dict[str, int](), dict[str, Ints]()
        for (node, _), columns in self.streams.items():
            status = columns["status"][first_capture(columns)]
            if node != HUB and len(status):
                row, count = int(columns["row"][0]), np.bincount(status, minlength=len(STATUS))
                first[node] = min(row, first.get(node, row))
                counts[node] = count + counts.get(node, np.zeros_like(count))
        return {
            node: dict(sorted(zip(STATUS, counts[node].tolist(), strict=True), key=lambda each: -each[1]))
            for node in sorted(first, key=lambda name: first[name])
        }

    def boots(self, layout_of: Callable[[str], Layout], runs: RunStarts) -> Iterator[tuple[Key, Stamped]]:
        """Give each boot of each node but the hub, a node after the other, in the hub's ``runs``."""
        for node in dict.fromkeys(node for node, _ in self.streams if node != HUB):
            layout, own = layout_of(node), [stream for name, stream in self.streams if name == node]
            for names in [own] if layout.has_ticks else [[name] for name in own]:
                parts = (_Stamps.of(self.streams[node, name], layout, name) for name in names)
                stream = ALL if layout.has_ticks else names[0]
                counted = not layout.has_ticks
                for boot, each in _by_boot(_joined([*parts]), runs):
                    yield (node, stream, boot), replace(each, counted=counted)
                    del each  # before the next one is read


@dataclass(frozen=True)
class _Stamps:
    """Frames (f,) of the first capture, in streams whose nominal rate of ticks is ``rate_hz``.

    ``rows`` are those of table ``frames``, ``sent_ns`` stamps less a known wait, and ``sound`` frames are
    those whose counters and stamp can be relied on.
    """

    rows: Ints
    boot: NDArray[np.int32]
    sound: Bools
    ticks: Ints
    sent_ns: Ints
    rate_hz: Floats

    @classmethod
    def of(cls, columns: FrameColumns, layout: Layout, stream: str) -> _Stamps:
        """Read those of one stream."""
        own = first_capture(columns)
        # A frame waits for its last sample, and a longer one is longer on the air: both are known.
        lags = {kind.kind: round(kind.least_lag_s * 1e9) for kind in layout.kinds_of(stream)}
        sent_ns: Ints = columns["hub_ns"][own] - lags[layout.stream(stream).kind]
        if len(lags) > 1:
            numbers, at = np.unique(columns["kind"][own], return_inverse=True)
            sent_ns = (
                columns["hub_ns"][own] - np.array([lags[each] for each in numbers.tolist()], np.int64)[at]
            )
        sound = is_in(columns["status"], IN_PLACE)[own]
        rates = np.broadcast_to(layout.tick_hz(stream), len(sent_ns))
        return cls(columns["row"][own], columns["boot"][own], sound, columns["ticks"][own], sent_ns, rates)


def _joined(parts: list[_Stamps]) -> _Stamps:
    """Join streams that one count of ticks serves, one after the other."""
    if len(parts) == 1:
        return parts[0]
    columns = zip(*(vars(part).values() for part in parts), strict=True)
    return _Stamps(*(np.concatenate(each) for each in columns))


def _by_boot(stamps: _Stamps, runs: RunStarts) -> Iterator[tuple[int, Stamped]]:
    """Give frames boot by boot, in order of ticks, then of capture; those that are sound where any is.

    The rate is that of the stream which came first.
    """
    for number in np.unique(stamps.boot).tolist():
        own = stamps.boot == number
        first = (stamps.rows == stamps.rows.min(where=own, initial=np.iinfo(np.int64).max)).argmax()
        if (own & stamps.sound).any():
            own &= stamps.sound
        at: Ints | slice = slice(None) if own.all() else np.flatnonzero(own)
        rows, ticks = stamps.rows[at], stamps.ticks[at]
        if (ticks[1:] <= ticks[:-1]).any():
            order = np.lexsort((rows, ticks))
            rows, ticks, at = rows[order], ticks[order], np.arange(len(own))[at][order]
        rate_hz = float(stamps.rate_hz[first])
        yield (
            number,
            Stamped(rows, ticks, stamps.sent_ns[at], runs.of(rows), np.zeros(len(rows)), rate_hz),
        )
