"""Captures whose truth does not come from nodeday: an encoder of our own, and two open radio captures.

Everything here is plain Python and shares no code with the package. A list of :class:`Logged` frames
is what a hub's log holds, in order, with what only the sender knows beside it: the true boot, the
counter before it wraps, the true instant. :func:`truth_of` counts frames in that list and
:func:`write_study` writes it as a study with the capture's bytes. ``capture_cases`` makes such lists
for cases with a known history; here are those of two captures from real networks.
"""

from __future__ import annotations

import gzip
import json
import struct
from binascii import crc_hqx
from collections import defaultdict
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path
from typing import Any, Literal

START = datetime(2026, 3, 2, 8, tzinfo=UTC)
"""True UTC of second 0 of a recording."""
HUB_ADDRESS, LEVEL, MARK = 0, 1, 15
SLOT_S = 0.015
"""Nominal length of a slot of the multi-hop network, whose network time counts slots."""

Ticks = Literal["made", "last_hop", "none"]


@dataclass(frozen=True)
class Wire:
    """Frame format of a recording, as its layout file describes it.

    ::

        | A5 5A | kind | address | boot? | counter | ticks? | payload | CRC | hub time | RSSI |
    """

    every_s: float
    ticks_hz: float | None = None
    tick_bytes: int = 4
    counter_bits: int = 16
    boot: bool = False
    hub_unit_ns: int = 1_000_000
    mark_unit_ns: int = 1_000_000
    mark_every_s: float = 10.0
    delay_ms: float = 0.0

    def layout(self, name: str) -> str:
        """The text of the layout file."""
        spare = [f"{{name: spare, bits: {16 - self.counter_bits}}}"] if self.counter_bits < 16 else []
        ticks = f"{{name: ticks, role: ticks, bits: {8 * self.tick_bytes}, rate_hz: {self.ticks_hz!r}}}"
        frame = [
            "{name: kind, role: kind, bits: 8}",
            "{name: address, role: node, bits: 8}",
            *(["{name: boot, role: boot, bits: 8}"] if self.boot else []),
            f"{{name: counter, role: sequence, bits: {self.counter_bits}}}",
            *spare,
            *([ticks] if self.ticks_hz else []),
            "{name: payload, role: payload}",
            "{name: sum, role: checksum, bits: 16, order: big, crc: CRC-16/IBM-3740, over: [kind, payload]}",
            f"{{name: hub, role: hub_time, bits: 32, unit_ns: {self.hub_unit_ns}}}",
            "{name: rssi, role: rssi, bits: 8, signed: true}",
        ]
        lines = [f"layout: {name}", "sync: A5 5A", f"delay_ms: {self.delay_ms}", "frame:"]
        lines += [f"  - {each}" for each in frame]
        lines += ["kinds:", f"  - kind: {LEVEL}", "    stream: level", f"    rate_hz: {1 / self.every_s!r}"]
        lines += ["    samples: 1", "    bits: 32", "    signed: true"]
        lines += ["    channels: [{name: level, unit: degC}]"]
        lines += [f"  - kind: {MARK}", "    stream: mark", f"    every_s: {self.mark_every_s}"]
        lines += [f"    fields: [{{name: utc, role: utc, bits: 64, unit_ns: {self.mark_unit_ns}}}]"]
        return "\n".join(lines) + "\n"

    def encode(self, kind: int, frame: Logged, payload: bytes) -> bytes:
        """The bytes of a frame. The CRC is that of CCITT with all ones first; the hub adds the rest."""
        body = bytes([kind, frame.address]) + (bytes([frame.boot_id % 256]) if self.boot else b"")
        body += struct.pack("<H", frame.count % (1 << self.counter_bits))
        if self.ticks_hz:
            body += (frame.ticks % (1 << 8 * self.tick_bytes)).to_bytes(self.tick_bytes, "little")
        body += payload
        stamp = int(frame.hub_s * 1e9 + 0.5) // self.hub_unit_ns % (1 << 32)
        return (
            b"\xa5\x5a"
            + body
            + struct.pack(">H", crc_hqx(body, 0xFFFF))
            + struct.pack("<Ib", stamp, frame.rssi)
        )


