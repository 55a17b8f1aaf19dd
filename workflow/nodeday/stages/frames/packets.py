"""Packets of pcap and pcapng files: the bytes that they carry, and an account of all other bytes.

The library dpkt reads pcap files and network layers; it is small, has no dependencies, and reads from
any stream. Its pcapng reader knows one interface and one kind of packet, so this module reads the
blocks itself. pcapng: draft-ietf-opsawg-pcapng; link types: the tcpdump group's registry.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Iterator
from typing import Any

import dpkt

PACKET_MAGIC = {
    b"\xa1\xb2\xc3\xd4": "pcap",
    b"\xd4\xc3\xb2\xa1": "pcap",  # microseconds
    b"\xa1\xb2\x3c\x4d": "pcap",
    b"\x4d\x3c\xb2\xa1": "pcap",  # nanoseconds
    b"\x0a\x0d\x0d\x0a": "pcapng",
}
USER_LINKS = range(147, 163)
"""User link types 0 to 15: the whole packet is the capture's."""
MAX_BLOCK = 16 << 20
"""Size above which a packet or block is damaged: no link carries so much at once."""
SECTION, SIMPLE = b"\x0a\x0d\x0d\x0a", 3
INTERFACE, OLD_PACKET, PACKET = 1, 2, 6
"""Types of pcapng blocks."""
Parser = Callable[[bytes], Any]


def _internet(packet: bytes) -> Any:
    return (dpkt.ip6.IP6 if packet[:1] and packet[0] >> 4 == 6 else dpkt.ip.IP)(packet)


PARSERS: dict[int, Parser] = {
    0: dpkt.loopback.Loopback,
    1: dpkt.ethernet.Ethernet,
    12: _internet,
    14: _internet,
    101: _internet,
    108: dpkt.loopback.Loopback,
    113: dpkt.sll.SLL,
    228: _internet,
    229: _internet,
    276: dpkt.sll2.SLL2,
}
"""Parsers by link type: loopback, Ethernet, raw IP (three numbers), Linux cooked captures, IPv4, IPv6."""


class _Cut(Exception):
    """The file ends inside a packet."""


class _Stream:
    """Pieces as a file; ``missing`` is the number of bytes that the last read lacked."""

    def __init__(self, first: bytes, pieces: Iterator[bytes]) -> None:
        self.name = "capture"
        self._pieces, self._buffer, self._at = pieces, first, 0
        self.given = self.missing = 0

    def read(self, size: int) -> bytes:
        if not 0 <= size <= MAX_BLOCK:
            raise ValueError(f"it claims {size} bytes")
        while len(self._buffer) - self._at < size:
            piece = next(self._pieces, b"")
            if not piece:
                break
            self._buffer, self._at = self._buffer[self._at :] + piece, 0
        out = self._buffer[self._at : self._at + size]
        self._at += len(out)
        self.given += len(out)
        self.missing = size - len(out)
        return out

    def drain(self) -> None:
        """Read on to the end, so that the whole file is counted and hashed."""
        for _ in self._pieces:
            pass


