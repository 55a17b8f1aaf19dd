"""Finding frames, checking them and unpacking their samples, beside two peers in the same run.

Run: ``.venv/bin/python benchmarks/decode.py [MB]``. Frames of 75 bytes with 38 packed 12-bit
samples, one byte in 50,000 damaged. The peers are a minimal hand-written NumPy kernel that knows
this one layout, and the declarative parser `construct`, which checks no CRC. Machines are noisy:
read the ratios.
"""

from __future__ import annotations

import json
import resource
import sys
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from nodeday.layouts import Layout, crc, encode_frames, pack_counts, unpack_counts
from nodeday.stages.frames.containers import PIECE
from nodeday.stages.frames.scan import scan
from nodeday.stages.frames.validate import Spoken

SIZE = 75
LAYOUT = Layout.model_validate(
    {
        "layout": "bench",
        "sync": "D3 91",
        "frame": [
            {"name": "size", "role": "length", "bits": 8, "plus": 3},
            {"name": "address", "role": "node", "bits": 8},
            {"name": "kind", "role": "kind", "bits": 8},
            {"name": "counter", "role": "sequence", "bits": 8},
            {"name": "ticks", "role": "ticks", "bits": 24, "rate_hz": 32768},
            {"name": "payload", "role": "payload"},
            {"name": "battery", "role": "battery", "bits": 8},
            {
                "name": "sum",
                "role": "checksum",
                "bits": 16,
                "order": "big",
                "crc": "CRC-16/IBM-3740",
                "over": ["size", "battery"],
            },
            {"name": "hub", "role": "hub_time", "bits": 32, "unit_ns": 1_000_000},
            {"name": "rssi", "role": "rssi", "bits": 8},
            {"name": "lqi", "role": "lqi", "bits": 8},
        ],
        "kinds": [
            {
                "kind": 1,
                "stream": "ecg",
                "rate_hz": 475,
                "samples": 38,
                "bits": 12,
                "order": "big",
                "channels": [{"name": "ecg", "unit": "mV"}],
            },
        ],
    }
)
KIND = LAYOUT.kinds[0]


def capture(megabytes: float) -> bytes:
    rng = np.random.default_rng(75)
    n = int(megabytes * 1e6) // SIZE
    number = np.arange(n)
    fields = {"node": 16, "sequence": number, "ticks": number * 2621, "hub_time": number * 80}
    payload = pack_counts(rng.integers(0, 4096, (n, 38, 1)), KIND)
    raw = encode_frames(LAYOUT, KIND, fields, payload).reshape(-1)
    hurt = rng.integers(0, len(raw), len(raw) // 50_000)
    raw[hurt] ^= rng.integers(1, 256, len(hurt)).astype(np.uint8)
    return raw.tobytes()


def nodeday(raw: bytes) -> int:
    """The product's own scanner, with any layout, and its unpacking; returns frames found."""
    found = 0
    spoken = [Spoken(LAYOUT, np.array([16]))]
    for block in scan((raw[at : at + PIECE] for at in range(0, len(raw), PIECE)), spoken):
        for each in block.frames:
            at = LAYOUT.payload_at
            unpack_counts(each.frames[:, at : at + each.kind.payload_bytes], each.kind)
            found += len(each.start)
    return found


def kernel(raw: bytes) -> int:
    """What a person would write by hand for this layout alone; rejects are not accounted for."""
    tables, base = crc._tables(crc.named("CRC-16/IBM-3740"), 65)
    tables, found = tables.astype(np.uint16), 0
    for at in range(0, len(raw), PIECE):
        buffer = np.frombuffer(raw[at : at + PIECE + SIZE], np.uint8)
        start = np.flatnonzero((buffer[:-1] == 0xD3) & (buffer[1:] == 0x91))
        start = start[start + SIZE <= len(buffer)]
        frames = sliding_window_view(buffer, SIZE)[start]
        frames = frames[(frames[:, 2] == SIZE - 3) & (frames[:, 4] == 1)]
        total = np.full(len(frames), base, np.uint16)
        for place in range(65):
            total ^= tables[place][frames[:, 2 + place]]
        good = frames[total == frames[:, 67].astype(np.uint16) << 8 | frames[:, 68]]
        body = good[:, 9:66].reshape(len(good), 19, 3).astype(np.uint16)
        np.stack([body[..., 0] << 4 | body[..., 1] >> 4, (body[..., 1] & 15) << 8 | body[..., 2]], axis=-1)
        found += len(good)
    return found


def declarative(raw: bytes) -> int:
    """The declarative parser, frame after frame, without a CRC, resynchronised by search."""
    from construct import Array, BitsInteger, BitStruct, Bytes, Const, ConstructError, Int8ub, Struct

    samples = BitStruct("samples" / Array(38, BitsInteger(12)))
    frame = Struct(
        "sync" / Const(b"\xd3\x91"),
        "size" / Const(72, Int8ub),
        "address" / Int8ub,
        "kind" / Int8ub,
        "counter" / Int8ub,
        "ticks" / Bytes(3),
        "payload" / samples,
        "rest" / Bytes(9),
    )
    found, at = 0, 0
    while (at := raw.find(b"\xd3\x91", at)) >= 0 and at + SIZE <= len(raw):
        try:
            frame.parse(raw[at : at + SIZE])
        except ConstructError:
            at += 1
            continue
        found, at = found + 1, at + SIZE
    return found


def best(run: Callable[[bytes], int], raw: bytes, times: int) -> tuple[float, int]:
    """MB/s of the fastest of some runs, and what was found."""
    seconds, found = [], 0
    for _ in range(times):
        start = time.perf_counter()
        found = run(raw)
        seconds.append(time.perf_counter() - start)
    return len(raw) / min(seconds) / 1e6, found


def main() -> None:
    raw = capture(float(sys.argv[1]) if len(sys.argv) > 1 else 60)
    rows = [("nodeday", *best(nodeday, raw, 5)), ("hand-written kernel", *best(kernel, raw, 5))]
    try:
        rows.append(("construct, no CRC", *best(declarative, raw[: len(raw) // 30], 1)))
    except ImportError:
        print("construct is not installed: pip install construct")
    own = rows[0][1]
    print(f"{'':<22}{'MB/s':>8}{'nodeday / it':>14}{'frames':>10}")
    for name, speed, found in rows:
        print(f"{name:<22}{speed:>8.1f}{own / speed:>14.2f}{found:>10}")
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"peak memory {peak:.0f} MB with a capture of {len(raw) / 1e6:.0f} MB held in memory")
    figures = {name: {"mb_per_s": speed, "frames": found} for name, speed, found in rows}
    Path("benchmarks/decode.json").write_text(json.dumps(figures, indent=2) + "\n")


if __name__ == "__main__":
    main()