@dataclass(frozen=True)
class Logged:
    """A frame as the hub logged it at ``hub_s`` of its clock, and what the sender knows of it.

    ``boot`` numbers the stretches of one counter of the node (of one device, where two share an
    address) and ``count`` is that counter without wraps. ``value`` is the payload. ``made_s`` is the
    true instant in seconds since :data:`START`.
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
        frames = [(one.hub_s, self.wire.encode(LEVEL, one, struct.pack("<i", one.value))) for one in self.log]
        for mark in self.marks:
            ticks = int(mark.hub_s * (self.wire.ticks_hz or 0.0))
            hub = Logged(HUB_ADDRESS, 0, mark.count, ticks, 0, mark.hub_s)
            frames.append((mark.hub_s, self.wire.encode(MARK, hub, struct.pack("<q", mark.utc))))
        return b"".join(data for _, data in sorted(frames, key=lambda one: one[0]))


@dataclass(frozen=True)
class NodeTruth:
    """Counts of one node. ``lost`` lie between received frames of a boot; ``late`` are first copies that
    come after a later frame of their boot; ``boots`` are those of which a frame was received.
    """

    received: int
    duplicates: int
    lost: int
    late: int
    boots: int


def truth_of(log: list[Logged]) -> dict[str, NodeTruth]:
    """Counts by node, from the true boots and counters alone."""
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
    for name, each in recordings.items():
        (root / "captures" / f"{name}.bin").write_bytes(each.capture())
        (root / "config" / "layouts" / f"{name}.yaml").write_text(each.wire.layout(name))
        start = "" if each.marks else f"{START:%Y-%m-%dT%H:%M:%S}"
        sessions.append(f"{name}\tP1\tcaptures/{name}.bin\t{name}\t{start}")
        nodes += [f"{name}\thub\t{HUB_ADDRESS}\thub"] if each.marks else []
        nodes += [f"{name}\tn{one}\t{one}\tarm" for one in sorted({frame.address for frame in each.log})]
    (root / "config" / "study.yaml").write_text("study: captures\nzone: UTC\ngrid: {rate_hz: 1}\n")
    (root / "config" / "participants.tsv").write_text("participant\tage_years\tresting_bpm\nP1\t\t\n")
    (root / "config" / "sessions.tsv").write_text("\n".join(sessions) + "\n")
    (root / "config" / "nodes.tsv").write_text("\n".join(nodes) + "\n")
    return root


# --- a multi-hop network, logged at its root ----------------------------------------------------


def multihop(path: Path, ticks: Ticks) -> Recording:
    """6,481 packets of a time-slotted multi-hop network, logged in the order in which its root got them.

    The network has one time, which counts slots and goes on when a node restarts. A packet carries the
    time when it was made; the last hop knows when it sent it on. The payload here is the former, so that
    each packet has content of its own.
    """
    log = []
    with gzip.open(path, "rt") as lines:
        for line in lines:
            packet, host = line.rstrip("\n").split("\t")
            log.append(_packet(bytes(json.loads(packet)), host, ticks))
    hz = None if ticks == "none" else 1 / SLOT_S
    return Recording(Wire(2.0, hz, 5, hub_unit_ns=1000), _with_boots(log))


def _packet(packet: bytes, host: str, ticks: Ticks) -> Logged:
    """A logged packet: source, counter, network times, and the RSSI that its last hop measured."""
    hops = [packet[at : at + 4] for at in range(14, 38, 4) if packet[at]]
    last, made = (int.from_bytes(packet[at : at + 5], "little") for at in (1, 6))
    hours, minutes, seconds = host.split(":")
    hub_s = 3600 * int(hours) + 60 * int(minutes) + float(seconds)
    counter = int.from_bytes(packet[11:13], "little")
    shown = last if ticks == "last_hop" else made
    return Logged(hops[0][0], 0, counter, shown, made, hub_s, rssi=-hops[-1][3])


def _with_boots(log: list[Logged]) -> list[Logged]:
    """The packets with the boot of their source.

    In order of making (several in a slot: of their counter) a source's counter only rises, except that it
    begins anew near 0 some dozen times, a minute or more after the packet before. No counter passes 1,403
    and none could turn 65,536 in 45 minutes, so each fall is a restart. Network time goes on::

        made       99961  100095  100229  169177  169445        slots of 15 ms
        counter      853     854     855       1       3
        boot           0       0       0       1       1
    """
    boots: dict[tuple[int, int, int], int] = {}
    for address in {frame.address for frame in log}:
        boot, before = 0, -1
        for made, count in sorted({(one.value, one.count) for one in log if one.address == address}):
            boot, before = boot + (count < before), count
            boots[address, made, count] = boot
    return [replace(one, boot=boots[one.address, one.value, one.count]) for one in log]


# --- a sub-GHz link with its list of transmissions ----------------------------------------------


@dataclass(frozen=True)
class LinkTruth:
    """Losses of a link, by its list of transmissions, ends included or between received ones (``inside``).

    ``runs`` are lengths of runs of losses between received frames. With mean run m and loss l, the burst
    ratio is m (1 - l); Gilbert's p is runs / received frames that have a next one, r is 1 / m.
    """

    sent: int
    received: int
    inside: int
    runs: tuple[int, ...]

    @property
    def loss(self) -> float:
        return self.inside / (self.received + self.inside)

    @property
    def mean_run(self) -> float:
        return self.inside / len(self.runs)

    @property
    def burst_ratio(self) -> float:
        return self.mean_run * (1 - self.loss)

    @property
    def p(self) -> float:
        return len(self.runs) / (self.received - 1)

    @property
    def r(self) -> float:
        return len(self.runs) / self.inside


def link_truth(arrived: list[bool]) -> LinkTruth:
    """Losses of a list of transmissions."""
    got = [at for at, came in enumerate(arrived) if came]
    runs = tuple(after - before - 1 for before, after in pairwise(got) if after > before + 1)
    return LinkTruth(len(arrived), len(got), sum(runs), runs)


def sub_ghz(path: Path) -> tuple[dict[str, Recording], dict[str, dict[str, LinkTruth]]]:
    """Four campaigns of 400 transmissions, one every 1.5 s, of one device at one site after the other.

    The log has whole seconds and no ticks. Sessions ``site1`` to ``site4`` are a campaign each, with the
    16-bit counter of the transmit list. ``all-sites`` is the four in one, with the 12-bit counter that
    the radio added, which goes on from site to site and wraps once. In ``together`` the campaigns are
    four nodes whose times are moved so that they begin together. Truths are by session and node.
    """
    with gzip.open(path, "rt") as file:
        campaigns = [each["packets"] for each in json.load(file)["campaigns"]]
    begin = [int(sent[0]["tx"]["timestamp"]) for sent in campaigns]
    sites = [_received(site, sent, begin[0]) for site, sent in enumerate(campaigns, 1)]
    wire = Wire(1.5, hub_unit_ns=1_000_000_000)
    recordings = {f"site{site}": Recording(wire, log) for site, log in enumerate(sites, 1)}
    radio = [replace(one, address=1, count=one.ticks) for log in sites for one in log]
    recordings["all-sites"] = Recording(replace(wire, counter_bits=12), _unwrapped(radio, 4096))
    moved = [
        replace(one, hub_s=one.hub_s - (at - begin[0]))
        for at, log in zip(begin, sites, strict=True)
        for one in log
    ]
    recordings["together"] = Recording(wire, sorted(moved, key=lambda one: one.hub_s))
    arrived = [["rx" in one for one in sent] for sent in campaigns]
    links = {f"site{site}": {f"n{site}": link_truth(own)} for site, own in enumerate(arrived, 1)}
    together = {node: link for own in links.values() for node, link in own.items()}
    everything = {"n1": link_truth([came for own in arrived for came in own])}
    return recordings, {**links, "together": together, "all-sites": everything}


def _received(site: int, sent: list[Any], begin_s: int) -> list[Logged]:
    """The packets of a campaign that arrived. ``ticks`` holds the radio's counter, for want of ticks."""
    out = []
    for one in sent:
        if "rx" in one:
            rx, count = one["rx"], int(one["rx"]["data"], 16)
            hub_s, made_s = int(rx["time"]) - begin_s, one["tx"]["timestamp"] - begin_s
            rssi = max(round(float(rx["rssi"])), -128)
            out.append(Logged(site, 0, count, int(rx["seqNumber"]), count, hub_s, made_s, rssi))
    return out


def _unwrapped(log: list[Logged], modulus: int) -> list[Logged]:
    """Frames in order whose counters fall only where they wrap."""
    out, wraps, before = [], 0, 0
    for one in log:
        wraps += one.count < before
        before = one.count
        out.append(replace(one, count=one.count + wraps * modulus))
    return out
