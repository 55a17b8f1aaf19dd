"""A format of decoded recordings: what each column of a CSV or Parquet file holds.

It stands in ``config/recorded/<name>.yaml`` and needs no layout of bytes. A number of a column is::

    written x scale + offset = value in the channel's unit

and a whole multiple of ``resolution``, in which it is kept exactly: 1 for counts, 0.001 for millivolts
with three decimals. :meth:`RecordingFormat.layout` derives a layout with fields wide enough for every
number that a column may hold; nobody has to look at it.
"""

from __future__ import annotations

from functools import cached_property
from pathlib import Path
from typing import Any, Literal, Self

from pydantic import Field as Setting
from pydantic import ValidationError, model_validator

from nodeday.core import refusals, yaml_io
from nodeday.core.refusals import CODE, NAME
from nodeday.core.yaml_io import Strict, error_at
from nodeday.layouts.model import Layout
from nodeday.layouts.parts import MAX_CHANNELS, MAX_RATE_HZ, Kind
from nodeday.layouts.recording_columns import (
    UNWRAPPED_BITS,
    ColumnName,
    CounterColumn,
    MeasureColumn,
    NodeColumn,
    PlainColumn,
    TicksColumn,
    TimeColumn,
)

MAX_SAMPLES = 10_000
"""Samples in a frame; times the range of the widest counter they still are a number of 62 bits."""
FINE = 1e-6
"""Step in which a battery's voltage and the measures of the radio are kept. A choice of this project, finer
than the single-precision number that the tables hold."""


class RecordedChannel(Strict):
    """One measured quantity: written x scale + offset = value in ``unit``.

    ``resolution`` is the step of the numbers as they are written: 1 for counts. A number between two steps
    is refused, unless ``rounded`` says that it may be rounded. ``rails`` are the converter's least and most
    number as written. A row that is a frame of several samples has a column for each: ``ecg_*``, where
    ``*`` stands for the sample's number.
    """

    name: str = Setting(pattern=NAME)
    column: ColumnName
    unit: str
    scale: float = 1.0
    offset: float = 0.0
    resolution: float = Setting(default=1.0, gt=0)
    rounded: bool = False
    rails: tuple[float, float] | None = None

    @model_validator(mode="after")
    def _some_scale(self) -> Self:
        if not self.scale:
            raise error_at("a scale of zero makes every value the same", "scale")
        return self


class RecordedStream(Strict):
    """Samples of a sort: ``samples`` in a frame, ``rate_hz`` a second; ``label`` where its column has one."""

    stream: str = Setting(pattern=NAME)
    label: str | None = None
    type: Literal["ecg", "acceleration", "temperature", "other"] | None = None
    timing: Literal["regular", "irregular"] | None = None
    rate_hz: float = Setting(gt=0, le=MAX_RATE_HZ)
    samples: int = Setting(default=1, ge=1, le=MAX_SAMPLES)
    converter_ms: float = Setting(default=0.0, ge=0)
    channels: tuple[RecordedChannel, ...] = Setting(min_length=1, max_length=MAX_CHANNELS)

    @model_validator(mode="after")
    def _makes_a_kind(self) -> Self:
        _refused_in_words(lambda: Kind.model_validate(self.kind(1, "last")))
        return self

    def kind(self, number: int, stamp: str) -> dict[str, Any]:
        """Return the kind of frame of this stream in the derived layout."""
        names = ("stream", "type", "timing", "rate_hz", "samples", "converter_ms")
        return {
            **{name: getattr(self, name) for name in names},
            "kind": number,
            "bits": 32,
            "signed": True,
            "stamp": stamp,
            "channels": [
                {
                    "name": each.name,
                    "unit": each.unit,
                    "scale": each.scale * each.resolution,
                    "offset": each.offset,
                    "rails": each.rails and [round(rail / each.resolution) for rail in each.rails],
                }
                for each in self.channels
            ],
        }


