"""Decoded recordings as people have them, written with csv and pandas alone, and their truth."""

from __future__ import annotations

import csv
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

START_NS = 1_752_469_200_000_000_000  # 2025-07-14T05:00:00Z


@dataclass
class Sent:
    """Frames (f,) that a node sent of a stream: values (f, samples, channels), and which were lost."""

    rate_hz: float
    values: np.ndarray[Any, Any]
    lost: np.ndarray[Any, Any]
    skew: float = 0.0
    start_ns: int = START_NS

    def time_ns(self, frame: int, sample: int) -> int:
        """When a sample was taken."""
        at = (frame * self.values.shape[1] + sample) / self.rate_hz * (1 + self.skew)
        return self.start_ns + round(at * 1e9)


@dataclass
class Truth:
    """What a file holds: by node and stream of the study that `init` makes."""

    flags: list[str] = field(default_factory=list)
    sent: dict[tuple[str, str], Sent] = field(default_factory=dict)
    checks: list[str] = field(default_factory=list)
    last_only: bool = False


def bursts(rng: np.random.Generator, frames: int, share: float = 0.06, mean: float = 3.0) -> Any:
    """Which frames are lost, in bursts; never the first or the last ones."""
    lost = np.zeros(frames, bool)
    while lost.mean() < share:
        at = int(rng.integers(5, frames - 20))
        lost[at : at + int(rng.geometric(1 / mean))] = True
    return lost


def ecg_like(rng: np.random.Generator, frames: int, samples: int) -> Any:
    """Smooth counts of a converter, (f, samples, 1)."""
    at = np.arange(frames * samples)
    wave = 300 * np.sin(at / 20) + 900 * np.exp(-(((at % 200) - 60) ** 2) / 30) + rng.normal(0, 3, len(at))
    return np.rint(wave).astype(np.int64).reshape(frames, samples, 1)


