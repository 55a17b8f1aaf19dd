"""Rows of a decoded recording as counters and counts, each value held to what the layout can carry."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np
from pydantic import Field as Setting

from nodeday.config.study import HUB
from nodeday.core.arrays import Bools, Ints
from nodeday.core.errors import ContractError
from nodeday.core.yaml_io import Strict
from nodeday.layouts import Channel, Field, Kind, Layout
from nodeday.stages.frames.rowfile import RowBatch
from nodeday.storage import frame_fields

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
    fields: dict[str, str] = Setting(default_factory=dict, description="column of a field of role other")
    time_unit_ns: int = Setting(default=1, gt=0, description="of times that are numbers")
    time_utc: bool = Setting(default=False, description="numbers count from 1970 UTC; no offset means UTC")
    values: Literal["counts", "physical"] = "counts"
    separator: str | None = Setting(default=None, min_length=1, max_length=1, description="else recognised")
    decimal: Literal[".", ","] = "."

    def of(self, channel: str) -> str:
        return self.channels.get(channel, channel)


@dataclass(frozen=True)
class Part:
    """Rows (n,) of one stream: positions in the piece, integers by role, counts (n, samples, channels).

    ``null`` (n,) by role marks what was not measured, by the column of table ``frames`` what of a field of
    role ``other`` is not known; the integer of such a field means nothing.
    """

    at: Ints
    fields: dict[str, Ints]
    counts: Ints
    null: dict[str, Bools]

    def take(self, rows: Any) -> Part:
        fields, null = ({k: v[rows] for k, v in each.items()} for each in (self.fields, self.null))
        return Part(self.at[rows], fields, self.counts[rows], null)

    def moved(self, at: int) -> Part:
        return replace(self, at=np.full(len(self.at), at, np.int64))

    def framed(self, kind: Kind) -> tuple[Part, Part, tuple[int, int, int] | None]:
        """Return complete frames of one node's rows that are samples, and the rows of an unfinished last one.

        The third value is the number, size and position of the first frame of a wrong size, if any. A frame
        that comes again right behind itself, with the same counts, is two frames.
        """
        sequence, size = self.fields["sequence"], kind.samples
        edges = np.concatenate([[0], np.flatnonzero(np.diff(sequence)) + 1, [len(sequence)]])
        lengths = np.diff(edges)
        spare = int(lengths[-1] % size)
        end = len(sequence) - spare
        lengths[-1] -= spare
        for group in np.flatnonzero((lengths != size) & (lengths > 0)).tolist():
            first, rows = int(edges[group]), int(lengths[group])
            again = self.counts[first : first + rows]
            if rows % size or (again != np.resize(again[:size], again.shape)).any():
                wrong = int(sequence[first]), rows, int(self.at[first])
                return self.take(slice(0, 0)), self.take(slice(0, 0)), wrong
        last = np.arange(size - 1, end, size)
        frames = self.take(last if kind.stamp == "last" else last - size + 1)
        counts = self.counts[:end].reshape(len(last), size, len(kind.channels))
        return replace(frames, at=self.at[last], counts=counts), self.take(slice(end, None)), None


def joined(parts: Sequence[Part]) -> Part:
    """Return parts one after the other; at least one."""
    return Part(
        np.concatenate([each.at for each in parts]),
        {name: np.concatenate([each.fields[name] for each in parts]) for name in parts[0].fields},
        np.concatenate([each.counts for each in parts]),
        {name: np.concatenate([each.null[name] for each in parts]) for name in parts[0].null},
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
            at, utc = rows.instants(names.time, names.time_unit_ns, names.time_utc)
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
        null: dict[str, Bools] = {}
        for role in ("battery", "rssi", "lqi"):
            each = next((field for field in layout.frame if field.role == role), None)
            if each is not None:
                fields[role], null[role] = _measured(rows, getattr(names, role), each, layout)
        for each in frame_fields.fields_of(layout, kind):
            column = names.fields.get(each.name, each.name)
            known = rows.has(column) and each.name not in fields
            if known:
                fields[each.name] = _fitting(rows, column, each)
            null[frame_fields.column_of(each.name)] = np.full(len(rows.at), not known)
        places = [f"_{at}" for at in range(kind.samples)] if whole else [""]
        counts = np.empty((len(rows.at), len(places), len(kind.channels)), np.int64)
        for at, place in enumerate(places):
            for index, channel in enumerate(kind.channels):
                counts[:, at, index] = self._counts(rows, names.of(channel.name) + place, channel, kind)
        return Part(rows.at, fields, counts, null)

    def _counts(self, rows: RowBatch, name: str, channel: Channel, kind: Kind) -> Ints:
        if not rows.has(name):
            raise _missing(rows, name, f"it, for stream {kind.stream}")
        if self.columns.values == "physical":
            values = rows.floats(name)
            exact = np.clip((values - channel.offset) / channel.scale, -(2.0**53), 2.0**53)
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
    signed = field is not None and field.signed
    over = values >> min(bits - signed, 63)
    wrong = np.flatnonzero((over != 0) & ~(signed & (over == -1)))
    if len(wrong):
        what = f"a number of the {bits} bits that the layout gives it"
        raise ContractError(f"{name} is {values[wrong[0]]}", rows.where(int(wrong[0])), what)
    return values


def _measured(rows: RowBatch, name: str, field: Field, layout: Layout) -> tuple[Ints, Bools]:
    """Return integers of a physical column within the field's width, as a device would, and what is null."""
    if not rows.has(name):
        raise ContractError(
            f"no column {name}, which layout {layout.layout} has a field for",
            rows.where(-1),
            remedy="Take the field out of the layout: what was not recorded must not seem so.",
        )
    half = 1 << (field.bits - 1)
    low, high = (-half, half - 1) if field.signed else (0, 2 * half - 1)
    values, null = rows.measured(name)
    counts = np.clip(np.rint((values - field.offset) / field.scale), low, high)
    # The most that a float holds below 2**63: a field of 64 bits must not overflow.
    return np.clip(counts, -(2.0**63), np.nextafter(2.0**63, 0)).astype(np.int64), null
