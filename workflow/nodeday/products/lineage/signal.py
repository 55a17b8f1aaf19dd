"""Samples, grid, gaps and knots back to the frames that they come from."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd

from nodeday.config.study import Study
from nodeday.layouts import Channel, Kind
from nodeday.products.lineage.step import TraceStep, plain
from nodeday.schemas.codes import DISTINCT
from nodeday.storage import frames, samples, tables
from nodeday.storage.row_groups import Filters

SECOND = 1_000_000_000
REACH_NS = 70 * SECOND
"""The longest fill that a study may ask for, and a bit."""
RECEIVED = ("measured", "recovered")
FRAME = [
    "capture",
    "offset",
    "length",
    "node",
    "stream",
    "boot",
    "seq_raw",
    "seq",
    "ticks_raw",
    "ticks",
    "hub_ns",
    "samples",
    "status",
]
Row = Any


@dataclass(frozen=True)
class SessionTables:
    """A session's tables, as far as samples go, read as they are needed."""

    study: Study
    session: str
    _placed: dict[tuple[str, str, int], pd.DataFrame] = field(default_factory=dict)

    def table(self, name: str, filters: Filters | None = None) -> pd.DataFrame:
        return tables.read(tables.path(self.study.results, name, self.session), name, None, filters)

    @cached_property
    def frames(self) -> pd.DataFrame:
        return frames.table(self.study.results, self.session, FRAME)

    @cached_property
    def clock(self) -> pd.DataFrame:
        return self.table("clock")

    @cached_property
    def gaps(self) -> pd.DataFrame:
        return self.table("gaps")

    def kind(self, node: str, stream: str) -> Kind:
        return self.study.layout_of(self.session, node).stream(stream)

    def channel(self, node: str, channel: str) -> tuple[Kind, Channel]:
        """Kind of frame that carries a channel of a node, and the channel."""
        kinds = self.study.layout_of(self.session, node).kinds
        return next((kind, each) for kind in kinds for each in kind.channels if each.name == channel)

    def find(self, node: str, name: str) -> tuple[Kind, str]:
        """Kind of frame that a stream or channel of a node is sent in, and the channel, or its first."""
        kinds = self.study.layout_of(self.session, node).kinds
        kind = next(each for each in kinds if name in (each.stream, *(one.name for one in each.channels)))
        return kind, name if name in [one.name for one in kind.channels] else kind.channels[0].name

    # Frames and what is missing between them

    def frame(self, row: Row) -> TraceStep:
        return TraceStep("frame", plain({name: row[name] for name in FRAME}))

    def distinct(self, node: str, stream: str, boot: int | None = None) -> pd.DataFrame:
        """Frames that stand in a place of their own in the sequence."""
        rows = self.frames[(self.frames["node"] == node) & (self.frames["stream"] == stream)]
        rows = rows[rows["status"].isin(DISTINCT)]
        return rows if boot is None else rows[rows["boot"] == boot]

    def frame_of(self, node: str, stream: str, boot: int, seq: int) -> TraceStep:
        key = (node, stream, boot)
        if key not in self._placed:
            self._placed[key] = self.distinct(*key).set_index("seq", drop=False)
        return self.frame(self._placed[key].loc[seq])

    def gap(self, row: Row) -> TraceStep:
        """A gap, between the frames on both sides of it."""
        rows = self.distinct(row["node"], row["stream"], int(row["boot"]))
        before = rows[rows["seq"] < row["seq_from"]]
        after = rows[rows["seq"] > row["seq_from"]]
        sides = [
            part.loc[[index]]
            for part, index in (
                (before, before["seq"].idxmax() if len(before) else None),
                (after, after["seq"].idxmin() if len(after) else None),
            )
            if index is not None
        ]
        how = "what the counters of the frames on both sides leave out"
        return TraceStep("gap", plain(row), how, tuple(self.frame(each.iloc[0]) for each in sides))

    def gap_over(self, node: str, stream: str, boot: int, seq: int) -> TraceStep:
        own = self.gaps[(self.gaps["node"] == node) & (self.gaps["stream"] == stream)]
        own = own[(own["boot"] == boot) & (own["seq_from"] <= seq)]
        end = own["seq_to"].fillna(np.iinfo(np.int64).max)
        return self.gap(own[end > seq].iloc[-1])

    # Samples

    def near(self, node: str, channel: str, start_ns: int, end_ns: int) -> pd.DataFrame:
        """Samples of a channel in [start, end], in order of time."""
        inside: Filters = [("utc_ns", ">=", start_ns), ("utc_ns", "<=", end_ns)]
        kind, _ = self.channel(node, channel)
        rows = samples.read(self.study.results, self.session, node, kind, filters=inside, channel=channel)
        rows.insert(2, "channel", channel)
        return rows.sort_values("utc_ns", kind="stable").reset_index(drop=True)

    def sample(self, row: Row, fills: bool = True) -> TraceStep:
        """A sample: measured ones back to bits of their frame, computed ones to the samples on both
        sides, missing ones to their gap; each with the knots that place it in time.
        """
        node, stream, boot, seq = str(row["node"]), str(row["stream"]), int(row["boot"]), int(row["seq"])
        kind, channel = self.channel(node, str(row["channel"]))
        says = plain(row) | {"unit": channel.unit}
        if row["origin"] in RECEIVED:
            frame = self.frame_of(node, stream, boot, seq)
            index = int(row["position"]) * len(kind.channels) + kind.channels.index(channel)
            at = sum(kind.widths[:index])
            how = (
                f"bits {at} to {at + kind.widths[index]} of the payload, {kind.order}-endian, are the "
                f"counts; value = counts x {channel.scale:g} + {channel.offset:g}"
            )
            if kind.delta_bits and index >= len(kind.channels):
                how = f"differences up to bit {at + kind.widths[index]} of the payload add up to the counts"
            return TraceStep("sample", says, how, (frame, self.knots(node, boot, frame.says["ticks"])))
        gap = self.gap_over(node, stream, boot, seq)
        ticks = [each.says["ticks"] for each in gap.of]
        placed = self.knots(node, boot, ticks[0]) if ticks else None
        if row["origin"] == "missing" or not fills:
            return TraceStep(
                "sample",
                says,
                "lost with its frame, and not filled",
                tuple(each for each in (gap, placed) if each),
            )
        return TraceStep(
            "sample",
            says,
            "computed from the received samples around the gap; never measured",
            (*self.around(row), gap, *([placed] if placed else [])),
        )

    def around(self, row: Row) -> tuple[TraceStep, ...]:
        """The last received sample before a lost one and the first after it."""
        at = int(row["utc_ns"])
        rows = self.near(str(row["node"]), str(row["channel"]), at - REACH_NS, at + REACH_NS)
        rows = rows[rows["origin"].isin(RECEIVED) & (rows["boot"] == row["boot"])]
        before, after = rows[rows["utc_ns"] < at].tail(1), rows[rows["utc_ns"] > at].head(1)
        return tuple(self.sample(side.iloc[0]) for side in (before, after) if len(side))

    def knots(self, node: str, boot: int, ticks: int) -> TraceStep:
        """The two knots whose line gives the UTC of an instant in ticks."""
        own = self.clock[(self.clock["node"] == node) & (self.clock["boot"] == boot)]
        right = int(np.clip(np.searchsorted(own["ticks"].to_numpy(), ticks, side="right"), 1, len(own) - 1))
        both = tuple(TraceStep("knot", plain(own.iloc[at])) for at in (right - 1, right))
        stamped = "UTC of the frame's ticks lies on the line; its other samples whole periods from it"
        return TraceStep("clock", {"node": node, "boot": boot, "ticks": ticks}, stamped, both)

    def knot(self, row: Row) -> TraceStep:
        """A knot, with the frames that lie between its neighbours: the map is the edge of their delays."""
        own = self.clock[(self.clock["node"] == row["node"]) & (self.clock["boot"] == row["boot"])]
        ticks = own["ticks"].to_numpy()
        at = int(np.flatnonzero(ticks == row["ticks"])[0])
        low, high = ticks[max(at - 1, 0)], ticks[min(at + 1, len(ticks) - 1)]
        rows = self.frames[(self.frames["node"] == row["node"]) & (self.frames["boot"] == row["boot"])]
        rows = rows[(rows["ticks"] >= low) & (rows["ticks"] <= high)]
        how = "the lower edge of the delays of these frames, and of the whole boot, through the hub's marks"
        return TraceStep("knot", plain(row), how, tuple(self.frame(each) for _, each in rows.iterrows()))

    def instant(self, row: Row, names: list[str]) -> TraceStep:
        """An instant of the grid: for each channel the samples on both sides of it."""
        at, parts = int(row["utc_ns"]), []
        for name in names:
            node, channel = name.split("_", 1)
            kind, _ = self.channel(node, channel)
            period = round(SECOND / (kind.rate_hz or 1.0))
            rows = self.near(node, channel, at - 2 * period, at + 2 * period)
            left = rows[rows["utc_ns"] <= at].tail(1)
            own = len(left) and int(left["utc_ns"].iloc[0]) == at
            right = rows[rows["utc_ns"] > at].head(0 if own else 1)
            sides = tuple(self.sample(side.iloc[0]) for side in (left, right) if len(side))
            says = plain({"channel": name, "value": row[name], "origin": row[f"{name}_origin"]})
            parts.append(
                TraceStep("value", says, "rests on the samples around the instant; those next to it", sides)
            )
        return TraceStep("instant", {"utc_ns": at}, "", tuple(parts))
