"""A layout in words: the position of each field in each kind of frame, and how safe its frames are."""

from __future__ import annotations

import textwrap

from nodeday.layouts.model import Layout
from nodeday.layouts.parts import Field, Kind, Parameters

GIGABYTE = 1e9
FRAMINGS = {
    "cobs": "COBS, 00 between frames",
    "slip": "SLIP, C0 between frames",
    "hdlc": "HDLC, 7E between frames",
}
WIDTH, MEANING_AT = 80, 31
"""Columns of a line, and where in it a field's meaning begins."""
HEAD = "    byte     width  field      meaning"


def explain(layout: Layout) -> str:
    """Return the layout field by field as text of 80 columns, for the person who wrote it."""
    how = FRAMINGS.get(layout.framing) or f"sync word {layout.sync_bytes.hex(' ').upper()}"
    lines = [f"{layout.layout}: {how}; {layout.order}-endian unless a field says otherwise"]
    if layout.about:
        lines.append(textwrap.fill(layout.about, WIDTH, initial_indent="  ", subsequent_indent="  "))
    for kind in layout.kinds:
        lines += ["", _kind(layout, kind), *_fields(layout, kind)]
    lines += ["", *textwrap.wrap(_checksum(layout), WIDTH), *textwrap.wrap(_noise(layout), WIDTH)]
    return "\n".join(lines)


def _kind(layout: Layout, kind: Kind) -> str:
    size = layout.frame_bytes(kind)
    declared = [f"type {kind.type}"] if kind.type else []
    declared += [f"timing {kind.timing}"] if kind.timing else []
    more = f"; {', '.join(declared)}" if declared else ""
    return f"kind {kind.kind}, stream {kind.stream}: {size} bytes, one each {kind.period_s:g} s{more}\n{HEAD}"


def _fields(layout: Layout, kind: Kind) -> list[str]:
    """Return a line for each field in order: first byte, bits, name and meaning."""
    rows = []
    if layout.sync_bytes:
        rows.append((0, 8 * len(layout.sync_bytes), "sync", layout.sync_bytes.hex(" ").upper()))
    for name, (field, at) in layout.positions(kind).items():
        rows.append((at, field.bits, name, _role(layout, field)))
    if kind.samples:
        name = next(field.name for field in layout.frame if field.role == "payload")
        rows.append((8 * layout.payload_at, 8 * kind.payload_bytes, name, _samples(kind)))
    return [
        textwrap.fill(
            f"  {_position(at):>6} {bits:>4} bits  {name:<10} {what}",
            WIDTH,
            subsequent_indent=" " * MEANING_AT,
            drop_whitespace=True,
        ).rstrip()
        for at, bits, name, what in sorted(rows)
    ]


def _position(bit: int) -> str:
    return f"{bit // 8}.{bit % 8}" if bit % 8 else f"{bit // 8}"


def _role(layout: Layout, field: Field) -> str:
    what = "" if field.role == "other" else field.role.replace("_", " ")
    parts = [what, "signed" if field.signed else "", f"{field.order}-endian" if field.order else ""]
    if field.role == "sequence":
        parts.append(f"wraps after {1 << field.bits} frames")
    if field.role == "length":
        parts.append(f"frame bytes = value + {field.plus}")
    if field.rate_hz:
        parts.append(f"{field.rate_hz:g} a second, wraps after {(1 << field.bits) / field.rate_hz:.4g} s")
    if field.time_source == "network":
        parts.append("one time for all nodes of the network")
    if field.unit_ns:
        parts.append(f"in {field.unit_ns / 1e6:g} ms")
    if (field.scale, field.offset) != (1.0, 0.0):
        parts.append(f"value x {field.scale:g} + {field.offset:g}")
    if field.over:
        parts.append(f"over {field.over[0]} to {field.over[1]}")
    return ", ".join(part for part in parts if part)


def _samples(kind: Kind) -> str:
    units = {channel.unit for channel in kind.channels}
    names = ", ".join(channel.name for channel in kind.channels)
    parts = [
        f"{kind.samples} instants of {names} at {kind.rate_hz:g} Hz in {' and '.join(sorted(units))}",
        f"{kind.bits} bits {'signed' if kind.signed else 'unsigned'} {kind.order}-endian",
    ]
    if kind.delta_bits:
        parts.append(f"after the first instant differences of {kind.delta_bits} bits")
    if kind.interleave > 1:
        parts.append(f"dealt over {kind.interleave} frames")
    parts.append(f"ticks stamp the {kind.stamp} one")
    return "; ".join(parts)


def _checksum(layout: Layout) -> str:
    field = layout.field("checksum")
    if field is None:
        return "No checksum: damaged frames pass as good."
    name = field.crc if not isinstance(field.crc, Parameters) else "the checksum"
    value = field.sum.of(b"123456789")
    return f'Checksum: {name} of the bytes "123456789" is {value:0{field.bits // 4}X}.'


def _noise(layout: Layout) -> str:
    at_most = "" if layout.framing == "sync" else "at most "
    return f"In 1 GB of noise {at_most}{false_frames(layout):.2g} frames would be found for each address."


def false_frames(layout: Layout, addresses: int = 1, noise_bytes: float = GIGABYTE) -> float:
    """Return frames expected in random bytes: each byte may begin one, and each checked bit halves them.

    With delimiters at most one frame begins after each, and one byte in 256 is a delimiter.
    """
    node, number, length = (layout.field(role) for role in ("node", "kind", "length"))
    checksum = layout.field("checksum")
    bits = 8 * len(layout.sync_bytes) if layout.framing == "sync" else 8
    bits += (
        (length.bits if length else 0) + (number.bits if number else 0) + (checksum.bits if checksum else 0)
    )
    share = min(1.0, addresses / (1 << node.bits)) if node else 1.0
    return noise_bytes * len(layout.kinds) * share * 2.0**-bits
