"""Processor time of a capture with two layouts that share a sync word, over that of one layout.

Run: ``.venv/bin/python benchmarks/layouts.py [MB]``. Two firmwares send through one hub: one sync word, one
checksum, frames of 47 and 62 bytes. As many bytes of two nodes of the first firmware are the measure. Each is
scanned and decoded three times, in turns, and the least time counts. Machines are noisy: read the ratio; at
most 1.5 is the aim.
"""

from __future__ import annotations

import json
import sys
import time
from collections.abc import Sequence
from typing import Any

import numpy as np

from nodeday.layouts import Layout, encode_frames
from nodeday.stages.frames.containers import PIECE
from nodeday.stages.frames.decode import Decoder
from nodeday.stages.frames.scan import scan
from nodeday.stages.frames.validate import Spoken

FRAME: list[dict[str, Any]] = [
    {"name": "size", "role": "length", "bits": 8, "plus": 3},
    {"name": "address", "role": "node", "bits": 8},
    {"name": "kind", "role": "kind", "bits": 8},
    {"name": "counter", "role": "sequence", "bits": 16},
    {"name": "ticks", "role": "ticks", "bits": 32, "rate_hz": 32768},
    {"name": "payload", "role": "payload"},
    {"name": "sum", "role": "checksum", "bits": 16, "crc": "CRC-16/IBM-3740", "over": ["size", "payload"]},
    {"name": "hub", "role": "hub_time", "bits": 32, "unit_ns": 1_000_000},
]
ADDRESSES = (16, 17)
ROUNDS = 3


def firmware(name: str, stream: str, rate_hz: float, samples: int) -> Layout:
    """Return a layout with one stream of 12-bit samples."""
    kind = {"kind": 1, "stream": stream, "rate_hz": rate_hz, "samples": samples, "bits": 12}
    kind |= {"channels": [{"name": stream, "unit": "mV"}]}
    return Layout.model_validate({"layout": name, "sync": "D3 91", "frame": FRAME, "kinds": [kind]})


def frames_of(
    layout: Layout, address: int, seconds: float, rng: np.random.Generator
) -> list[tuple[float, bytes]]:
    """Return frames of one node over ``seconds``, each with its instant."""
    kind = layout.kinds[0]
    at_s = np.arange(0.0, seconds, kind.period_s)
    fields = {
        "node": address,
        "sequence": np.arange(len(at_s)),
        "ticks": np.rint(at_s * 32768).astype(np.int64),
        "hub_time": np.rint(at_s * 1000).astype(np.int64),
    }
    payload = rng.integers(0, 256, (len(at_s), kind.payload_bytes), np.uint8)
    rows = encode_frames(layout, kind, fields, payload)
    return list(zip(at_s.tolist(), [row.tobytes() for row in rows], strict=True))


def capture_of(nodes: Sequence[tuple[Layout, int]], size: int) -> bytes:
    """Return about ``size`` bytes in which all ``nodes`` send, in order of time."""
    a_second = sum(layout.frame_bytes(layout.kinds[0]) / layout.kinds[0].period_s for layout, _ in nodes)
    rng = np.random.default_rng(17)
    sent = [one for layout, address in nodes for one in frames_of(layout, address, size / a_second, rng)]
    return b"".join(data for _, data in sorted(sent, key=lambda one: one[0]))


def decode_s(raw: bytes, nodes: Sequence[tuple[Layout, int]]) -> float:
    """Return the seconds of processor time that scanning and decoding take, after a check of the result."""
    layouts = list({layout.layout: layout for layout, _ in nodes}.values())
    spoken = [
        Spoken(each, np.array([address for layout, address in nodes if layout is each])) for each in layouts
    ]
    decoder = Decoder(layouts, {address: f"n{address}" for _, address in nodes})
    begin, framed = time.process_time(), 0
    for block in scan((raw[at : at + PIECE] for at in range(0, len(raw), PIECE)), spoken):
        rows = decoder.decode(block).frames
        framed += int(rows["length"].to_numpy().sum())
    passed_s = time.process_time() - begin
    if framed != len(raw):
        raise SystemExit(f"{framed} of {len(raw)} bytes are in frames")
    return passed_s


def main(megabytes: float) -> None:
    """Print processor time per MB with one layout and with two, and their ratio."""
    one, two = firmware("one", "ecg", 250, 20), firmware("two", "pulse", 250, 30)
    cases = {
        "one": [(one, address) for address in ADDRESSES],
        "two": [(one, ADDRESSES[0]), (two, ADDRESSES[1])],
    }
    raws = {name: capture_of(nodes, round(megabytes * 1e6)) for name, nodes in cases.items()}
    least = dict.fromkeys(cases, float("inf"))
    for _ in range(ROUNDS):
        for name, nodes in cases.items():
            least[name] = min(least[name], decode_s(raws[name], nodes) / len(raws[name]) * 1e6)
    figures = {f"{name}_ms_a_mb": round(1e3 * passed, 2) for name, passed in least.items()}
    print(json.dumps(figures | {"ratio": round(least["two"] / least["one"], 3)}))


if __name__ == "__main__":
    main(float(sys.argv[1]) if len(sys.argv) > 1 else 50.0)
