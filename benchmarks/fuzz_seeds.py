"""Honest inputs that the fuzzer begins with; see `fuzz.py`."""

from __future__ import annotations

import gzip
from collections.abc import Iterator

from fuzz_targets import CONFIG, ROOT, layout_with


def seeds(target: str) -> Iterator[bytes]:
    """Honest inputs to begin with."""
    if target == "sheet":
        names = ("participants", "sessions", "nodes", "events")
        yield from (bytes([at]) + (CONFIG / f"{name}.tsv").read_bytes() for at, name in enumerate(names))
    elif target == "settings":
        names = ("study", "scenario", "bench", "radio")
        yield from (bytes([at]) + (CONFIG / f"{name}.yaml").read_bytes() for at, name in enumerate(names))
    elif target == "layout":
        yield from (b"\0" + path.read_bytes() for path in (CONFIG / "layouts").glob("*.yaml"))
    elif target == "recorded":
        head = "node,stream,sequence,ticks,time," + ",".join(f"ecg_{k}" for k in range(20))
        rows = [
            f"heart,ecg,{n},{n * 2621},2026-07-14T05:00:00.{n * 80:03}Z," + ",".join(["2048"] * 20)
            for n in range(4)
        ]
        yield "\n".join([head, *rows]).encode()
        single = [f"heart,ecg,{n // 20},{n},{n}" for n in range(40)]
        yield "\n".join(["node,stream,sequence,time,ecg", *single]).encode()
    else:
        yield from _bytes(target)


def _bytes(target: str) -> Iterator[bytes]:
    import pyarrow as arrow

    from nodeday.config.study import Study
    from nodeday.stages.simulate.scenario import random_scenario
    from nodeday.stages.simulate.session import simulate_session

    nodes = Study(ROOT).nodes_of("S01-clean")
    framing = target if target in ("sync", "cobs", "slip", "hdlc") else "sync"
    whole = simulate_session(random_scenario(11), layout_with(framing)[0], nodes)[0]
    parts = [whole[at : at + 600] for at in range(0, 6000, 600)]
    if framing == target:
        yield from (bytes([at]) + part for at, part in enumerate(parts))
    pcaps = [_pcap(part, link) for part, link in zip(parts, (147, 1, 101), strict=False)] + [
        _pcapng(parts[3])
    ]
    if target == "packets":
        yield from pcaps
    elif target == "archive":
        for part in (*parts[:2], *pcaps):
            yield part
            yield gzip.compress(part, mtime=0)
            yield arrow.compress(part, "zstd", asbytes=True)


def _pcap(raw: bytes, link: int) -> bytes:
    """A pcap file of three packets: the bytes alone, or as UDP in IPv4, in Ethernet where ``link`` is 1."""
    out = b"\xd4\xc3\xb2\xa1\x02\x00\x04\x00" + bytes(8) + (65535).to_bytes(4, "little")
    out += link.to_bytes(4, "little")
    for at in range(0, len(raw), 200):
        part = raw[at : at + 200]
        udp = b"\x13\x88\x13\x88" + (len(part) + 8).to_bytes(2, "big") + b"\0\0" + part
        inside = b"\x45\0" + (len(udp) + 20).to_bytes(2, "big") + bytes(4) + b"\x40\x11" + bytes(10) + udp
        packet = {147: part, 1: bytes(12) + b"\x08\0" + inside, 101: inside}[link]
        out += bytes(8) + 2 * len(packet).to_bytes(4, "little") + packet
    return out


def _pcapng(raw: bytes) -> bytes:
    def block(kind: int, body: bytes) -> bytes:
        size = (len(body) + 12).to_bytes(4, "little")
        return kind.to_bytes(4, "little") + size + body + size

    head = block(0x0A0D0D0A, b"\x4d\x3c\x2b\x1a\x01\0\0\0" + b"\xff" * 8)
    link = block(1, (147).to_bytes(4, "little") + bytes(4))
    data = raw[:200]
    return (
        head
        + link
        + block(6, bytes(12) + 2 * len(data).to_bytes(4, "little") + data)
        + block(3, len(data).to_bytes(4, "little") + data)
    )