class Packets:
    """Reader of packets; in the end each byte before a failure is ``taken``, ``container`` or ``skipped``."""

    def __init__(self, first: bytes, pieces: Iterator[bytes], kind: str) -> None:
        self.kind = kind
        self.skipped = self.container = self.taken = self.count = 0
        self.troubles: list[str] = []
        self._other: dict[str, int] = {}
        self._stream = _Stream(first, pieces)
        self._good = 0

    def pieces(self, size: int) -> Iterator[bytes]:
        """Yield the bytes that packets carry, joined to pieces of at least ``size`` bytes but the last."""
        waiting, length = [], 0
        for carried in self._carried():
            waiting.append(carried)
            length += len(carried)
            if length >= size:
                yield b"".join(waiting)
                waiting, length = [], 0
        if length:
            yield b"".join(waiting)
        self._stream.drain()
        self.container = self._good - self.taken - self.skipped
        self.troubles += [f"{number} packets were left out: {what}" for what, number in self._other.items()]

    def _carried(self) -> Iterator[bytes]:
        """Yield the bytes that each packet carries, up to a failure."""
        stream = self._stream
        walk = _pcap(stream) if self.kind == "pcap" else _pcapng(stream)
        try:
            for link, packet in walk:
                self.count += 1
                carried = self._carried_by(link, packet)
                self._good = stream.given
                if carried:
                    self.taken += len(carried)
                    yield carried
                if stream.missing:
                    raise _Cut
            self._good = stream.given
        except (_Cut, dpkt.NeedData):
            self.troubles.append(
                f"{self.kind} file ends inside a packet or block, after {self.count} packets"
            )
        except (dpkt.Error, ValueError, LookupError, struct.error) as error:
            self.troubles.append(
                f"{self.kind} file cannot be read past {self.count} packets and {self._good} bytes ({error})"
            )

    def _carried_by(self, link: int, packet: bytes) -> bytes:
        """Return the bytes that a packet carries, none for one that is left out."""
        if link in USER_LINKS:
            return packet
        carried = _plain(packet) if link == 1 else None
        if carried is None:
            parser = PARSERS.get(link)
            carried = _datagram(parser, packet) if parser else None
            if carried is None:
                what = "no whole UDP datagram" if parser else f"link type {link} is not known here"
                self._other[what] = self._other.get(what, 0) + 1
                self.skipped += len(packet)
                return b""
        return carried


def _pcap(stream: _Stream) -> Iterator[tuple[int, bytes]]:
    """Yield link type and bytes of each packet of a pcap file."""
    reader = dpkt.pcap.Reader(stream)
    link = reader.datalink() & 0xFFFF  # the upper bits describe a frame check sequence
    for _, packet in reader:
        yield link, packet


def _pcapng(stream: _Stream) -> Iterator[tuple[int, bytes]]:
    """Yield link type and bytes of each packet of a pcapng file, of all sections and interfaces."""
    little, links = True, list[tuple[int, int]]()
    while head := stream.read(8):
        if head[:4] == SECTION:
            head += stream.read(4)
            if head[8:] not in (b"\x4d\x3c\x2b\x1a", b"\x1a\x2b\x3c\x4d"):
                raise ValueError("a section without its byte order")
            little, links = head[8:] == b"\x4d\x3c\x2b\x1a", []
        kind, size = struct.unpack("<II" if little else ">II", head[:8])
        block = head + stream.read(size - len(head))
        if stream.missing:
            raise _Cut
        if kind == INTERFACE:
            link, most = struct.unpack_from("<H2xI" if little else ">H2xI", block, 8)
            links.append((link, most or MAX_BLOCK))
        elif kind in (PACKET, OLD_PACKET):
            number, length, at = (*struct.unpack_from("<I8xI" if little else ">I8xI", block, 8), 28)
            if kind == OLD_PACKET:  # a 16-bit interface, then a count of drops
                number = struct.unpack_from("<H" if little else ">H", block, 8)[0]
            if at + length + 4 > size:
                raise ValueError(f"a packet of {length} bytes in a block of {size}")
            yield links[number][0], block[at : at + length]
        elif kind == SIMPLE:
            length = struct.unpack_from("<I" if little else ">I", block, 8)[0]
            yield links[0][0], block[12 : 12 + min(length, links[0][1], size - 16)]


def _plain(packet: bytes) -> bytes | None:
    """Return the payload of UDP over plain IPv4 on Ethernet, unfragmented; None for others."""
    if packet[12:15] != b"\x08\x00\x45" or packet[23:24] != b"\x11" or packet[20] & 0x3F or packet[21]:
        return None
    end = 34 + int.from_bytes(packet[38:40], "big")  # Ethernet pads short packets
    return packet[42:end] if 42 <= end <= len(packet) else None


def _datagram(parser: Parser, packet: bytes) -> bytes | None:
    """Return the payload of a packet's UDP datagram; None for a packet without one or a damaged packet."""
    try:
        layer = parser(packet)
        while isinstance(layer, dpkt.Packet) and not isinstance(layer, dpkt.udp.UDP):
            if getattr(layer, "mf", 0) or getattr(layer, "offset", 0):
                return None
            layer = getattr(layer, "data", None)
        return bytes(layer.data) if isinstance(layer, dpkt.udp.UDP) else None
    except Exception:  # on damaged layers the library stumbles over whatever it meets first
        return None
