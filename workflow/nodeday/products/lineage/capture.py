"""Byte ranges of a capture, and a frame's bytes decoded beside its layout."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import replace
from pathlib import Path
from typing import Any, Protocol

import numpy as np

from nodeday.config.study import Study
from nodeday.core.arrays import Bytes
from nodeday.core.errors import ContractError
from nodeday.layouts import Kind, Layout
from nodeday.layouts.codec import get_bits, unpack_counts
from nodeday.products.lineage.step import TraceStep

Unstuff = Callable[[Bytes, str], Bytes]
Range = tuple[int, int]
Found = dict[tuple[int, Range], tuple[str, bytes]]
"""Of each capture and range: where that is, and its bytes."""


class CaptureFile(Protocol):
    """Of a capture's file: its name, what it is packed in, how many of its bytes the capture takes."""

    file: str
    packed: str
    packets: str
    taken: int


class CaptureReader(Protocol):
    """A capture that is being read: its bytes in pieces, and what is known of its files so far."""

    facts: list[Any]

    def pieces(self) -> Iterable[bytes]: ...


Open = Callable[[list[Path]], CaptureReader | None]
"""Opens the files of a capture; None where they hold rows and not bytes."""


def resolved(study: Study, session: str, trace: TraceStep, opened: Open, unstuff: Unstuff) -> TraceStep:
    """The trace with the bytes of every frame and reject in it, each capture read once.

    Raises ContractError where a capture ends before a range that a table names.
    """
    wanted: dict[int, set[Range]] = {}
    for step in trace.walk():
        if "offset" in step.says and "length" in step.says:
            wanted.setdefault(step.says["capture"], set()).add((step.says["offset"], step.says["length"]))
    found: Found = {}
    for number, ranges in wanted.items():
        paths = study.captures_of(session)[number]
        source = opened(paths)
        if source is None:
            continue
        for each, raw in read_ranges(source, sorted(ranges)).items():
            if len(raw) < each[1]:
                where = f"session {session}, capture {number}"
                raise ContractError(
                    f"ends before byte {each[0] + each[1]}", where, "the capture first decoded"
                )
            found[number, each] = (place_of(source, each[0]), raw)
    return _filled(study, session, trace, found, unstuff)


def read_ranges(source: CaptureReader, ranges: list[Range]) -> dict[Range, bytes]:
    """Bytes of each (offset, length), which are in order, in one pass that ends with the last of them."""
    found = {each: bytearray() for each in ranges}
    if not ranges:
        return {}
    end, at = max(start + length for start, length in ranges), 0
    waiting = list(ranges)
    for piece in source.pieces():
        stop = at + len(piece)
        for each in waiting:
            start, length = each
            if start >= stop:
                break
            found[each] += piece[max(start - at, 0) : max(start + length - at, 0)]
        waiting = [each for each in waiting if each[0] + each[1] > stop]
        at = stop
        if at >= end:
            break
    return {each: bytes(raw) for each, raw in found.items()}


def place_of(source: CaptureReader, offset: int) -> str:
    """Which file a byte of the capture lies in, and where."""
    before = 0
    for each in source.facts:
        if offset < before + each.taken:
            packed = " in ".join(filter(None, ["packets" if each.packets else "", each.packed]))
            return f"{each.file} byte {offset - before}" + (f" (unpacked from {packed})" if packed else "")
        before += each.taken
    return f"byte {offset}"


def _filled(study: Study, session: str, step: TraceStep, found: Found, unstuff: Unstuff) -> TraceStep:
    says = step.says
    key = (says.get("capture", 0), (says.get("offset", -1), says.get("length", -1)))
    if "offset" in says and key not in found:
        says = {
            **says,
            "file": "a recording that was decoded already, of which no bytes of the node are left",
        }
    elif "offset" in says:
        place, raw = found[key]
        says = {**says, "file": place, "bytes": raw.hex(" ").upper()}
        if step.what == "frame":
            layout = study.layout_of(session, says["node"])
            says |= decoded(raw, layout, layout.stream(says["stream"]), unstuff)
    behind = tuple(_filled(study, session, each, found, unstuff) for each in step.of)
    return replace(step, says=says, of=behind)


def decoded(raw: bytes, layout: Layout, kind: Kind, unstuff: Unstuff) -> dict[str, Any]:
    """A frame's fields as lines (byte, hex, field, integer, value in its unit) and its counts by channel."""
    frame = np.frombuffer(raw, np.uint8)
    if layout.framing != "sync":
        frame = unstuff(frame, layout.framing)
    row = frame.reshape(1, -1)
    rows = [(0, 8 * len(layout.sync_bytes), "sync", "")] if layout.sync_bytes else []
    for name, (field, at) in layout.positions(kind).items():
        number = int(get_bits(row, at, field.bits, layout.order_of(field), field.signed)[0])
        scaled = (field.scale, field.offset) != (1.0, 0.0)
        value = f" -> {number * field.scale + field.offset:g}" if scaled else ""
        rows.append((at, field.bits, name, f"{number}{value}"))
    out: dict[str, Any] = {}
    if kind.channels:
        name = next(field.name for field in layout.frame if field.role == "payload")
        rows.append((8 * layout.payload_at, 8 * kind.payload_bytes, name, f"{kind.samples} instants"))
        payload = row[:, layout.payload_at : layout.payload_at + kind.payload_bytes]
        counts = unpack_counts(np.ascontiguousarray(payload), kind)[0]
        out["counts"] = {each.name: counts[:, at].tolist() for at, each in enumerate(kind.channels)}
    return {"layout": [_line(frame, *each) for each in sorted(rows)], **out}


def _line(frame: Bytes, at: int, bits: int, name: str, value: str) -> str:
    first, last = at // 8, (at + bits + 7) // 8
    where = f"{first}" if at % 8 == 0 and bits % 8 == 0 else f"{first}.{at % 8}+{bits}"
    shown = frame[first:last].tobytes().hex(" ").upper()
    shown = shown if len(shown) <= 38 else f"{shown[:35]}..."
    return f"{where:>7}  {shown:<38}  {name:<10} {value}".rstrip()
