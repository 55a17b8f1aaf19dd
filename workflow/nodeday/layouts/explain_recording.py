"""A format of decoded recordings in words: what each column holds, for the person who wrote it."""

from __future__ import annotations

import textwrap

from nodeday.layouts.recording import RecordedChannel, RecordedStream, RecordingFormat
from nodeday.layouts.recording_columns import CounterColumn

WIDTH, MEANING_AT = 80, 24
ROUNDINGS = {None: "rounding not known", "nearest": "to the nearest", "down": "cut", "up": "rounded up"}
TIME_UNITS = {"s": "seconds", "ms": "milliseconds", "us": "microseconds", "ns": "nanoseconds"}


def explain_recording(form: RecordingFormat) -> str:
    """Return a format column by column as text of 80 columns."""
    row = "a row is a frame" if form.rows == "frames" else "a row is a sample"
    lines = [f"{form.recording}: a decoded recording, CSV or Parquet; {row}"]
    if form.about:
        lines.append(textwrap.fill(form.about, WIDTH, initial_indent="  ", subsequent_indent="  "))
    separator = {None: "comma, semicolon or tab, recognised", "\t": "tab"}.get(form.separator, form.separator)
    lines += [f"  separator {separator}; decimal {form.decimal}", "", *_columns(form)]
    for stream in form.streams:
        lines += ["", *_stream(stream, form.rows == "frames")]
    return "\n".join(lines)


def _columns(form: RecordingFormat) -> list[str]:
    meanings = {
        "node": "the node, by its name or address in nodes.tsv",
        "stream": "the stream",
        "sequence": f"sequence number of the frame; {_wraps(form.sequence)}",
        "time": _time(form),
        "boot": "changes when the node restarts",
        "battery": "battery in volts",
        "rssi": "signal strength in dBm",
        "lqi": "link quality",
    }
    if form.node and form.node.names:
        meanings["node"] = "the node: " + ", ".join(
            f"{text} is {name}" for text, name in form.node.names.items()
        )
    if form.ticks:
        of = form.ticks.of or "sample"
        meanings["ticks"] = (
            f"ticks of the node, {form.ticks.rate_hz:g} a second{_of(of)}; {_wraps(form.ticks)}"
        )
    return [_line(name, meanings[role]) for role, name in form.columns()]


def _wraps(column: CounterColumn | None) -> str:
    if column is None or column.bits is None:
        return "never wraps"
    return f"{column.bits} bits, wraps after {1 << column.bits}"


def _time(form: RecordingFormat) -> str:
    if form.time is None:
        return ""
    time, of = form.time, form.time.of or "sample"
    if time.unit == "iso":
        what = (
            f"time in ISO 8601; without an offset local in {time.zone}" if time.zone else "time in ISO 8601"
        )
    else:
        since = "since 1970-01-01 UTC" if time.since == "utc" else "since some start"
        what = f"time in {TIME_UNITS[time.unit]} {since}"
    steps = f"in steps of {time.resolution_ns / 1e6:g} ms, {ROUNDINGS[time.rounding]}"
    return f"{what}, {steps}{_of(of)}"


def _of(of: str) -> str:
    return "" if of == "sample" else f", of the {of} sample of a frame"


def _stream(stream: RecordedStream, frames: bool) -> list[str]:
    size = f", {stream.samples} samples in a frame" if stream.samples > 1 else ""
    called = f" (called {stream.label})" if stream.label else ""
    kind = f", type {stream.type}" if stream.type else ""
    head = f"stream {stream.stream}{called}: {stream.rate_hz:g} Hz{size}{kind}"
    return [head, *(_channel(channel) for channel in stream.channels)]


def _channel(channel: RecordedChannel) -> str:
    if (channel.scale, channel.offset) == (1.0, 0.0):
        value = f"in {channel.unit}"
    else:
        value = f"x {channel.scale:g} + {channel.offset:g} in {channel.unit}"
    step = "whole numbers" if channel.resolution == 1 else f"steps of {channel.resolution:g}"
    rounded = ", others rounded" if channel.rounded else ""
    return _line(channel.column, f"{channel.name}: {value}; {step}{rounded}")


def _line(name: str, meaning: str) -> str:
    start = f"  {name:<{MEANING_AT - 4}}  {meaning}"
    return textwrap.fill(start, WIDTH, subsequent_indent=" " * MEANING_AT, drop_whitespace=True).rstrip()
