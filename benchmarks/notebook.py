"""What a person would write in a notebook for one capture: the peer of `day.py`.

Frames by struct in a loop, the checksum bit by bit as firmware has it, a row of a list for each sample, one
straight line from ticks to hub time for each node, holes interpolated without a mark, beats by wfdb's
XQRS, half-minute means. No gaps found, no causes, no error bars, no contract, no page.
"""

from __future__ import annotations

import struct
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

SYNC, TICK_HZ = b"\xd3\x91", 32_768
TAIL = 8
"""Bytes after the payload: battery, checksum, hub time, signal strength, link quality less one."""
STREAMS = {1: ("ecg", 500, 1), 2: ("acc", 100, 3), 3: ("temp", 1, 1)}


def checksum(body: bytes) -> int:
    """CRC-16/IBM-3740."""
    crc = 0xFFFF
    for byte in body:
        crc ^= byte << 8
        for _ in range(8):
            crc = (crc << 1) ^ 0x1021 if crc & 0x8000 else crc << 1
            crc &= 0xFFFF
    return crc


def frames(data: bytes) -> pd.DataFrame:
    """A row a frame whose checksum holds; samples as a list."""
    rows: list[dict[str, Any]] = []
    at = data.find(SYNC)
    while at >= 0 and at + 3 <= len(data):
        end = at + 3 + data[at + 2] - TAIL + 2
        body, sent = data[at + 2 : end - 2], data[end - 2 : end]
        if end + 6 > len(data) or struct.unpack(">H", sent)[0] != checksum(body):
            at = data.find(SYNC, at + 1)
            continue
        node, kind, counter = struct.unpack_from("<BBB", data, at + 3)
        ticks = int.from_bytes(data[at + 6 : at + 9], "little")
        hub_ms, rssi = struct.unpack_from("<IB", data, end)
        payload = data[at + 9 : end - 3]
        rows.append(
            {
                "node": node,
                "kind": kind & 15,
                "counter": counter,
                "ticks": ticks,
                "hub_ms": hub_ms,
                "rssi": rssi * 0.5 - 74,
                "samples": unpacked(payload, kind & 15),
            }
        )
        at = data.find(SYNC, end + 6)
    return pd.DataFrame(rows)


def unpacked(payload: bytes, kind: int) -> list[float]:
    out: list[float] = []
    if kind == 1:
        for at in range(0, len(payload) - 2, 3):
            a, b, c = payload[at : at + 3]
            out += [(a << 4 | b >> 4) * 0.002 - 4.096, ((b & 15) << 8 | c) * 0.002 - 4.096]
    elif kind == 2:
        for at in range(0, len(payload) - 2, 3):
            a, b, c = payload[at : at + 3]
            pair = a | (b & 15) << 8, b >> 4 | c << 4
            out += [(each - 4096 if each > 2047 else each) / 256 for each in pair]
    elif kind == 3:
        out = [each / 100 for each in struct.unpack(f"<{len(payload) // 2}h", payload)]
    return out


def samples(rows: pd.DataFrame, rate: int, channels: int) -> pd.DataFrame:
    """A row a sample, in seconds of the hub, holes interpolated."""
    rows = rows.copy()
    turns = (rows["ticks"].diff() < 0).cumsum()
    seconds = (rows["ticks"] + turns * 2**24) / TICK_HZ
    slope, offset = np.polyfit(seconds, rows["hub_ms"] / 1000, 1)
    long: list[dict[str, float]] = []
    for row, second in zip(rows.itertuples(), seconds * slope + offset, strict=True):
        count = len(row.samples) // channels
        for at in range(count):
            values = row.samples[at * channels : (at + 1) * channels]
            long.append({"second": second - (count - 1 - at) / rate, **dict(enumerate(values))})
    wide = pd.DataFrame(long).set_index("second")
    grid = np.arange(wide.index[0], wide.index[-1], 1 / rate)
    return pd.DataFrame({each: np.interp(grid, wide.index, wide[each]) for each in wide}, index=grid)


def notebook(capture: Path) -> str:
    """Features of a capture, written beside it; what came out, in words."""
    from wfdb import processing

    got = frames(capture.read_bytes())
    features = {}
    for (node, kind), rows in got[got["kind"].isin(STREAMS)].groupby(["node", "kind"]):
        stream, rate, channels = STREAMS[kind]
        wide = samples(rows, rate, channels)
        wide.rename(columns=str).to_parquet(capture.with_suffix(f".{node}.parquet"))
        epoch = (wide.index // 30).astype(int)
        if stream == "ecg":
            beats = processing.xqrs_detect(wide[0].to_numpy(), rate, verbose=False)
            at = pd.Series(wide.index[beats])
            features[f"{node} heart rate"] = (60 / at.diff()).groupby((at // 30).astype(int)).mean()
        elif stream == "acc":
            enmo = (np.sqrt((wide**2).sum(axis=1)) - 1).clip(lower=0) * 1000
            features[f"{node} ENMO"] = enmo.groupby(epoch).mean()
        else:
            features[f"{node} mean"] = wide[0].groupby(epoch).mean()
    table = pd.DataFrame(features)
    table.to_csv(capture.with_suffix(".features.csv"))
    return f"{len(got)} frames, {len(table)} half minutes"


if __name__ == "__main__":
    print(notebook(Path(sys.argv[1])))
