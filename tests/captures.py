"""Captures with a truth that does not come from nodeday: frames, their counts, and their bytes.

Plain Python that shares no code with the package. A list of :class:`Logged` frames is a hub's log, in
order, with what only the sender knows: the true boot, the counter without wraps, the true instant.
:func:`truth_of` counts the frames of a log, and :func:`write_study` writes logs as a study with captures.
``open_captures`` makes logs of recorded radio networks, ``made_captures`` of days with a known history.
"""

from __future__ import annotations

import struct
from binascii import crc_hqx
from collections import defaultdict
from dataclasses import dataclass, field
from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path

START = datetime(2026, 3, 2, 8, tzinfo=UTC)
"""True UTC of second 0 of a recording."""
HUB_ADDRESS, MARK = 0, 15
STREAMS = {1: "level", 2: "fast"}
"""Streams of nodes by kind of frame; a node sends one of them."""


@dataclass(frozen=True)
class Wire:
    """Frame format of a recording, as its layout file describes it.

    ::

        | A5 5A | kind | address | boot? | counter | ticks? | payload | extras | CRC | hub time | RSSI |
    """

    every_s: float
    fast_s: float = 1.0
    fast: frozenset[int] = frozenset()
    """Addresses that send stream ``fast``, a frame every ``fast_s``; the others send ``level``."""
    ticks_hz: float | None = None
    tick_bytes: int = 4
    time_source: str = "node"
    """Whose time the ticks count, as the layout declares it."""
    counter_bits: int = 16
    boot: bool = False
    hub_unit_ns: int = 1_000_000
    mark_unit_ns: int = 1_000_000
    mark_every_s: float = 10.0
    mark_written: str = ""
    """Keys by which the layout declares the marks' convention; none by default."""
    delay_ms: float = 0.0
    extras: tuple[str, ...] = ()
    """Fields of role other behind the payload, as the layout lists them, of 8 bits without a sign each."""
    link_only: tuple[str, ...] = ()
    """Streams whose frames are counters alone: no samples, and an empty payload."""

    def layout(self, name: str) -> str:
        """Return the text of the layout file."""
        spare = [f"{{name: spare, bits: {16 - self.counter_bits}}}"] if self.counter_bits < 16 else []
        ticks = f"{{name: ticks, role: ticks, bits: {8 * self.tick_bytes}, rate_hz: {self.ticks_hz!r}"
        ticks += "}" if self.time_source == "node" else f", time_source: {self.time_source}}}"
        frame = [
            "{name: kind, role: kind, bits: 8}",
            "{name: address, role: node, bits: 8}",
            *(["{name: boot, role: boot, bits: 8}"] if self.boot else []),
            f"{{name: counter, role: sequence, bits: {self.counter_bits}}}",
            *spare,
            *([ticks] if self.ticks_hz else []),
            "{name: payload, role: payload}",
            *(f"{{{extra}}}" for extra in self.extras),
            "{name: sum, role: checksum, bits: 16, order: big, crc: CRC-16/IBM-3740, over: [kind, payload]}",
            f"{{name: hub, role: hub_time, bits: 32, unit_ns: {self.hub_unit_ns}}}",
            "{name: rssi, role: rssi, bits: 8, signed: true}",
        ]
        lines = [f"layout: {name}", "sync: A5 5A", f"delay_ms: {self.delay_ms}", "frame:"]
        lines += [f"  - {line}" for line in frame]
        lines += ["kinds:"]
        for kind, every_s in (1, self.every_s), (2, self.fast_s):
            lines += [f"  - kind: {kind}", f"    stream: {STREAMS[kind]}"]
            alone = STREAMS[kind] in self.link_only
            lines += [f"    every_s: {every_s!r}"] if alone else _samples(STREAMS[kind], every_s)
        lines += [f"  - kind: {MARK}", "    stream: mark", f"    every_s: {self.mark_every_s}"]
        written = f", {self.mark_written}" if self.mark_written else ""
        lines += [f"    fields: [{{name: utc, role: utc, bits: 64, unit_ns: {self.mark_unit_ns}{written}}}]"]
        return "\n".join(lines) + "\n"

    def encode(self, kind: int, frame: Logged, payload: bytes) -> bytes:
        """Return the bytes of a frame; what follows its CRC-16 is the hub's."""
        body = bytes([kind, frame.address]) + (bytes([frame.boot_id % 256]) if self.boot else b"")
        body += struct.pack("<H", frame.count % (1 << self.counter_bits))
        if self.ticks_hz:
            body += (frame.ticks % (1 << 8 * self.tick_bytes)).to_bytes(self.tick_bytes, "little")
        body += payload
        covered = body
        body += bytes(frame.extras or [0] * len(self.extras))
        stamp = int(frame.hub_s * 1e9 + 0.5) // self.hub_unit_ns % (1 << 32)
        return (
            b"\xa5\x5a"
            + body
            + struct.pack(">H", crc_hqx(covered, 0xFFFF))
            + struct.pack("<Ib", stamp, frame.rssi)
        )


