"""Rows of a decoded recording as counters and counts: columns looked up, and every value held to
what the layout can carry.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np
from pydantic import Field as Setting

from nodeday.config.study import HUB
from nodeday.core.arrays import Ints
from nodeday.core.errors import ContractError
from nodeday.core.yaml_io import Strict
from nodeday.layouts import Channel, Field, Kind, Layout
from nodeday.stages.frames.rowfile import RowBatch

NEAR_COUNT = 0.05
"""A physical value further than this part of a count from a whole count was not made from counts."""


class ColumnNames(Strict):
    """``config/recorded/<layout>.yaml``: the file's own name of each column, and what it holds."""

    node: str = "node"
    stream: str = "stream"
    sequence: str = "sequence"
    ticks: str = "ticks"
    time: str = "time"
    boot: str = "boot"
    battery: str = "battery"
    rssi: str = "rssi"
    lqi: str = "lqi"
    channels: dict[str, str] = Setting(default_factory=dict, description="column of a channel")
    time_unit_ns: int = Setting(default=1, gt=0, description="of times that are whole numbers")
    values: Literal["counts", "physical"] = "counts"
    separator: str = Setting(default=",", min_length=1, max_length=1)

    def of(self, channel: str) -> str:
        return self.channels.get(channel, channel)


@dataclass(frozen=True)
class Part:
    """Rows (n,) of one stream: their places in the piece, integers by role, counts (n, samples, channels)."""

    at: Ints
    fields: dict[str, Ints]
    counts: Ints

    def take(self, rows: Any) -> Part:
        return Part(self.at[rows], {k: v[rows] for k, v in self.fields.items()}, self.counts[rows])

    def moved(self, at: int) -> Part:
        return replace(self, at=np.full(len(self.at), at, np.int64))

    def framed(self, kind: Kind) -> tuple[Part, Part, tuple[int, int, int] | None]:
        """Of rows of one node that are samples: whole frames, the rows of an unfinished last one, and
        the number, size and place of a frame of the wrong size, if there is one.
        """
        sequence = self.fields["sequence"]
        edges = np.concatenate([[0], np.flatnonzero(np.diff(sequence)) + 1, [len(sequence)]])
        whole = len(edges) - 1 - int(edges[-1] - edges[-2] < kind.samples)
        starts, sizes = edges[:whole], np.diff(edges)[:whole]
        wrong = np.flatnonzero(sizes != kind.samples)
        rest = self.take(slice(int(edges[whole]), None))
        if len(wrong):
            first = int(starts[wrong[0]])
            return rest, rest, (int(sequence[first]), int(sizes[wrong[0]]), int(self.at[first]))
        last = starts + kind.samples - 1
        frames = self.take(last if kind.stamp == "last" else starts)
        counts = self.counts[: int(edges[whole])].reshape(whole, kind.samples, len(kind.channels))
        return Part(self.at[last], frames.fields, counts), rest, None


def joined(parts: Sequence[Part]) -> Part:
    """Parts one after the other; at least one."""
    return Part(
        np.concatenate([each.at for each in parts]),
        {name: np.concatenate([each.fields[name] for each in parts]) for name in parts[0].fields},
        np.concatenate([each.counts for each in parts]),
    )