class RecordingFormat(Strict):
    """A file ``config/recorded/<name>.yaml``; a column that it does not declare is not read."""

    recording: str = Setting(pattern=CODE)
    about: str = ""
    rows: Literal["frames", "samples"]
    separator: str | None = Setting(default=None, min_length=1, max_length=1)
    decimal: Literal[".", ","] = "."
    node: NodeColumn | None = None
    stream: PlainColumn | None = None
    sequence: CounterColumn | None = None
    time: TimeColumn | None = None
    ticks: TicksColumn | None = None
    boot: PlainColumn | None = None
    battery: MeasureColumn | None = None
    rssi: MeasureColumn | None = None
    lqi: MeasureColumn | None = None
    streams: tuple[RecordedStream, ...] = Setting(min_length=1)

    @model_validator(mode="after")
    def _what_it_needs(self) -> Self:
        if self.sequence is None:
            raise ValueError(
                "sequence is missing; without a number that counts frames or samples nobody can tell what "
                "was lost from what was never sent"
            )
        if self.time is None and self.ticks is None:
            raise ValueError("time is missing, and ticks too; give one of them")
        for name in ("time", "ticks"):
            self._check_of(name)
        return self

    def _check_of(self, name: str) -> None:
        column: TimeColumn | TicksColumn | None = getattr(self, name)
        if column is None:
            return
        if self.rows == "frames" and column.of == "sample":
            raise error_at("rows are frames, so a row has one time: of its first or its last sample", name)
        if self.rows == "frames" and column.of is None and any(each.samples > 1 for each in self.streams):
            raise error_at("of is missing: whether it is of the first or the last sample", name)

    @model_validator(mode="after")
    def _columns_once(self) -> Self:
        patterns = self.rows == "frames"
        for index, stream in enumerate(self.streams):
            for place, channel in enumerate(stream.channels):
                if patterns and stream.samples > 1 and channel.column.count("*") != 1:
                    found = f"a frame has {stream.samples} samples, and {channel.column} is one column"
                    raise error_at(
                        f"{found}; write a * for the number", "streams", index, "channels", place, "column"
                    )
        names = [name for _, name in self.columns()]
        names += [channel.column for stream in self.streams for channel in stream.channels]
        shared = sorted({name for name in names if names.count(name) > 1})
        if shared and (self.stream is None or set(shared) & {name for _, name in self.columns()}):
            raise ValueError(f"column {', '.join(shared)} is declared twice")
        labels = [each.label or each.stream for each in self.streams]
        if twice := sorted({label for label in labels if labels.count(label) > 1}):
            raise ValueError(f"stream {', '.join(twice)} is there twice")
        return self

    @model_validator(mode="after")
    def _makes_a_layout(self) -> Self:
        _refused_in_words(lambda: Layout.model_validate(self._layout()))
        return self

    def columns(self) -> list[tuple[str, str]]:
        """Return role and name of each column but for those of channels."""
        roles = ("node", "stream", "sequence", "time", "ticks", "boot", "battery", "rssi", "lqi")
        return [(role, getattr(self, role).column) for role in roles if getattr(self, role) is not None]

    def channel(self, name: str) -> RecordedChannel:
        """Return the channel of that name."""
        channels = (channel for stream in self.streams for channel in stream.channels)
        return next(channel for channel in channels if channel.name == name)

    @cached_property
    def layout(self) -> RecordedLayout:
        """The derived layout."""
        return RecordedLayout.model_validate({**self._layout(), "recording": self})

    def _layout(self) -> dict[str, Any]:
        stamp = "first" if self.ticks is not None and self.ticks.of == "first" else "last"
        kinds = [each.kind(number, stamp) for number, each in enumerate(self.streams, 1)]
        if self.time is not None and self.time.is_utc:
            utc = {
                "name": "utc",
                "role": "utc",
                "bits": 64,
                "unit_ns": 1,
                "rounding": "down",
                "read": "after",
            }
            kinds.append({"kind": 0, "stream": "mark", "every_s": 10, "timing": "irregular", "fields": [utc]})
        return {
            "layout": self.recording,
            "about": self.about,
            "sync": "52",
            "delay_ms": self.time.delay_ms if self.time else 0.0,
            "frame": self._fields(),
            "kinds": kinds,
        }

    def _fields(self) -> list[dict[str, Any]]:
        """Return the fields of a frame, each of whole bytes.

        The checksum says that a row is a received frame, whatever its counters hold.
        """
        fields: list[dict[str, Any]] = [
            {"name": "node", "role": "node", "bits": 64},
            {"name": "kind", "role": "kind", "bits": 16},
        ]
        for role in ("sequence", "ticks"):
            column: CounterColumn | None = getattr(self, role)
            if column is not None:
                bits = column.bits or UNWRAPPED_BITS
                rate = {"rate_hz": column.rate_hz} if isinstance(column, TicksColumn) else {}
                fields.append({"name": role, "role": role, "bits": bits, **rate})
                if bits % 8:
                    fields.append({"name": f"{role}_pad", "bits": 8 - bits % 8})
        if self.boot is not None:
            fields.append({"name": "boot", "role": "boot", "bits": 32})
        for role in ("battery", "rssi", "lqi"):
            if getattr(self, role) is not None:
                fields.append({"name": role, "role": role, "bits": 64, "signed": True, "scale": FINE})
        unit_ns = self.time.resolution_ns if self.time else 1
        return [
            *fields,
            {"name": "payload", "role": "payload"},
            {
                "name": "sum",
                "role": "checksum",
                "bits": 16,
                "crc": "CRC-16/IBM-3740",
                "over": ["node", "payload"],
            },
            {"name": "time", "role": "hub_time", "bits": 64, "unit_ns": unit_ns},
        ]


class RecordedLayout(Layout):
    """A layout that was derived from a format of decoded recordings: nothing else has its bytes."""

    recording: RecordingFormat


def load_format(path: Path) -> RecordingFormat:
    """Return a format of decoded recordings; raise SettingsError with key and line where it is none."""
    return yaml_io.load(path, RecordingFormat)


def _refused_in_words(make: Any) -> None:
    """Raise ValueError with the first sentence of a derived part that is refused."""
    try:
        make()
    except ValidationError as error:
        first = error.errors()[0]
        raise ValueError(refusals.sentence(".".join(map(str, first["loc"])), first)) from None