def german_long(path: Path, rng: np.random.Generator, ecg: Any = None, rate_hz: float = 360.0) -> Truth:
    """A row for each sample in UTF-16, decimal comma, times in ms since 1970, a counter of 12 bits."""
    values = ecg if ecg is not None else ecg_like(rng, 5000, 20) / 1000
    sent = Sent(rate_hz, values, bursts(rng, len(values)), 20e-6)
    with path.open("w", encoding="utf-16", newline="") as file:
        out = csv.writer(file, delimiter=";")
        out.writerow(["t_ms", "Knoten", "Paketnr", "EKG_mV"])
        for frame in np.flatnonzero(~sent.lost).tolist():
            for sample in range(values.shape[1]):
                text = f"{values[frame, sample, 0]:.3f}".replace(".", ",")
                out.writerow([sent.time_ns(frame, sample) // 10**6, "EKG-1", frame % 4096, text])
    return Truth([], {("ekg1", "ecg"): sent})


def wide_frames(path: Path, rng: np.random.Generator) -> Truth:
    """A row for each frame, numbered columns of counts, seconds since 1970, 8 bits, late rows and copies."""
    values = ecg_like(rng, 3000, 20)
    sent = Sent(250.0, values, bursts(rng, len(values)), -15e-6)
    rows = np.flatnonzero(~sent.lost).tolist()
    for at in range(100, len(rows) - 10, 200):
        rows[at], rows[at + 1] = rows[at + 1], rows[at]  # late
    table = pd.DataFrame(
        {
            "timestamp": [f"{sent.time_ns(k, 19) / 1e9:.3f}" for k in rows],
            "node": 16,
            "seq": [k % 256 for k in rows],
            "rssi": rng.integers(-90, -50, len(rows)),
            "battery_mV": 3700,
        }
        | {f"ecg_{at}": [int(values[k, at, 0]) for k in rows] for at in range(20)}
    )
    pd.concat([table, table.tail(1)]).to_csv(path, index=False)
    checks = ["the unit, and scale and offset to it", "neighbouring columns", "whether it is of the first"]
    return Truth([], {("node16", "ecg"): sent}, checks)


def several_streams(path: Path, rng: np.random.Generator) -> Truth:
    """Two nodes, a column of streams, tabs, a byte order mark, ISO 8601 with an offset, no wrap."""
    sent = {
        ("heart", "ecg"): Sent(200.0, ecg_like(rng, 900, 10) / 200, bursts(rng, 900), 12e-6),
        ("heart", "skin"): Sent(1.0, rng.integers(3300, 3400, (45, 1, 1)) / 100, bursts(rng, 45, 0.04, 1.0)),
        ("wrist", "acc"): Sent(50.0, rng.integers(-900, 900, (225, 10, 3)) / 512, bursts(rng, 225)),
    }
    rows = []
    for (node, stream), each in sent.items():
        for frame in np.flatnonzero(~each.lost).tolist():
            for sample in range(each.values.shape[1]):
                at = pd.Timestamp(each.time_ns(frame, sample), tz="UTC").tz_convert("Europe/Madrid")
                values = each.values[frame, sample].tolist()
                cells = {
                    "ecg": [values[0], "", "", "", ""],
                    "skin": ["", values[0], "", "", ""],
                    "acc": ["", "", *values],
                }[stream]
                rows.append((each.time_ns(frame, sample), [at.isoformat(), node, stream, frame + 7, *cells]))
    rows.sort(key=lambda row: row[0])
    with path.open("w", encoding="utf-8-sig", newline="") as file:
        out = csv.writer(file, delimiter="\t")
        names = ["time", "node", "stream", "sequence", "ecg_mV", "temp_degC", "x_g", "y_g", "z_g"]
        out.writerows([names, *(row for _, row in rows)])
    return Truth([], sent, ["it never fell"])


def local_times(path: Path, rng: np.random.Generator) -> Truth:
    """A sample each row with a counter of samples, local times without an offset, acceleration in m/s2."""
    values = rng.integers(-1900, 1900, (4000, 1, 3)) / 100
    sent = Sent(50.0, values / 9.80665, bursts(rng, 4000))
    with path.open("w", newline="") as file:
        out = csv.writer(file)
        out.writerow(["datetime", "count", "ax_m/s2", "ay_m/s2", "az_m/s2"])
        for frame in np.flatnonzero(~sent.lost).tolist():
            at = pd.Timestamp(sent.time_ns(frame, 0), tz="UTC").tz_convert("Europe/Madrid")
            text = at.tz_localize(None).isoformat(sep=" ", timespec="milliseconds")
            out.writerow([text, frame, *values[frame, 0].tolist()])
    return Truth(["--zone", "Europe/Madrid"], {("node", "acc"): sent}, ["it never fell"])


def parquet_ticks(path: Path, rng: np.random.Generator) -> Truth:
    """Parquet with timestamps in UTC, single precision, ticks of 24 bits, a converter's own step."""
    step = 2.5 / 1024
    values = ecg_like(rng, 12_000, 15) * step
    sent = Sent(300.0, values.astype(np.float32), bursts(rng, 12_000), 30e-6)
    rows = np.repeat(np.flatnonzero(~sent.lost), 15)
    sample = np.tile(np.arange(15), (~sent.lost).sum())
    at = np.array([sent.time_ns(k, s) for k, s in zip(rows.tolist(), sample.tolist(), strict=True)])
    ticks = np.rint((rows * 15 + sample) / 300 * 32768).astype(np.int64) % (1 << 24)
    pd.DataFrame(
        {
            "ts": pd.to_datetime(at // 10**6, unit="ms", utc=True),
            "device": "a7-heart",
            "packet": (rows + 60_000) % 65_536,
            "ticks": ticks,
            "ecg (mV)": sent.values[rows, sample, 0],
        }
    ).to_parquet(path)
    return Truth([], {("a7heart", "ecg"): sent})


def parquet_naive(path: Path, rng: np.random.Generator) -> Truth:
    """Parquet with timestamps without a zone, frames in rows of x_00 to z_09 whose time is of the first."""
    values = np.cumsum(rng.integers(-9, 10, (3000 * 10, 3)), axis=0).reshape(3000, 10, 3)
    sent = Sent(100.0, values * 0.001, bursts(rng, 3000), -25e-6)
    rows = np.flatnonzero(~sent.lost)
    at = np.array([sent.time_ns(k, 0) for k in rows.tolist()])
    stamps = pd.to_datetime(at // 10**3, unit="us", utc=True).tz_localize(None)
    columns = {"recv": stamps, "frame_no": rows % 1024}
    for axis in range(3):
        columns |= {f"acc_{'xyz'[axis]}_{n:02}": sent.values[rows, n, axis] for n in range(10)}
    pd.DataFrame(columns).to_parquet(path)
    flags = [
        "--zone", "UTC", "--column", "time=recv", "--time-of", "first",
        *(each for axis in "xyz" for each in ("--unit", f"acc_{axis}_*=g")),
    ]  # fmt: skip
    return Truth(flags, {("node", "acc"): sent}, ["neighbouring columns"])


def filled_columns(path: Path, rng: np.random.Generator) -> Truth:
    """No column of streams: a row holds what it fills; microseconds since 1970; two nodes by number."""
    ecg = Sent(125.0, ecg_like(rng, 6000, 1) / 1000, bursts(rng, 6000), 8e-6)
    skin = Sent(1.0, rng.integers(300, 360, (48, 1, 1)) / 10, bursts(rng, 48, 0.05, 1.0))
    rows = []
    for node, each in ((3, ecg), (9, skin)):
        for frame in np.flatnonzero(~each.lost).tolist():
            value = each.values[frame, 0, 0]
            cells = [value, ""] if node == 3 else ["", value]
            rows.append([each.time_ns(frame, 0) // 1000, node, frame % 65_536, *cells])
    rows.sort(key=lambda row: row[0])
    with path.open("w", newline="") as file:
        csv.writer(file, delimiter=";").writerows([["t", "addr", "nr", "ecg_mV", "skin_C"], *rows])
    return Truth([], {("node3", "ecg"): ecg, ("node9", "temp"): skin}, ["it never fell"])


def since_start(path: Path, rng: np.random.Generator) -> Truth:
    """Times in ms since some start, with decimals; needs the session's start written by a person."""
    values = ecg_like(rng, 4000, 8) / 100
    sent = Sent(256.0, values, bursts(rng, 4000), 0.0, 0)
    with path.open("w", newline="") as file:
        out = csv.writer(file)
        out.writerow(["time_ms", "packet_no", "ecg_mV"])
        for frame in np.flatnonzero(~sent.lost).tolist():
            for sample in range(8):
                at = sent.time_ns(frame, sample) / 1e6
                out.writerow([f"{at:.2f}", frame % 128, f"{values[frame, sample, 0]:.2f}"])
    return Truth([], {("node", "ecg"): sent}, ["start of each session"])


def mixed_wide(path: Path, rng: np.random.Generator) -> Truth:
    """A row for each frame with samples of two streams and one more value; blanks behind the commas."""
    lost = bursts(rng, 1500)
    acc = np.cumsum(rng.integers(-9, 10, (1500 * 5, 3)), axis=0).reshape(1500, 5, 3)
    sent = {
        ("node", "ecg"): Sent(250.0, ecg_like(rng, 1500, 25) / 100, lost),
        ("node", "acc"): Sent(50.0, acc / 1000, lost),
        ("node", "temp"): Sent(10.0, rng.integers(300, 350, (1500, 1, 1)) / 10, lost),
    }
    names = [f"ECG {n} (mV)" for n in range(1, 26)]
    names += [f"acc_{axis}[{n}] (mg)" for n in range(5) for axis in "xyz"]
    with path.open("w", newline="") as file:
        file.write(", ".join(["time", "packet", *names, "skin (degC)"]) + "\r\n")
        for frame in np.flatnonzero(~lost).tolist():
            at = f"{sent['node', 'ecg'].time_ns(frame, 24) / 1e9:.4f}"
            cells = sent["node", "ecg"].values[frame, :, 0].tolist() + acc[frame].ravel().tolist()
            cells += sent["node", "temp"].values[frame, :, 0].tolist()
            file.write(", ".join(map(str, [at, frame % 512, *cells])) + "\r\n")
    return Truth([], sent, ["neighbouring columns", "first sample"], last_only=True)


def one_value_column(path: Path, rng: np.random.Generator) -> Truth:
    """A column of streams, and one column that holds the values of all of them."""
    sent = {
        ("w1", "ecg"): Sent(100.0, ecg_like(rng, 5000, 1) / 1000, bursts(rng, 5000)),
        ("w1", "skin"): Sent(2.0, rng.integers(3000, 3500, (100, 1, 1)) / 1000, bursts(rng, 100, 0.04, 1.0)),
    }
    rows = [
        [each.time_ns(frame, 0) // 10**6, node, stream, frame % 256, each.values[frame, 0, 0]]
        for (node, stream), each in sent.items()
        for frame in np.flatnonzero(~each.lost).tolist()
    ]
    rows.sort(key=lambda row: row[0])
    with path.open("w", newline="") as file:
        csv.writer(file).writerows([["timestamp", "device", "signal", "seq", "value"], *rows])
    return Truth([], sent, ["the unit, and scale and offset to it"])


SHAPES: dict[str, Callable[[Path, np.random.Generator], Truth]] = {
    each.__name__: each
    for each in (
        german_long,
        wide_frames,
        several_streams,
        local_times,
        parquet_ticks,
        parquet_naive,
        filled_columns,
        since_start,
        mixed_wide,
        one_value_column,
    )
}
