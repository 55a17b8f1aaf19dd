"""How the rows of a decoded recording are read: beside a layout of bytes, or by a format of their own.

Beside a layout, ``config/recorded/<layout>.yaml`` names columns that are called otherwise, and what is not
named is recognised. Without one, that file is the format itself: see :mod:`nodeday.layouts.recording`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

from pydantic import Field as Setting

from nodeday.core import yaml_io
from nodeday.core.yaml_io import Strict
from nodeday.layouts import Kind, Layout
from nodeday.layouts.recording import RecordedLayout, RecordingFormat
from nodeday.layouts.recording_columns import UNITS_NS, MeasureColumn

ROLES = ("node", "stream", "kind", "sequence", "ticks", "time", "boot", "battery", "rssi", "lqi")


class ColumnNames(Strict):
    """``config/recorded/<layout>.yaml`` beside a layout: the file's name of each column and its content."""

    node: str = "node"
    stream: str = "stream"
    kind: str = "kind"
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


@dataclass(frozen=True)
class Step:
    """The numbers of a column that are kept exactly: ``zero`` and whole multiples of ``size`` from there.

    ``unit`` is that of the numbers; ``rounded`` says that others are rounded, else they are refused.
    """

    size: float
    zero: float = 0.0
    unit: str = ""
    rounded: bool = False


@dataclass(frozen=True)
class TimeReading:
    """What the times of a file are; see :class:`nodeday.layouts.recording.TimeColumn`.

    Where ``form`` is None numbers and instants are told apart by the file. ``resolution_ns`` is None where
    times lie between two steps of the layout's stamp as they like.
    """

    form: Literal["numbers", "iso"] | None = None
    unit_ns: int = 1
    is_utc: bool = False
    zone: str | None = None
    resolution_ns: int | None = None
    of_first: bool = False


@dataclass(frozen=True)
class Reading:
    """Columns of a recording by role, and what stands in them.

    A column may be absent where ``optional``. ``nodes`` and ``streams`` are names by what the file calls
    them, ``fields`` columns of a layout's fields of role other. ``steps`` has no entry for a channel of
    whole numbers. ``last_row`` is whether the last row of a frame of several rows has its time and ticks,
    None where the layout tells.
    """

    where: str
    columns: Mapping[str, str]
    channels: Mapping[str, str]
    optional: bool = True
    rows: Literal["frames", "samples"] | None = None
    separator: str | None = None
    decimal: Literal[".", ","] = "."
    time: TimeReading = field(default_factory=TimeReading)
    nodes: Mapping[str, str] = field(default_factory=dict)
    streams: Mapping[str, str] = field(default_factory=dict)
    steps: Mapping[str, Step] = field(default_factory=dict)
    measures: Mapping[str, MeasureColumn] = field(default_factory=dict)
    last_row: bool | None = None
    fields: Mapping[str, str] = field(default_factory=dict)

    @property
    def sequence(self) -> str:
        """Name of the column of the sequence number, by which a file is known as a recording."""
        return self.columns["sequence"]

    def of(self, channel: str) -> str:
        """Return the column of a channel, where a row is a sample."""
        return self.channels.get(channel, channel)

    @property
    def width_from(self) -> str:
        """What gives a counter its width, in words."""
        return "the layout gives it" if self.optional else f"{self.where} gives it"


def reading_of(root: Path, layout: Layout) -> Reading:
    """Return how recordings of ``layout`` are read in a study; raise SettingsError for a bad file."""
    if isinstance(layout, RecordedLayout):
        return by_format(layout.recording)
    path = root / "config" / "recorded" / f"{layout.layout}.yaml"
    return by_names(yaml_io.load(path, ColumnNames) if path.exists() else ColumnNames(), layout.kinds)


def by_names(names: ColumnNames, kinds: Sequence[Kind] = ()) -> Reading:
    """Return how rows are read that become frames of a layout with ``kinds``."""
    steps = {}
    if names.values == "physical":
        channels = [channel for kind in kinds for channel in kind.channels]
        steps = {each.name: Step(each.scale, each.offset, each.unit) for each in channels}
    return Reading(
        "config/recorded/",
        {role: getattr(names, role) for role in ROLES},
        names.channels,
        separator=names.separator,
        decimal=names.decimal,
        time=TimeReading(unit_ns=names.time_unit_ns, is_utc=names.time_utc),
        steps=steps,
        fields=names.fields,
    )


def by_format(form: RecordingFormat) -> Reading:
    """Return how rows of a format are read."""
    channels = [channel for stream in form.streams for channel in stream.channels]
    measures = {role: getattr(form, role) for role in ("battery", "rssi", "lqi")}
    time = TimeReading()
    if form.time is not None:
        numbers = form.time.unit != "iso"
        time = TimeReading(
            "numbers" if numbers else "iso",
            UNITS_NS.get(form.time.unit, 1),
            form.time.is_utc,
            form.time.zone,
            form.time.resolution_ns,
            form.time.of == "first",
        )
    return Reading(
        f"config/recorded/{form.recording}.yaml",
        dict(form.columns()),
        {each.name: each.column for each in channels},
        optional=False,
        rows=form.rows,
        separator=form.separator,
        decimal=form.decimal,
        time=time,
        nodes=form.node.names if form.node else {},
        streams={each.label: each.stream for each in form.streams if each.label},
        steps={
            each.name: Step(each.resolution, 0.0, "" if each.scale != 1 else each.unit, each.rounded)
            for each in channels
        },
        measures={role: column for role, column in measures.items() if column},
        last_row=True,
    )
