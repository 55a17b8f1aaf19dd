"""A format proposed for a recording: what its columns measure, how sure that is, what a person must say."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np

from nodeday.cli.init.recordings.all_rows import AllRows, StreamColumnNames, go_over, keys_of
from nodeday.cli.init.recordings.channels import (
    TYPE_OF,
    ChannelColumns,
    UnitFound,
    channel_columns,
    free_name,
    quantity_of,
    unit_of,
)
from nodeday.cli.init.recordings.counters import LEAST_UNITS, FrameMeasure, Width, measure_frames, width_of
from nodeday.cli.init.recordings.numbers import NOMINAL, StepFound, nominal, step_of
from nodeday.cli.init.recordings.roles import Columns, find_columns
from nodeday.cli.init.recordings.source import Source, numbers_of, texts_of
from nodeday.cli.init.recordings.times import TimeFound, find_time
from nodeday.core.arrays import Bools
from nodeday.core.errors import SettingsError
from nodeday.layouts.parts import RESERVED
from nodeday.layouts.recording import MAX_SAMPLES

CRYSTAL_HZ = 32768.0
"""Rate of a watch crystal, 2 to the power of 15: the usual one of nodes (common practice, no source)."""


@dataclass
class ProposedChannel:
    """A channel with its unit and the step of its numbers."""

    name: str
    columns: ChannelColumns
    unit: UnitFound
    step: StepFound


@dataclass
class ProposedStream:
    """A stream: as its column calls it, its channels, its frames as measured, its nominal rate."""

    name: str
    label: str | None
    type: str | None
    channels: list[ProposedChannel]
    measure: FrameMeasure
    samples: int
    rate_hz: float
    unnamed: bool


@dataclass(frozen=True)
class Given:
    """What a person says of a file: columns by role, units by column, types by stream, and of its times.

    ``time_of`` is the sample of a frame that the times are of, ``zone`` that of times without an offset.
    """

    roles: Mapping[str, str] = field(default_factory=dict)
    units: Mapping[str, str] = field(default_factory=dict)
    types: Mapping[str, str] = field(default_factory=dict)
    time_unit: str = ""
    time_of: str = ""
    zone: str = ""


class Ticks(NamedTuple):
    """Ticks a second, where they wrap, and whether the rows of a frame have ticks of their own."""

    rate_hz: float
    width: Width
    own: bool


@dataclass
class Proposal:
    """All that a format file needs; ``why_frames`` is what shows that a row is a frame, if it is one."""

    source: Source
    columns: Columns
    time: TimeFound
    is_frames: bool
    streams: list[ProposedStream]
    all_rows: AllRows
    sequence: Width
    given: Given
    why_frames: str = ""
    ticks: Ticks | None = None

    @property
    def time_of(self) -> str | None:
        """Sample that the time of a frame is of; ``last`` is a guess, None where frames have one sample."""
        several = [stream for stream in self.streams if stream.samples > 1]
        if not several:
            return None
        if self.given.time_of:
            return self.given.time_of
        own = not self.is_frames and all(stream.measure.own_times for stream in several)
        return "sample" if own else "last"


@dataclass
class _Group:
    """Columns of a stream before it has a name, and which rows of the head are of it, (n,)."""

    label: str | None
    channels: list[ChannelColumns]
    rows: Bools


def propose(source: Source, given: Given) -> Proposal:
    """Measure a file and propose its format; raise SettingsError where it cannot be read so."""
    columns = find_columns(source, given.roles)
    time = find_time(source, columns.roles["time"], given.time_unit)
    time.zone = given.zone if time.needs_zone and given.zone else None
    channels, is_frames, why = channel_columns(source, columns.channels)
    if unknown := sorted(set(given.units) - {channel.column for channel in channels}):
        known = ", ".join(channel.column for channel in channels)
        raise SettingsError(f"no samples in {', '.join(unknown)}", str(source.path), f"one of {known}")
    groups = _groups(source, columns, channels)
    measures = [_measured(source, columns, time, group) for group in groups]
    tick_hz, own_ticks = _ticks(source, columns, time)
    parts = [
        StreamColumnNames(
            group.label, [name for channel in group.channels for name in channel.names], measure.period_s
        )
        for group, measure in zip(groups, measures, strict=True)
    ]
    found = go_over(source, columns.roles, time, parts, 1 / tick_hz)
    taken, named = set[str](), {"mark"}
    streams = [
        _stream(source, group, measure, is_frames, given, found, taken, named)
        for group, measure in zip(groups, measures, strict=True)
    ]
    proposal = Proposal(
        source, columns, time, is_frames, streams, found, width_of(found.sequence), given, why
    )
    if "ticks" in columns.roles:
        proposal.ticks = Ticks(tick_hz, width_of(found.ticks), own_ticks)
    return proposal


def _groups(source: Source, columns: Columns, channels: list[ChannelColumns]) -> list[_Group]:
    """Return the streams of a file: by their column, else by what is filled in the same rows and alike."""
    there = {channel.column: _filled(source, channel) for channel in channels}
    if "stream" in columns.roles:
        key, words = keys_of(source.head, [columns.roles["stream"]])
        groups = []
        for label in texts_of(source.head, columns.roles["stream"]):
            rows = key == words.index(label)
            filled = [channel for channel in channels if there[channel.column][rows].any()]
            if filled:
                groups.append(_Group(label, filled, rows))
        return groups
    found: dict[tuple[str, int, bytes], _Group] = {}
    for channel in channels:
        rows = there[channel.column]
        key_of = (channel.quantity, len(channel.names), np.packbits(rows).tobytes())
        found.setdefault(key_of, _Group(None, [], rows)).channels.append(channel)
    return list(found.values())


def _filled(source: Source, channel: ChannelColumns) -> Bools:
    column = numbers_of(source.head, channel.names[0])
    assert column is not None
    return column[1]


def _measured(source: Source, columns: Columns, time: TimeFound, group: _Group) -> FrameMeasure:
    """Measure the frames of a stream by the node that sent most of it in the first rows."""
    rows = group.rows
    if "node" in columns.roles:
        key, _ = keys_of(source.head, [columns.roles["node"]])
        rows = rows & (key == np.bincount(key[rows]).argmax())
    at = np.flatnonzero(rows)
    seq = source.head.ints(columns.roles["sequence"])[at]
    measure = measure_frames(seq, time.nanoseconds(source.head)[at], time.resolution_ns)
    name, number = group.label or group.channels[0].column, columns.roles["sequence"]
    if measure.usual_step != 1 and measure.units >= LEAST_UNITS:
        raise SettingsError(
            f"{number} goes up by {measure.usual_step} from one frame of {name} to the next",
            str(source.path),
            "a number for each stream, which counts its frames one by one",
            "Where it counts rows of several streams, nobody can tell which of them a lost one was.",
        )
    if not measure.period_s:
        raise SettingsError(
            f"no two frames of {name} follow each other in time",
            str(source.path),
            "a recording that tells how often a node sends",
        )
    return measure


def _stream(
    source: Source,
    group: _Group,
    measure: FrameMeasure,
    is_frames: bool,
    given: Given,
    found: AllRows,
    taken: set[str],
    named: set[str],
) -> ProposedStream:
    samples = len(group.channels[0].names) if is_frames else measure.rows
    if samples > MAX_SAMPLES:
        expected = f"at most {MAX_SAMPLES}, and a number that counts frames"
        raise SettingsError(f"a frame has {samples} samples", str(source.path), expected)
    quantities = {channel.quantity for channel in group.channels}
    quantity = quantities.pop() if len(quantities) == 1 else ""
    quantity = quantity or quantity_of(group.label or "")
    name = free_name(group.label or quantity or _stem(group.channels[0]), named)
    quantity = next((each for each, kind in TYPE_OF.items() if given.types.get(name) == kind), quantity)
    axes = sorted(channel.axis for channel in group.channels)
    triple = quantity == "acc" and axes == ["x", "y", "z"] and not taken & {"x", "y", "z"}
    channels = []
    for channel in group.channels:
        wanted = channel.axis if triple else "ecg" if quantity == "ecg" else _stem(channel)
        unit = unit_of(channel, given.units)
        step = _step(source, channel, found)
        channels.append(ProposedChannel(free_name(wanted, taken, RESERVED), channel, unit, step))
    known = all(channel.unit.sure for channel in channels)
    fits = triple or (quantity == "ecg" and len(channels) == 1) or quantity == "temp"
    right = {channel.unit.unit for channel in channels} == {{"ecg": "mV", "acc": "g"}.get(quantity, "degC")}
    kind = given.types.get(name) or (TYPE_OF.get(quantity) if known and fits and right else None)
    label = group.label if group.label != name else None
    rate = nominal(samples / measure.period_s, measure.error)
    unnamed = kind is None and known
    return ProposedStream(name, label, kind, channels, measure, samples, rate, unnamed)


def _stem(channel: ChannelColumns) -> str:
    return channel.column.replace("*", "").split("(")[0]


def _step(source: Source, channel: ChannelColumns, found: AllRows) -> StepFound:
    decimals = [found.decimals.get(name, 0) for name in channel.names]
    known = [each for each in decimals if each is not None]
    most = max(found.most.get(name, 0.0) for name in channel.names)
    parts = [
        part[0][part[1]] for name in channel.names if (part := numbers_of(source.head, name)) is not None
    ]
    return step_of(np.concatenate(parts), max(known) if len(known) == len(decimals) else None, most)


def _ticks(source: Source, columns: Columns, time: TimeFound) -> tuple[float, bool]:
    """Return the rate of ticks, 1 where there are none, and whether the rows of a frame have their own."""
    roles = columns.roles
    if "ticks" not in roles:
        return 1.0, False
    at = np.arange(len(source.head.at))
    if "node" in roles:
        key, _ = keys_of(source.head, [roles["node"]])
        at = np.flatnonzero(key == np.bincount(key).argmax())
    ticks, time_s = source.head.ints(roles["ticks"])[at], time.nanoseconds(source.head)[at] / 1e9
    steps, waits = np.diff(ticks), np.diff(time_s)
    up = (steps >= 0) & (waits >= 0)
    total = float(waits[up].sum())
    if not total or not steps[up].any():
        raise SettingsError(f"{roles['ticks']} stands still", str(source.path), "ticks of a clock")
    rate = float(steps[up].sum() / total)
    rate = (
        CRYSTAL_HZ
        if abs(rate / CRYSTAL_HZ - 1) < NOMINAL
        else nominal(rate, time.resolution_ns / 1e9 / total)
    )
    same = np.diff(source.head.ints(roles["sequence"])[at]) == 0
    return rate, bool(same.any()) and bool((steps[same] > 0).mean() > 0.5)