def _samples(stream: str, every_s: float) -> list[str]:
    """Return the lines of a kind whose frames hold a sample."""
    return [
        f"    rate_hz: {1 / every_s!r}",
        "    samples: 1",
        "    bits: 32",
        "    signed: true",
        f"    channels: [{{name: {stream}, unit: degC}}]",
    ]


@dataclass(frozen=True)
class Logged:
    """A frame as the hub logged it at ``hub_s`` of its clock, with what only the sender knows.

    ``boot`` numbers the stretches in which one counter counts (and the devices, where two share an
    address); ``count`` is that counter without wraps. ``value`` is the payload, ``made_s`` the true
    instant in seconds since :data:`START`, ``boot_id`` the boot field, ``extras`` the wire's extra fields.
    """

    address: int
    boot: int
    count: int
    ticks: int
    value: int
    hub_s: float
    made_s: float = 0.0
    rssi: int = -60
    boot_id: int = 0
    extras: tuple[int, ...] = ()


@dataclass(frozen=True)
class Mark:
    """A host mark: the hub's clock, and the host's UTC in units of the mark, counted from 1970."""

    hub_s: float
    utc: int
    count: int


@dataclass(frozen=True)
class Recording:
    """A session's log in order of arrival; ``outage_lost`` counts by node what a hub outage lost."""

    wire: Wire
    log: list[Logged]
    marks: list[Mark] = field(default_factory=list)
    outage_lost: dict[str, int] = field(default_factory=dict)

    def capture(self) -> bytes:
        """Return the bytes of the capture."""
        wire, frames = self.wire, list[tuple[float, bytes]]()
        for one in self.log:
            kind = 2 if one.address in wire.fast else 1
            payload = b"" if STREAMS[kind] in wire.link_only else struct.pack("<i", one.value)
            frames.append((one.hub_s, wire.encode(kind, one, payload)))
        for mark in self.marks:
            ticks = int(mark.hub_s * (wire.ticks_hz or 0.0))
            hub = Logged(HUB_ADDRESS, 0, mark.count, ticks, 0, mark.hub_s)
            frames.append((mark.hub_s, wire.encode(MARK, hub, struct.pack("<q", mark.utc))))
        return b"".join(data for _, data in sorted(frames, key=lambda one: one[0]))


@dataclass(frozen=True)
class NodeTruth:
    """Counts of one node: frames without second copies, second copies, and frames lost inside boots.

    ``late`` are first copies that come after a later frame of their boot.
    """

    received: int
    duplicates: int
    lost: int
    late: int
    boots: int


def truth_of(log: list[Logged]) -> dict[str, NodeTruth]:
    """Return counts by node, from true boots and counters alone."""
    by_node: dict[str, list[tuple[int, int]]] = defaultdict(list)
    for frame in log:
        by_node[f"n{frame.address}"].append((frame.boot, frame.count))
    return {name: _count(keys) for name, keys in sorted(by_node.items())}


def _count(keys: list[tuple[int, int]]) -> NodeTruth:
    first = list(dict.fromkeys(keys))
    lost = sum(after[1] - before[1] - 1 for before, after in pairwise(sorted(first)) if before[0] == after[0])
    late, highest = 0, dict[int, int]()
    for boot, count in first:
        late += count < highest.get(boot, count)
        highest[boot] = max(count, highest.get(boot, count))
    return NodeTruth(len(first), len(keys) - len(first), lost, late, len(highest))


def write_study(root: Path, recordings: dict[str, Recording]) -> Path:
    """Write a complete study with a session and a layout for each recording; return its folder.

    Without host marks the session's written start anchors the hub's clock.
    """
    for folder in ("config/layouts", "captures"):
        (root / folder).mkdir(parents=True)
    sessions = ["session\tparticipant\tcaptures\tlayout\tstart"]
    nodes = ["session\tnode\taddress\tplacement"]
    for name, recording in recordings.items():
        (root / "captures" / f"{name}.bin").write_bytes(recording.capture())
        (root / "config" / "layouts" / f"{name}.yaml").write_text(recording.wire.layout(name))
        start = "" if recording.marks else f"{START:%Y-%m-%dT%H:%M:%S}"
        sessions.append(f"{name}\tP1\tcaptures/{name}.bin\t{name}\t{start}")
        nodes += [f"{name}\thub\t{HUB_ADDRESS}\thub"] if recording.marks else []
        addresses = sorted({frame.address for frame in recording.log})
        nodes += [f"{name}\tn{address}\t{address}\tarm" for address in addresses]
    (root / "config" / "study.yaml").write_text("study: captures\nzone: UTC\ngrid: {rate_hz: 1}\n")
    (root / "config" / "participants.tsv").write_text("participant\tage_years\tresting_bpm\nP1\t\t\n")
    (root / "config" / "sessions.tsv").write_text("\n".join(sessions) + "\n")
    (root / "config" / "nodes.tsv").write_text("\n".join(nodes) + "\n")
    return root