@dataclass
class Said:
    """What the columns of a recording say, in the terms of the session's layouts and nodes."""

    columns: ColumnNames
    layouts: list[Layout]
    names: Mapping[int, str]
    start_ns: int | None = None

    def __post_init__(self) -> None:
        self.slots: list[tuple[Layout, Kind]] = [(each, kind) for each in self.layouts for kind in each.kinds]
        self.sensors = {name: address for address, name in self.names.items() if name != HUB}

    @property
    def rate_hz(self) -> float:
        ticks = self.layouts[0].field("ticks")
        return (ticks.rate_hz if ticks else None) or 1.0

    def ticks_at(self, time_ns: Ints) -> Ints:
        """Ticks of a clock that began with the recording."""
        since = (time_ns - (self.start_ns or 0)).astype(np.float64)
        return np.asarray(np.rint(since * (self.rate_hz / 1e9)), np.int64)

    def is_frames(self, rows: RowBatch) -> bool:
        """Whether rows are frames, and not samples."""
        every = [channel.name for _, kind in self.slots for channel in kind.channels]
        return any(rows.has(f"{self.columns.of(name)}_0") for name in every)

    def nodes(self, rows: RowBatch) -> Ints:
        known = self.sensors | {str(address): address for address in self.sensors.values()}
        return _looked_up(rows, self.columns.node, known, "the session has several nodes", len(self.sensors))

    def streams(self, rows: RowBatch) -> Ints:
        """Number of each row's kind."""
        known = {kind.stream: at for at, (_, kind) in enumerate(self.slots) if kind.channels}
        return _looked_up(rows, self.columns.stream, known, "the layout has several streams", len(known))

    def times(self, rows: RowBatch) -> tuple[Ints, bool]:
        """When each row came, in nanoseconds, and whether of UTC."""
        names = self.columns
        if rows.has(names.time):
            at, utc = rows.instants(names.time, names.time_unit_ns)
        elif len(self.sensors) > 1:
            raise _missing(rows, names.time, "it, since the ticks of several nodes do not begin together")
        elif not rows.has(names.ticks):
            raise _missing(rows, names.ticks, f"it, or {names.time}")
        else:
            at, utc = np.rint(rows.ints(names.ticks) / self.rate_hz * 1e9).astype(np.int64), False
        if self.start_ns is None:
            self.start_ns = int(at[0])
        return at, utc

    def part(
        self, rows: RowBatch, layout: Layout, kind: Kind, address: Ints, time_ns: Ints, whole: bool
    ) -> Part:
        """Rows of one kind; raise ContractError for a value that its field cannot hold."""
        names, hub = self.columns, layout.field("hub_time")
        fields = {
            "node": address,
            "hub_time": time_ns // ((hub.unit_ns if hub else None) or 1),
            "sequence": _fitting(rows, names.sequence, layout.field("sequence")),
        }
        fields["ticks"] = self.ticks_at(time_ns)
        if rows.has(names.ticks):
            fields["ticks"] = _fitting(rows, names.ticks, layout.field("ticks"))
        if rows.has(names.boot):
            fields["boot"] = _fitting(rows, names.boot, layout.field("boot"))
        for role in ("battery", "rssi", "lqi"):
            each = next((field for field in layout.frame if field.role == role), None)
            if each is not None:
                fields[role] = _measured(rows, getattr(names, role), each, layout)
        places = [f"_{at}" for at in range(kind.samples)] if whole else [""]
        counts = np.empty((len(rows.at), len(places), len(kind.channels)), np.int64)
        for at, place in enumerate(places):
            for index, channel in enumerate(kind.channels):
                counts[:, at, index] = self._counts(rows, names.of(channel.name) + place, channel, kind)
        return Part(rows.at, fields, counts)

    def _counts(self, rows: RowBatch, name: str, channel: Channel, kind: Kind) -> Ints:
        if not rows.has(name):
            raise _missing(rows, name, f"it, for stream {kind.stream}")
        if self.columns.values == "physical":
            values = rows.floats(name)
            exact = (values - channel.offset) / channel.scale
            out = np.rint(exact).astype(np.int64)
            off = np.flatnonzero(np.abs(exact - out) > NEAR_COUNT)
            if len(off):
                raise ContractError(
                    f"{name} is {values[off[0]]:g}, between two counts of channel {channel.name}",
                    rows.where(int(off[0])),
                    f"whole steps of {channel.scale:g} {channel.unit}",
                )
        else:
            out = rows.ints(name)
        low = -(1 << (kind.bits - 1)) if kind.signed else 0
        wrong = np.flatnonzero((out < low) | (out >= low + (1 << kind.bits)))
        if len(wrong):
            what = f"a count of {kind.bits} {'signed ' if kind.signed else ''}bits"
            raise ContractError(f"{name} is {out[wrong[0]]}", rows.where(int(wrong[0])), what)
        return out


def _missing(rows: RowBatch, name: str, expected: str) -> ContractError:
    remedy = "What is called otherwise can be told in config/recorded/."
    return ContractError(f"no column {name}", rows.where(-1), expected, remedy)


def _looked_up(rows: RowBatch, name: str, known: Mapping[str, int], why: str, choices: int) -> Ints:
    if not rows.has(name):
        if choices > 1:
            raise _missing(rows, name, f"it, since {why}")
        return np.full(len(rows.at), next(iter(known.values())), np.int64)
    text, place = np.unique(rows.text(name), return_inverse=True)
    for number, each in enumerate(text.tolist()):
        if each not in known:
            row = int(np.flatnonzero(place == number)[0])
            raise ContractError(f"{name} is {each!r}", rows.where(row), f"one of {', '.join(known)}")
    return np.array([known[each] for each in text.tolist()], np.int64)[place]


def _fitting(rows: RowBatch, name: str, field: Field | None) -> Ints:
    if not rows.has(name):
        raise _missing(rows, name, "it")
    values, bits = rows.ints(name), field.bits if field else 64
    wrong = np.flatnonzero((values < 0) | ((values >> min(bits, 63)) != 0))
    if len(wrong):
        what = f"a number of the {bits} bits that the layout gives it"
        raise ContractError(f"{name} is {values[wrong[0]]}", rows.where(int(wrong[0])), what)
    return values


def _measured(rows: RowBatch, name: str, field: Field, layout: Layout) -> Ints:
    """Integers of a physical column, held within the field's width as a device would."""
    if not rows.has(name):
        raise ContractError(
            f"no column {name}, which layout {layout.layout} has a field for",
            rows.where(-1),
            remedy="Take the field out of the layout: what was not recorded must not seem so.",
        )
    half = 1 << (field.bits - 1)
    low, high = (-half, half - 1) if field.signed else (0, 2 * half - 1)
    return np.clip(np.rint((rows.floats(name) - field.offset) / field.scale), low, high).astype(np.int64)
