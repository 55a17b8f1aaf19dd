"""The hub's time while it was on: its runs end to end, and the host's marks in each."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from nodeday.core.arrays import Ints
from nodeday.storage.frames import FrameColumns, Key, first_capture, marks_of

HUB = "hub"


@dataclass(frozen=True)
class HubRuns:
    """Runs of the hub's clock, by the ``first`` row of table ``frames`` in each, (r,).

    ``either`` (e,) are the runs in which the hub or every node restarted, and the last hub stamp before that.
    """

    first: Ints
    either: tuple[Ints, Ints]

    @classmethod
    def of(cls, table: pd.DataFrame) -> HubRuns:
        """Take them from table ``hub_runs``."""
        unsure = (table["began"] == "hub_or_nodes").to_numpy()
        run, before_ns = (table.loc[unsure, name].to_numpy(np.int64) for name in ("hub_run", "before_hub_ns"))
        return cls(table["row"].to_numpy(np.int64)[~unsure], (run, before_ns))

    def of_node(self, node: Mapping[str, FrameColumns]) -> dict[str, NDArray[np.int32]]:
        """Return the run of each frame of a node, stream by stream, (f,) each.

        Frames of further captures take the run of the node's nearest frame in the first capture, by ticks; a
        boot that the first capture does not have stays in the first run.
        """
        if len(self.first) <= 1:
            return {stream: np.zeros(len(columns["boot"]), np.int32) for stream, columns in node.items()}
        rows = {stream: columns["row"] for stream, columns in node.items()}
        found = {stream: self._of_rows(row) for stream, row in rows.items()}
        early = {stream: first_capture(columns) for stream, columns in node.items()}
        if any(early[stream].stop < len(row) for stream, row in rows.items()):
            _take_nearest(found, early, node)
        return found

    def _of_rows(self, row: Ints) -> NDArray[np.int32]:
        return np.asarray(np.searchsorted(self.first, row, side="right") - 1, np.int32)


def _take_nearest(
    run: Mapping[str, NDArray[np.int32]], early: Mapping[str, slice], node: Mapping[str, FrameColumns]
) -> None:
    """Fill ``run`` of the frames of further captures in place; ``early`` are those of the first."""
    columns = [(node[stream], early[stream], run[stream]) for stream in run]
    row, boot, ticks, known = (
        np.concatenate(parts)
        for parts in zip(
            *((own["row"][at], own["boot"][at], own["ticks"][at], found[at]) for own, at, found in columns),
            strict=True,
        )
    )
    order = np.lexsort((row, ticks))
    boot, ticks, known = boot[order], ticks[order], known[order]
    for own, at, found in columns:
        late = slice(at.stop, None)
        boots, late_ticks, out = (
            own["boot"][late],
            own["ticks"][late],
            np.zeros(len(found) - at.stop, np.int32),
        )
        for each in np.unique(boots).tolist():
            wanted, others = boots == each, boot == each
            if others.any():
                nearest = np.searchsorted(ticks[others], late_ticks[wanted]).clip(max=int(others.sum()) - 1)
                out[wanted] = known[others][nearest]
        found[late] = out


@dataclass(frozen=True)
class HubClock:
    """The hub's clock by its ``runs``; ``shift`` (r,) is what its time while it was on is ahead of the clock.

    ``marks_run`` and ``marks_on_ns`` are of the host's marks, and ``ahead`` host UTC less hub time in each,
    (m,); ``either`` are instants at which the hub restarted, or else every node did.
    """

    runs: HubRuns
    shift: Ints
    marks_run: NDArray[np.int32]
    marks_on_ns: Ints
    ahead: Ints
    either: Ints

    def on_ns(self, hub_ns: Ints, run: NDArray[np.int32]) -> Ints:
        """Return the hub's time while it was on, rising from run to run, at stamps (k,) of ``run`` (k,)."""
        return hub_ns + self.shift[run]

    @property
    def utc_ns(self) -> dict[int, int]:
        """Host UTC less hub time by run, by the least delayed mark; runs without a mark are absent."""
        return {
            int(each): int(self.ahead[self.marks_run == each].min()) for each in np.unique(self.marks_run)
        }

    def utc_of(self, run: int, on_ns: int, hub_ns: int) -> int | None:
        """Return the UTC of an instant of a run, by the nearest host mark; None where the run has none."""
        own = np.flatnonzero(self.marks_run == run)
        if not len(own):
            return None
        nearest = own[np.abs(self.marks_on_ns[own] - on_ns).argmin()]
        return hub_ns + int(self.ahead[nearest])

    def on_at(self, utc_ns: int) -> int:
        """Return the hub's time while it was on at an instant, by the last host mark before it."""
        # The host's clock may have been put back: then its later marks stand still.
        own = np.maximum.accumulate(self.marks_on_ns - self.shift[self.marks_run] + self.ahead)
        at = max(int(np.searchsorted(own, utc_ns, side="right")) - 1, 0)
        after = int(self.marks_on_ns[at]) + utc_ns - int(own[at])
        # The hub may have been off since: its next run begins where this one ended.
        later = np.flatnonzero(self.marks_run > self.marks_run[at])
        return min(after, int(self.marks_on_ns[later[0]])) if len(later) else after


def nodes_of(streams: Mapping[Key, FrameColumns]) -> dict[str, dict[str, FrameColumns]]:
    """Return the streams of each node, in the same order."""
    found: dict[str, dict[str, FrameColumns]] = {}
    for (node, stream), columns in streams.items():
        found.setdefault(node, {})[stream] = columns
    return found


def hub_clock(streams: Mapping[Key, FrameColumns], runs: HubRuns) -> HubClock:
    """Return the hub's clock by all frames of a session, a node's streams in memory at a time."""
    most = np.iinfo(np.int64)
    low, high = np.full(len(runs.first), most.max), np.full(len(runs.first), most.min)
    marks = [np.empty((4, 0), np.int64)]
    for node in nodes_of(streams).values():
        for stream, run in runs.of_node(node).items():
            hub_ns = node[stream]["hub_ns"]
            for number in range(int(run.min(initial=0)), int(run.max(initial=-1)) + 1):
                own = run == number
                low[number] = min(low[number], hub_ns.min(where=own, initial=most.max))
                high[number] = max(high[number], hub_ns.max(where=own, initial=most.min))
            at, utc_ns = marks_of(node[stream])
            if len(at):
                marks.append(np.stack([node[stream]["row"][at], run[at], hub_ns[at], utc_ns]))
    shift = _shift(low, high)
    row, run, hub_ns, utc_ns = np.concatenate(marks, axis=1)
    order = np.argsort(row)
    run, hub_ns, utc_ns = run[order].astype(np.int32), hub_ns[order], utc_ns[order]
    either = np.sort(runs.either[1] + shift[runs.either[0]])
    return HubClock(runs, shift, run, hub_ns + shift[run], utc_ns - hub_ns, either)


def _shift(low: Ints, high: Ints) -> Ints:
    """Return what to add to the clock in each run, (r,), so that they lie end to end.

    ::

        hub    100 110 120 | 5 15 25        the clock began anew after 120
        on       0  10  20 | 20 30 40

    ``low`` and ``high`` are the least and the greatest stamp of each run.
    """
    length = high - low
    return np.asarray(np.cumsum(length) - length - low, np.int64)
