"""Byte ranges of a capture, and the bytes of a frame decoded field by field along its layout."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import numpy as np

from nodeday.config.study import Study
from nodeday.core.arrays import Bytes
from nodeday.core.errors import ContractError
from nodeday.layouts import Kind, Layout
from nodeday.layouts.codec import get_bits, unpack_counts
from nodeday.products.lineage.step import TraceStep
from nodeday.stages.frames.containers import Unpacker
from nodeday.stages.frames.framing import chunks
from nodeday.stages.frames.reading import reading_of
from nodeday.stages.frames.recorded import form_of

Range = tuple[int, int]
"""Offset and length in bytes."""
Contents = Mapping[tuple[int, Range], tuple[str, bytes]]
"""For each capture and range: where its first byte lies, and its bytes."""


def open_capture(study: Study, session: str, paths: list[Path]) -> Unpacker | None:
    """Open the files of a capture; None where they hold rows that were decoded already."""
    layout = next(iter(study.layouts_of(session).values()))
    return None if form_of(paths[0], reading_of(study.root, layout)) else Unpacker(paths)


def with_bytes(study: Study, session: str, trace: TraceStep) -> TraceStep:
    """Return the trace with the bytes of every frame and reject in it, each capture read once.

    Raises ContractError where a capture ends before a range that a table names.
    """
    wanted: dict[int, set[Range]] = {}
    for step in trace.walk():
        if "offset" in step.values and "length" in step.values:
            byte_range = step.values["offset"], step.values["length"]
            wanted.setdefault(step.values["capture"], set()).add(byte_range)
    found: dict[tuple[int, Range], tuple[str, bytes]] = {}
    for number, ranges in wanted.items():
        source = open_capture(study, session, study.captures_of(session)[number])
        if source is None:
            continue
        for byte_range, raw in read_ranges(source, sorted(ranges)).items():
            offset, length = byte_range
            if len(raw) < length:
                where = f"session {session}, capture {number}"
                raise ContractError(f"ends before byte {offset + length}", where, "the capture first decoded")
            found[number, byte_range] = (location(source, offset), raw)
    return _filled(study, session, trace, found)


def read_ranges(source: Unpacker, ranges: list[Range]) -> dict[Range, bytes]:
    """Return the bytes of each range, which are in order, in one pass that ends with the last of them.

    A range that the capture does not hold in full has fewer bytes.
    """
    if not ranges:
        return {}
    found = {byte_range: bytearray() for byte_range in ranges}
    end, at = max(start + length for start, length in ranges), 0
    waiting = list(ranges)
    for piece in source.pieces():
        stop = at + len(piece)
        for start, length in waiting:
            if start >= stop:
                break
            found[start, length] += piece[max(start - at, 0) : max(start + length - at, 0)]
        waiting = [(start, length) for start, length in waiting if start + length > stop]
        at = stop
        if at >= end:
            break
    return {byte_range: bytes(raw) for byte_range, raw in found.items()}


def location(source: Unpacker, offset: int) -> str:
    """Return in words which file a byte of the capture lies in, and where."""
    before = 0
    for file in source.facts:
        if offset < before + file.taken:
            packed = " in ".join(filter(None, ["packets" if file.packets else "", file.packed]))
            return f"{file.file} byte {offset - before}" + (f" (unpacked from {packed})" if packed else "")
        before += file.taken
    return f"byte {offset}"


def _filled(study: Study, session: str, step: TraceStep, found: Contents) -> TraceStep:
    """The step and all behind it, with file and bytes where it has an offset."""
    step = replace(step, of=tuple(_filled(study, session, inner, found) for inner in step.of))
    values = step.values
    if "offset" not in values:
        return step
    key = (values.get("capture", 0), (values["offset"], values.get("length", -1)))
    if key not in found:
        file = "a recording that was decoded already, of which no bytes of the node are left"
        return replace(step, values={**values, "file": file})
    file, raw = found[key]
    step = replace(step, values={**values, "file": file, "bytes": raw.hex(" ").upper()})
    if step.what != "frame":
        return step
    layout = study.layout_of(session, values["node"])
    lines, counts = decoded(raw, layout, layout.by_kind[values["kind"]])
    return replace(step, layout=lines, counts=counts)


def decoded(raw: bytes, layout: Layout, kind: Kind) -> tuple[tuple[str, ...], dict[str, list[int]]]:
    """Return a line for each field of a frame (byte, hex, name, integer, value), and counts by channel."""
    frame = np.frombuffer(raw, np.uint8)
    if layout.framing != "sync":
        frame = chunks(frame, layout.framing).content
    row = frame.reshape(1, -1)
    rows = [(0, 8 * len(layout.sync_bytes), "sync", "")] if layout.sync_bytes else []
    for name, (field, at) in layout.positions(kind).items():
        number = int(get_bits(row, at, field.bits, layout.order_of(field), field.signed)[0])
        scaled = (field.scale, field.offset) != (1.0, 0.0)
        value = f" -> {number * field.scale + field.offset:g}" if scaled else ""
        rows.append((at, field.bits, name, f"{number}{value}"))
    by_channel: dict[str, list[int]] = {}
    if kind.channels:
        name = next(field.name for field in layout.frame if field.role == "payload")
        rows.append((8 * layout.payload_at, 8 * kind.payload_bytes, name, f"{kind.samples} instants"))
        payload = row[:, layout.payload_at : layout.payload_at + kind.payload_bytes]
        counts = unpack_counts(np.ascontiguousarray(payload), kind)[0]
        by_channel = {channel.name: counts[:, at].tolist() for at, channel in enumerate(kind.channels)}
    return tuple(_line(frame, *field) for field in sorted(rows)), by_channel


def _line(frame: Bytes, at: int, bits: int, name: str, value: str) -> str:
    first, last = at // 8, (at + bits + 7) // 8
    where = f"{first}" if at % 8 == 0 and bits % 8 == 0 else f"{first}.{at % 8}+{bits}"
    shown = frame[first:last].tobytes().hex(" ").upper()
    shown = shown if len(shown) <= 38 else f"{shown[:35]}..."
    return f"{where:>7}  {shown:<38}  {name:<10} {value}".rstrip()
