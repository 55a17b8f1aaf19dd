"""Columns of a decoded recording in the terms of the session's layouts and nodes."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from nodeday.config.study import HUB
from nodeday.core.arrays import Bools, Floats, Ints
from nodeday.core.errors import ContractError
from nodeday.layouts import Channel, Field, Kind, Layout
from nodeday.layouts.recording_columns import MeasureColumn
from nodeday.stages.frames.reading import Reading
from nodeday.stages.frames.rowfile import RowBatch, numbered
from nodeday.stages.frames.rowlimits import RowLimits
from nodeday.stages.frames.rowparts import Part
from nodeday.storage import frame_fields

NEAR_STEP = 0.05
"""A number further than this part of a step from a whole step was not written in such steps. A choice of this
project."""


@dataclass
class RowColumns:
    """Integers of fields and counts of samples, out of the columns that ``reading`` names."""

    reading: Reading
    layouts: list[Layout]
    names: Mapping[int, str]
    start_ns: int | None = None
    limits: RowLimits = field(default_factory=RowLimits)

    def __post_init__(self) -> None:
        self.slots: list[tuple[Layout, Kind]] = [(each, kind) for each in self.layouts for kind in each.kinds]
        self.sensors = {name: address for address, name in self.names.items() if name != HUB}

    @property
    def rate_hz(self) -> float:
        """Ticks a second; 1 where frames hold no ticks."""
        ticks = self.layouts[0].field("ticks")
        return (ticks.rate_hz if ticks else None) or 1.0

    def ticks_at(self, time_ns: Ints) -> Ints:
        """Return ticks of a clock that began with the recording, (n,) -> (n,)."""
        since = (time_ns - (self.start_ns or 0)).astype(np.float64)
        return np.asarray(np.rint(since * (self.rate_hz / 1e9)), np.int64)

    def is_frames(self, rows: RowBatch) -> bool:
        """Whether rows are frames, and not samples: as declared, else by the columns there are."""
        if self.reading.rows is not None:
            return self.reading.rows == "frames"
        every = [channel.name for _, kind in self.slots for channel in kind.channels]
        return any(rows.has(f"{self.reading.of(name)}_0") for name in every)

    def nodes(self, rows: RowBatch) -> Ints:
        """Return the address of each row's node, (n,)."""
        known = self.sensors | {str(address): address for address in self.sensors.values()}
        known |= {text: known[name] for text, name in self.reading.nodes.items() if name in self.sensors}
        name = self._column(rows, "node")
        if name is None:
            if len(self.sensors) > 1:
                raise _missing(
                    rows, self._name("node"), "it, since the session has several nodes", self.reading
                )
            return np.full(len(rows.at), next(iter(self.sensors.values())), np.int64)
        return rows.looked_up(name, known)

    def streams(self, rows: RowBatch) -> list[tuple[int, Ints]]:
        """Return the number of each kind in the rows, with the positions of its rows.

        Without a column of streams, those whose channels are filled; a row may hold several.
        """
        own = [(number, kind) for number, (_, kind) in enumerate(self.slots) if kind.channels]
        name = self._column(rows, "stream")
        if name is not None:
            known: dict[str, int] = {}
            for number, kind in own:
                known.setdefault(kind.stream, number)
            texts = {text: known[stream] for text, stream in self.reading.streams.items()}
            named = set(self.reading.streams.values())
            texts |= {stream: number for stream, number in known.items() if stream not in named}
            slot = rows.looked_up(name, texts)
            parts = [(number, np.flatnonzero(slot == number)) for number in np.unique(slot).tolist()]
            return [part for number, at in parts for part in self._kinds(rows, number, at)]
        if len({kind.stream for _, kind in own}) == 1:
            return self._kinds(rows, own[0][0], np.arange(len(rows.at)))
        if self.reading.optional:
            raise _missing(
                rows, self._name("stream"), "it, since the layout has several streams", self.reading
            )
        return self._filled(rows, own)

    def _kinds(self, rows: RowBatch, number: int, at: Ints) -> list[tuple[int, Ints]]:
        """Return the rows ``at`` (k,) of one stream by their kind of frame."""
        layout, kind = self.slots[number]
        kinds = {f"{one.kind}": self.slots.index((layout, one)) for one in layout.kinds_of(kind.stream)}
        if len(kinds) == 1:
            return [(number, at)]
        name = self._column(rows, "kind")
        if name is None:
            expected = f"it, since stream {kind.stream} has several kinds of frame"
            raise _missing(rows, self._name("kind"), expected, self.reading)
        slot = rows.take(at).looked_up(name, kinds)
        return [(each, at[slot == each]) for each in np.unique(slot).tolist()]

    def _filled(self, rows: RowBatch, own: list[tuple[int, Kind]]) -> list[tuple[int, Ints]]:
        found, empty = [], np.ones(len(rows.at), np.bool_)
        for number, kind in own:
            filled = np.zeros(len(rows.at), np.bool_)
            for channel in kind.channels:
                for name in self.columns_of(rows, channel, kind):
                    filled |= rows.filled(name)
            if filled.any():
                found.append((number, np.flatnonzero(filled)))
            empty &= ~filled
        if empty.any():
            streams = ", ".join(kind.stream for _, kind in own)
            where = rows.where(int(np.argmax(empty)))
            raise ContractError("the columns of all streams are empty", where, f"samples of {streams}")
        return found

    def times(self, rows: RowBatch) -> tuple[Ints, bool]:
        """Return when each row came, in nanoseconds, and whether of UTC."""
        name, time = self._column(rows, "time"), self.reading.time
        if name is not None:
            numbers = rows.is_numbers(name) if time.form is None else time.form == "numbers"
            if numbers:
                at, utc = rows.numbers_ns(name, time.unit_ns), time.is_utc
            else:
                zone = "UTC" if self.reading.optional and time.is_utc else time.zone
                at, utc = rows.instants_ns(name, zone, strict=not self.reading.optional), True
            if not self.reading.optional:
                self.limits.check_times(rows, name, at, utc)
            at = self._on_steps(rows, name, at)
        elif len(self.sensors) > 1:
            expected = "it, since the ticks of several nodes do not begin together"
            raise _missing(rows, self._name("time"), expected, self.reading)
        else:
            ticks = self._column(rows, "ticks")
            if ticks is None:
                raise _missing(rows, self._name("ticks"), f"it, or {self._name('time')}", self.reading)
            at, utc = np.rint(rows.ints(ticks) / self.rate_hz * 1e9).astype(np.int64), False
        if self.start_ns is None:
            self.start_ns = int(at[0])
        return at, utc

    def _on_steps(self, rows: RowBatch, name: str, at: Ints) -> Ints:
        """Return times on whole steps of their resolution; raise ContractError where one lies between."""
        step = self.reading.time.resolution_ns
        if step is None:
            return at
        near = (at + step // 2) // step * step
        off = np.abs(at - near) > NEAR_STEP * step
        if off.any():
            row = int(np.argmax(off))
            raise ContractError(
                f"{name} is {rows.value(name, row)}, between two steps of {step / 1e6:g} ms",
                rows.where(row),
                f"times as coarse as {self.reading.where} says",
                "Write a finer resolution_ms there.",
            )
        return near

    def part(
        self, rows: RowBatch, layout: Layout, kind: Kind, address: Ints, time_ns: Ints, is_frames: bool
    ) -> Part:
        """Return rows of one kind; raise ContractError for a value that its field cannot hold."""
        hub = layout.field("hub_time")
        lag_ns = round((kind.samples - 1) / (kind.rate_hz or 1.0) * 1e9) if self.reading.time.of_first else 0
        fields = {
            "node": address,
            "hub_time": (time_ns + lag_ns) // ((hub.unit_ns if hub else None) or 1),
            "sequence": self._counter(rows, "sequence", layout),
        }
        if not self.reading.optional:
            slot = next(number for number, (_, each) in enumerate(self.slots) if each is kind)
            self.limits.check_counter(rows, self.reading.sequence, slot, address, fields["sequence"])
        fields["ticks"] = self.ticks_at(time_ns)
        for role in ("ticks", "boot"):
            if self._column(rows, role) is not None:
                fields[role] = self._counter(rows, role, layout)
        null: dict[str, Bools] = {}
        for role in ("battery", "rssi", "lqi"):
            each = next((field for field in layout.frame if field.role == role), None)
            if each is not None:
                fields[role], null[role] = self._measured(rows, role, each, layout)
        for each in frame_fields.fields_of(layout, kind):
            column = self.reading.fields.get(each.name, each.name)
            known = rows.has(column) and each.name not in fields
            if known:
                fields[each.name] = self._whole_numbers(rows, column, each)
            null[frame_fields.column_of(each.name)] = np.full(len(rows.at), not known)
        size = kind.samples if is_frames else 1
        counts = np.empty((len(rows.at), size, len(kind.channels)), np.int64)
        for index, channel in enumerate(kind.channels):
            for at, name in enumerate(self.columns_of(rows, channel, kind, is_frames)):
                counts[:, at, index] = self._counts(rows, name, channel, kind)
        return Part(rows.at, fields, counts, null)

    def columns_of(
        self, rows: RowBatch, channel: Channel, kind: Kind, is_frames: bool | None = None
    ) -> list[str]:
        """Return the columns of a channel, one for each sample of a row."""
        name, reading = self.reading.of(channel.name), self.reading
        is_frames = reading.rows == "frames" if is_frames is None else is_frames
        if is_frames and reading.optional:
            names = [f"{name}_{at}" for at in range(kind.samples)]
        elif is_frames and kind.samples > 1:
            names = numbered(name, rows.table.column_names)
            if len(names) != kind.samples:
                found = f"{len(names)} columns {name}" if names else f"no columns {name}"
                what = f"{kind.samples}, the samples of a frame of {kind.stream}"
                raise ContractError(found, rows.where(-1), what, f"Correct samples in {reading.where}.")
        else:
            names = [name]
        for each in names:
            if not rows.has(each):
                raise _missing(rows, each, f"it, for stream {kind.stream}", reading)
        return names

    def _counts(self, rows: RowBatch, name: str, channel: Channel, kind: Kind) -> Ints:
        step = self.reading.steps.get(channel.name)
        if step is None:
            out = rows.ints(name)
        else:
            values = rows.floats(name)
            exact = np.clip((values - step.zero) / step.size, -(2.0**53), 2.0**53)
            out = np.rint(exact).astype(np.int64)
            off = np.flatnonzero(np.abs(exact - out) > NEAR_STEP)
            if len(off) and not step.rounded:
                self._refuse_between(rows, name, channel, values, int(off[0]))
        low = -(1 << (kind.bits - 1)) if kind.signed else 0
        wrong = np.flatnonzero((out < low) | (out >= low + (1 << kind.bits)))
        if len(wrong):
            row, what = int(wrong[0]), f"a count of {kind.bits} {'signed ' if kind.signed else ''}bits"
            if not self.reading.optional and step is not None:
                value, most = f"{rows.value(name, row)}", f"{step.size * (2.0**31 - 1):.6g}"
                raise ContractError(
                    f"{name} is {value}",
                    rows.where(row),
                    f"a number between -{most} and {most}, which steps of {step.size:g} reach",
                    f"Write a coarser resolution for {channel.name} in {self.reading.where}.",
                )
            raise ContractError(f"{name} is {out[row]}", rows.where(row), what)
        return out

    def _refuse_between(self, rows: RowBatch, name: str, channel: Channel, values: Floats, row: int) -> None:
        step = self.reading.steps[channel.name]
        if self.reading.optional:
            raise ContractError(
                f"{name} is {values[row]:g}, between two counts of channel {channel.name}",
                rows.where(row),
                f"whole steps of {step.size:g} {step.unit}",
            )
        raise ContractError(
            f"{name} is {rows.value(name, row)}, between two steps",
            rows.where(row),
            f"whole steps of {step.size:g}{f' {step.unit}' if step.unit else ''}",
            f"Write the resolution of {channel.name} in {self.reading.where}, or rounded: true.",
        )

    def _name(self, role: str) -> str:
        return self.reading.columns.get(role, role)

    def _column(self, rows: RowBatch, role: str) -> str | None:
        """Return the name of a column, None where there is none; raise ContractError for a declared one."""
        name = self.reading.columns.get(role)
        if name is None or rows.has(name):
            return name
        if self.reading.optional:
            return None
        raise _missing(rows, name, f"it, for {role}", self.reading)

    def _counter(self, rows: RowBatch, role: Literal["sequence", "ticks", "boot"], layout: Layout) -> Ints:
        name, field = self._column(rows, role), layout.field(role)
        if name is None:
            raise _missing(rows, self._name(role), "it", self.reading)
        return self._whole_numbers(rows, name, field)

    def _whole_numbers(self, rows: RowBatch, name: str, field: Field | None) -> Ints:
        """Return a column of whole numbers (n,); raise ContractError for one that ``field`` cannot hold."""
        values, bits, signed = rows.ints(name), field.bits if field else 64, bool(field and field.signed)
        over = values >> min(bits - signed, 63)
        wrong = np.flatnonzero((over != 0) & ~(signed & (over == -1)))
        if len(wrong):
            what = f"a number of the {bits} bits that {self.reading.width_from}"
            raise ContractError(f"{name} is {values[wrong[0]]}", rows.where(int(wrong[0])), what)
        return values

    def _measured(self, rows: RowBatch, role: str, field: Field, layout: Layout) -> tuple[Ints, Bools]:
        """Return integers of a physical column within its field's width, as of a device, and what is null."""
        name = self._column(rows, role)
        if name is None:
            raise ContractError(
                f"no column {self._name(role)}, which layout {layout.layout} has a field for",
                rows.where(-1),
                remedy="Take the field out of the layout: what was not recorded must not seem so.",
            )
        written = self.reading.measures.get(role, MeasureColumn(column=name))
        half = 1 << (field.bits - 1)
        low, high = (-half, half - 1) if field.signed else (0, 2 * half - 1)
        values, null = rows.measured(name)
        values = values * written.scale + written.offset
        counts = np.clip(np.rint((values - field.offset) / field.scale), low, high)
        # The most that a float holds below 2**63: a field of 64 bits must not overflow.
        return np.clip(counts, -(2.0**63), np.nextafter(2.0**63, 0)).astype(np.int64), null


def _missing(rows: RowBatch, name: str, expected: str, reading: Reading) -> ContractError:
    remedy = (
        "What is called otherwise can be told in config/recorded/."
        if reading.optional
        else f"Correct the name in {reading.where}."
    )
    return ContractError(f"no column {name}", rows.where(-1), expected, remedy)
