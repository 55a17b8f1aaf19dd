"""The text of a proposed format, with what was measured as comments and what to check marked as such."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping

from nodeday.cli.init.recordings.proposal import Proposal, ProposedChannel, ProposedStream
from nodeday.cli.init.recordings.roles import words_of
from nodeday.layouts.recording_columns import UNITS_NS

CHECK = "# TO CHECK: "
PLAIN = re.compile(r"[A-Za-z_][\w.-]*")
WORDS_OF_YAML = ("y", "n", "yes", "no", "on", "off", "true", "false", "null")


def form_text(name: str, proposal: Proposal, nodes: Mapping[str, str]) -> str:
    """Return a format as a file; ``nodes`` are names of nodes by what else a recording calls them."""
    source, roles = proposal.source, proposal.columns.roles
    form = "Parquet"
    if source.text is not None:
        form = f"a text in {source.text.encoding.removesuffix('-sig').upper()}"
    lines = [
        "# What the columns of decoded recordings hold; docs/decoded-recordings.md lists every key.",
        f"# Measured by `nodeday init --from` in {_plural(proposal.all_rows.rows, 'row')} of {form}.",
        f"recording: {name}",
        f"rows: {'frames' if proposal.is_frames else 'samples'}{_rows_comment(proposal)}",
    ]
    if source.text is not None:
        lines += [f"separator: {_q(source.text.separator)}", f"decimal: {_q(source.decimal)}"]
    if "node" in roles:
        lines.append(_node(roles["node"], nodes))
    if "stream" in roles:
        lines.append(f"stream: {{column: {_q(roles['stream'])}}}")
    lines += _sequence(proposal)
    lines += _time(proposal)
    lines += _ticks(proposal)
    lines += [f"{role}: {{column: {_q(roles[role])}}}" for role in ("boot",) if role in roles]
    for role, unit in (("battery", "volts"), ("rssi", "dBm"), ("lqi", "")):
        if role in roles:
            check = f"  {CHECK}in {unit}, else give scale and offset" if unit else ""
            milli = ", scale: 0.001" if role == "battery" and "mv" in words_of(roles[role]) else ""
            lines.append(f"{role}: {{column: {_q(roles[role])}{milli}}}{'' if milli else check}")
    lines.append("streams:")
    for stream in proposal.streams:
        lines += _stream(stream)
    if proposal.columns.ignored:
        lines.append(f"# Not read: {', '.join(proposal.columns.ignored)}.".replace("\n", " "))
    return "\n".join(lines) + "\n"


def _rows_comment(proposal: Proposal) -> str:
    return f"  {CHECK}{proposal.why_frames}" if proposal.is_frames else ""


def _node(column: str, nodes: Mapping[str, str]) -> str:
    if not nodes:
        return f"node: {{column: {_q(column)}}}"
    pairs = ", ".join(f"{_q(text)}: {name}" for text, name in nodes.items())
    return f"node: {{column: {_q(column)}, names: {{{pairs}}}}}"


def _sequence(proposal: Proposal) -> list[str]:
    width, column = proposal.sequence, proposal.columns.roles["sequence"]
    guessed = "it alone counts by ones; " if "sequence" in proposal.columns.guessed else ""
    mark = "# " if width.sure and not guessed else CHECK
    bits = "null" if width.bits is None else width.bits
    return [f"sequence: {{column: {_q(column)}, bits: {bits}}}  {mark}{guessed}{width.words}"]


def _time(proposal: Proposal) -> list[str]:
    time, of = proposal.time, proposal.time_of
    parts = [f"column: {_q(time.column)}", f"unit: {time.unit}"]
    parts += [f"since: {time.since}"] if time.since else []
    parts += [f"zone: {time.zone or 'UTC'}"] if time.needs_zone else []
    if time.unit == "iso" or time.resolution_ns != UNITS_NS[time.unit]:
        parts.append(f"resolution_ms: {_number(time.resolution_ns / 1e6)}")
    parts += [f"of: {of}"] if of else []
    checks = [time.unsure] if time.unsure else []
    if time.needs_zone and time.zone is None:
        checks.append(f"{time.column} has no offset; nothing tells its zone")
    if of == "last":
        checks.append("whether it is of the first sample of a frame, or of the last or the arrival")
    comment = f"  {CHECK}{'; '.join(checks)}" if checks else f"  # {time.how}"
    return [f"time: {{{', '.join(parts)}}}{comment}"]


def _ticks(proposal: Proposal) -> list[str]:
    ticks = proposal.ticks
    if ticks is None:
        return []
    bits = "null" if ticks.width.bits is None else ticks.width.bits
    parts = [
        f"column: {_q(proposal.columns.roles['ticks'])}",
        f"rate_hz: {_number(ticks.rate_hz)}",
        f"bits: {bits}",
    ]
    checks = [] if ticks.width.sure else [ticks.width.words]
    if proposal.time_of is not None:
        parts.append(f"of: {'sample' if ticks.own else 'last'}")
        checks += [] if ticks.own else ["whether they are of the first or the last sample of a frame"]
    comment = f"{CHECK}{'; '.join(checks)}" if checks else f"# {ticks.width.words}"
    return [f"ticks: {{{', '.join(parts)}}}  {comment}"]


def _stream(stream: ProposedStream) -> list[str]:
    measure = stream.measure
    every = f"measured {stream.samples / measure.period_s:.7g} over {_plural(measure.units, 'step')} of one"
    few = CHECK if measure.units < 20 or measure.share < 0.9 else "# "
    odd = f"; {measure.share:.0%} of frames have so many rows" if measure.share < 1 else ""
    named = f"  {CHECK}its type: ecg, acceleration or temperature, where it is one" if stream.unnamed else ""
    lines = [f"  - stream: {stream.name}{named}"]
    lines += [f"    label: {_q(stream.label)}"] if stream.label else []
    lines += [f"    type: {stream.type}"] if stream.type else []
    lines += [
        f"    rate_hz: {_number(stream.rate_hz)}  {few}{every}",
        f"    samples: {stream.samples}  # in a frame{odd}",
    ]
    return [*lines, "    channels:", *(_channel(each) for each in stream.channels)]


def _channel(channel: ProposedChannel) -> str:
    unit, step = channel.unit, channel.step
    parts = [f"name: {channel.name}", f"column: {_q(channel.columns.column)}", f"unit: {_q(unit.unit)}"]
    parts += [f"scale: {_number(unit.scale)}"] if unit.scale != 1 else []
    parts += [f"offset: {_number(unit.offset)}"] if unit.offset else []
    parts += [f"resolution: {_number(step.size)}"] if step.size != 1 else []
    parts += [] if step.exact else ["rounded: true"]
    checks = [] if unit.sure else ["the unit, and scale and offset to it"]
    if not step.exact:
        checks.append(f"no step fits its numbers; rounding moves them by {step.worst:.2g} at most")
    comment = f"  {CHECK}{'; '.join(checks)}" if checks else ""
    return f"      - {{{', '.join(parts)}}}{comment}"


def _q(text: str) -> str:
    """Return a text as YAML reads it back."""
    if PLAIN.fullmatch(text) and text.lower() not in WORDS_OF_YAML:
        return text
    return json.dumps(text, ensure_ascii=False)


def _number(value: float) -> str:
    """Return a number as YAML reads it back: with a point before an exponent."""
    text = f"{value:.15g}" if float(f"{value:.15g}") == value else repr(value)
    if "e" in text and "." not in text:
        text = text.replace("e", ".0e")
    return text


def _plural(count: int, noun: str) -> str:
    return f"{count:,} {noun}{'s' * (count != 1)}"
