"""Samples, instants of the grid, gaps and knots of a clock, back to the frames that they come from."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd

from nodeday.config.study import Study
from nodeday.layouts import Channel, Kind
from nodeday.layouts.recording import RecordedLayout
from nodeday.products.lineage.lookup import Row
from nodeday.products.lineage.step import TraceStep, plain
from nodeday.schemas.codes import DISTINCT, SECOND_COPIES
from nodeday.storage import frames, samples, session_cut, tables
from nodeday.storage.frames import Key
from nodeday.storage.row_groups import Filters
from nodeday.storage.session_cut import SessionCut

SECOND = 1_000_000_000
REACH_NS = 70 * SECOND
"""A little more than the longest fill that a study may ask for."""
RECEIVED = ("measured", "recovered")
BOOT = 1 << 40
"""More frames than any boot has."""
EVERY_STREAM = "*"
"""In table ``clock``: the map holds for every stream of the node."""
FRAME = [
    "capture",
    "offset",
    "length",
    "node",
    "stream",
    "kind",
    "boot",
    "seq_raw",
    "seq",
    "ticks_raw",
    "ticks",
    "hub_ns",
    "samples",
    "status",
]
"""Columns of a frame that a trace shows."""


@dataclass(frozen=True)
class SessionTables:
    """Tables of a session, read when they are needed, and the traces of their rows."""

    study: Study
    session: str
    _in_order: dict[Key, pd.DataFrame] = field(default_factory=dict)

    def table(self, name: str, filters: Filters | None = None) -> pd.DataFrame:
        """Read a table of the session, or its rows that meet ``filters``."""
        return tables.read(tables.path(self.study.results, name, self.session), name, None, filters)

    @cached_property
    def frames(self) -> pd.DataFrame:
        """Frames of the capture, of which the session may be a part: neighbours of a gap may be outside."""
        return frames.table(self.study.results, self.session, [*FRAME, "row"])

    @cached_property
    def cut(self) -> SessionCut | None:
        return session_cut.read(self.study.results, self.session, self.study.is_cut(self.session))

    @cached_property
    def placed(self) -> pd.DataFrame:
        """Frames of the capture that have a place in their sequence, second copies among them."""
        return self.frames[self.frames["status"].isin([*DISTINCT, *SECOND_COPIES])]

    @cached_property
    def inside(self) -> pd.DataFrame:
        """Frames of :attr:`placed` that are in the session."""
        if self.cut is None:
            return self.placed
        held = [
            rows.index[
                self.cut.of((str(node), str(stream))).hold(rows["boot"].to_numpy(), rows["seq"].to_numpy())
            ]
            for (node, stream), rows in self.placed.groupby(["node", "stream"], observed=True)
        ]
        return self.placed.loc[np.sort(np.concatenate(held))] if held else self.placed

    def with_voltage(self, node: str, rows: pd.Series) -> int:
        """Return how many frames of a node, which are ``rows`` of table ``frames``, carry a voltage."""
        columns = frames.columns_of(self.study.results, self.session)
        volts = (own["row"][np.isfinite(own["battery_v"])] for key, own in columns.items() if key[0] == node)
        return int(rows.isin(np.concatenate(list(volts))).sum())

    @cached_property
    def clock(self) -> pd.DataFrame:
        return self.table("clock")

    @cached_property
    def gaps(self) -> pd.DataFrame:
        return self.table("gaps")

    def kind(self, node: str, stream: str) -> Kind:
        """Return the first kind of frame that carries a stream of a node."""
        return self.study.layout_of(self.session, node).stream(stream)

    def channel(self, node: str, channel: str) -> tuple[Kind, Channel]:
        """Return the first kind of frame that carries a channel of a node, and the channel."""
        kinds = self.study.layout_of(self.session, node).streams
        return next((kind, one) for kind in kinds for one in kind.channels if one.name == channel)

    def stream_or_channel(self, node: str, name: str) -> tuple[Kind, str]:
        """Return the first kind of frame that carries a stream or channel, and that channel, or the first."""
        for kind in self.study.layout_of(self.session, node).streams:
            channels = [channel.name for channel in kind.channels]
            if name == kind.stream or name in channels:
                return kind, name if name in channels else channels[0]
        raise LookupError(f"node {node} has no stream or channel {name}")

    def longest_period(self, node: str, stream: str) -> int:
        """Return the ns from sample to sample at the slowest rate of a stream."""
        kinds = self.study.layout_of(self.session, node).kinds_of(stream)
        return max(round(SECOND / (kind.rate_hz or 1.0)) for kind in kinds)

    # Frames and what is missing between them

    def frame(self, row: Row) -> TraceStep:
        """Trace a frame; its bytes are added later."""
        return TraceStep("frame", plain({name: row[name] for name in FRAME}))

    def in_order(self, node: str, stream: str) -> pd.DataFrame:
        """Return the frames of a stream without second copies, by boot and number: see :func:`_number`."""
        key = (node, stream)
        if key not in self._in_order:
            rows = of_stream(self.frames, node, stream)
            rows = rows[rows["status"].isin(DISTINCT)]
            rows = rows.set_index(_number(rows["boot"].astype(np.int64), rows["seq"]))
            self._in_order[key] = rows.sort_index(kind="stable")
        return self._in_order[key]

    def frame_of(self, node: str, stream: str, boot: int, seq: int) -> TraceStep:
        """Trace the frame with that sequence number."""
        return self.frame(self.in_order(node, stream).loc[_number(boot, seq)])

    def sides(self, node: str, stream: str, boot: int, seq: int) -> list[pd.Series | None]:
        """Return the frames before and after a number that was lost, of another boot at the edges of its own.

        None stands for a side on which there is no frame.
        """
        rows = self.in_order(node, stream)
        at = int(rows.index.searchsorted(_number(boot, seq)))
        return [rows.iloc[each] if 0 <= each < len(rows) else None for each in (at - 1, at)]

    def gap(self, row: Row) -> TraceStep:
        """Trace a gap: the frames on both sides of it."""
        how = "what the counters of the frames on both sides leave out"
        if row["cause"] == "listed":
            how = "what the transmit list has beyond the frames received of the boot"
        sides = self.sides(row["node"], row["stream"], int(row["boot"]), int(row["seq_from"]))
        stamps = row["before_hub_ns"], row["after_hub_ns"]  # null where the gap is at the begin or the end
        there = [side for side, hub_ns in zip(sides, stamps, strict=True) if pd.notna(hub_ns)]
        return TraceStep("gap", plain(row), how, tuple(self.frame(side) for side in there))

    def gap_over(self, node: str, stream: str, boot: int, seq: int) -> TraceStep:
        """Trace the gap in which a sequence number lies.

        An edge of the session may cut a lost frame in two: its number belongs to the other side, where no
        gap of the session counts it.
        """
        before, after = self.sides(node, stream, boot, seq)
        rows = of_stream(self.gaps, node, stream)
        rows = rows[(rows["boot"] == boot) & (rows["seq_from"] <= seq)]
        if before is not None and before["boot"] == boot:
            rows = rows[rows["seq_from"] > before["seq"]]
        rows = rows[rows["seq_to"].fillna(np.iinfo(np.int64).max) > seq]
        if len(rows):
            return self.gap(rows.iloc[-1])
        values = {"node": node, "stream": stream, "boot": boot, "seq": seq}
        how = "lost; an edge of the session lies within the frame, and its number is outside of the session"
        there = (self.frame(side) for side in (before, after) if side is not None)
        return TraceStep("gap", values, how, tuple(there))

    # Samples

    def samples_between(self, node: str, channel: str, start_ns: int, end_ns: int) -> pd.DataFrame:
        """Read the samples of a channel in [start, end], both ends included, in order of time."""
        inside: Filters = [("utc_ns", ">=", start_ns), ("utc_ns", "<=", end_ns)]
        kind, _ = self.channel(node, channel)
        rows = samples.read(self.study.results, self.session, node, kind, filters=inside, channel=channel)
        rows.insert(2, "channel", channel)
        return rows.sort_values("utc_ns", kind="stable").reset_index(drop=True)

    def sample(self, row: Row) -> TraceStep:
        """Trace a sample, with the knots that give its time.

        A measured one goes back to bits of its frame, a computed one to the samples on both sides of its
        gap, a missing one to its gap.
        """
        node, stream, boot, seq = str(row["node"]), str(row["stream"]), int(row["boot"]), int(row["seq"])
        kind, channel = self.channel(node, str(row["channel"]))
        values = plain(row) | {"unit": channel.unit}
        if row["origin"] in RECEIVED:
            frame = self.frame_of(node, stream, boot, seq)
            kind = self.study.layout_of(self.session, node).by_kind[frame.values["kind"]]
            channel = next(one for one in kind.channels if one.name == channel.name)
            knots = self.knots(node, stream, boot, frame.values["ticks"])
            return TraceStep(
                "sample", values, self._read(node, kind, channel, int(row["position"])), (frame, knots)
            )
        gap = self.gap_over(node, stream, boot, seq)
        ticks = [side.values["ticks"] for side in gap.of if side.values["boot"] == boot][:1]
        behind = (gap, *(self.knots(node, stream, boot, at) for at in ticks))
        if row["origin"] == "missing":
            return TraceStep("sample", values, "lost with its frame, and not filled", behind)
        how = "computed from the received samples around the gap; never measured"
        return TraceStep("sample", values, how, (*self.around(row), *behind))

    def _read(self, node: str, kind: Kind, channel: Channel, position: int) -> str:
        """Return in words how a sample is read: from the bits of its frame, or the column of a recording."""
        layout = self.study.layout_of(self.session, node)
        if not isinstance(layout, RecordedLayout):
            return _bits(kind, channel, position)
        written = layout.recording.channel(channel.name)
        of = f", sample {position} of its frame" if kind.samples > 1 else ""
        scaled = (written.scale, written.offset) != (1.0, 0.0)
        value = f"the number x {written.scale:g} + {written.offset:g}" if scaled else "the number"
        return f"column {written.column} of the recording{of}; value = {value}"

    def around(self, row: Row) -> tuple[TraceStep, ...]:
        """Trace the last received sample before a lost one and the first after it."""
        at = int(row["utc_ns"])
        rows = self.samples_between(str(row["node"]), str(row["channel"]), at - REACH_NS, at + REACH_NS)
        rows = rows[rows["origin"].isin(RECEIVED) & (rows["boot"] == row["boot"])]
        before, after = rows[rows["utc_ns"] < at].tail(1), rows[rows["utc_ns"] > at].head(1)
        return tuple(self.sample(side.iloc[0]) for side in (before, after) if len(side))

    # Clocks

    def knots(self, node: str, stream: str, boot: int, ticks: int) -> TraceStep:
        """Trace an instant in ticks of a stream: the two knots whose line gives its UTC."""
        rows = self.clock[(self.clock["node"] == node) & (self.clock["boot"] == boot)]
        rows = rows[rows["stream"].isin([EVERY_STREAM, stream])]
        right = int(np.clip(np.searchsorted(rows["ticks"].to_numpy(), ticks, side="right"), 1, len(rows) - 1))
        both = tuple(TraceStep("knot", plain(rows.iloc[at])) for at in (right - 1, right))
        stamped = "UTC of the frame's ticks lies on the line; its other samples whole periods from it"
        return TraceStep("clock", {"node": node, "boot": boot, "ticks": ticks}, stamped, both)

    def knot(self, row: Row) -> TraceStep:
        """Trace a knot: the frames between its neighbours, for the map is the edge of their delays."""
        knots, rows = (
            table[(table["node"] == row["node"]) & (table["boot"] == row["boot"])]
            for table in (self.clock, self.frames)
        )
        ticks = knots.loc[knots["stream"] == row["stream"], "ticks"].to_numpy()
        at = int(np.flatnonzero(ticks == row["ticks"])[0])
        low, high = ticks[max(at - 1, 0)], ticks[min(at + 1, len(ticks) - 1)]
        rows = rows[(rows["ticks"] >= low) & (rows["ticks"] <= high)]
        rows = rows if row["stream"] == EVERY_STREAM else rows[rows["stream"] == row["stream"]]
        how = "the lower edge of the delays of these frames, and of the whole boot, through the hub's marks"
        return TraceStep("knot", plain(row), how, tuple(self.frame(frame) for _, frame in rows.iterrows()))

    # Grid

    def instant(self, row: Row, names: list[str]) -> TraceStep:
        """Trace an instant of the grid: for each channel the samples on both sides of it."""
        at, parts = int(row["utc_ns"]), []
        for name in names:
            node, channel = name.split("_", 1)
            kind, _ = self.channel(node, channel)
            period = self.longest_period(node, kind.stream)
            rows = self.samples_between(node, channel, at - 2 * period, at + 2 * period)
            left = rows[rows["utc_ns"] <= at].tail(1)
            exact = len(left) and int(left["utc_ns"].iloc[0]) == at
            right = rows[rows["utc_ns"] > at].head(0 if exact else 1)
            sides = tuple(self.sample(side.iloc[0]) for side in (left, right) if len(side))
            values = plain({"channel": name, "value": row[name], "origin": row[f"{name}_origin"]})
            how = "rests on the samples around the instant; those next to it"
            parts.append(TraceStep("value", values, how, sides))
        return TraceStep("instant", {"utc_ns": at}, "", tuple(parts))


def of_stream(rows: pd.DataFrame, node: str, stream: str) -> pd.DataFrame:
    """Return the rows of a stream of a node."""
    return rows[(rows["node"] == node) & (rows["stream"] == stream)]


def _number(boot: Any, seq: Any) -> Any:
    """Return a number that orders frames by boot, then by sequence number."""
    return boot * BOOT + seq


def _bits(kind: Kind, channel: Channel, position: int) -> str:
    """Words on how a sample is read from the payload of its frame."""
    index = position * len(kind.channels) + kind.channels.index(channel)
    at = sum(kind.widths[:index])
    end = at + kind.widths[index]
    if kind.delta_bits and index >= len(kind.channels):
        return f"differences up to bit {end} of the payload add up to the counts"
    return (
        f"bits {at} to {end} of the payload, {kind.order}-endian, are the counts; "
        f"value = counts x {channel.scale:g} + {channel.offset:g}"
    )
