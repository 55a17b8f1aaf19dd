"""Time and memory of stage `repair` on a long session, on one core.

    .venv/bin/python benchmarks/repair_speed.py [--hours 15] [--loss 0.05] [--burst 5] [--grid 100]

An ECG at 500 Hz (25 samples a frame) and three accelerometers at 100 Hz (10 a frame), frames lost in
bursts by the two-state Gilbert model. The table `frames`, payloads included, is made first; what is timed
is the stage as a whole, in a process of its own: reading frames, gaps and clock, filling, checking and
writing `samples` and `aligned`. Beside it, as a peer, pyarrow alone writes as many rows with the columns of
`samples`, stream by stream, as pyarrow does by itself: unchecked, already in memory, zstd 1.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as arrow
import pyarrow.parquet as parquet
from nodeday.schemas import TABLES
from nodeday.schemas.compile import arrow_schema

from nodeday.config.study import Study
from nodeday.layouts import pack_counts
from nodeday.stages.simulate.channel import gilbert
from nodeday.storage import frame_writer, tables

START, TICK = 1_784_005_200_000_000_000, 32_768
LAYOUT = """
layout: bench
sync: D3 91
frame:
  - {name: address, role: node, bits: 8}
  - {name: kind, role: kind, bits: 8}
  - {name: counter, role: sequence, bits: 16}
  - {name: ticks, role: ticks, bits: 32, rate_hz: 32768}
  - {name: payload, role: payload}
  - {name: hub, role: hub_time, bits: 32, unit_ns: 1000000}
kinds:
  - {kind: 1, stream: ecg, rate_hz: 500, samples: 25, bits: 16, signed: true, stamp: last,
     channels: [{name: ecg, unit: mV, scale: 0.002, rails: [-32768, 32767]}]}
  - kind: 2
    stream: acc
    rate_hz: 100
    samples: 10
    bits: 16
    signed: true
    stamp: last
    channels:
      - {name: x, unit: g, scale: 0.00390625, rails: [-2048, 2047]}
      - {name: y, unit: g, scale: 0.00390625, rails: [-2048, 2047]}
      - {name: z, unit: g, scale: 0.00390625, rails: [-2048, 2047]}
"""
STUDY = """
study: bench
grid: {{rate_hz: {grid}}}
fill:
  ecg: {{method: pattern, max_ms: 250, context_ms: 200}}
  acc: {{method: cubic, max_ms: 100}}
"""
BUMPS = (
    (-0.2, 0.025, 0.1),
    (-0.025, 0.008, -0.12),
    (0, 0.011, 1.1),
    (0.03, 0.009, -0.25),
    (0.25, 0.05, 0.25),
)
"""When, how wide, how high: seconds from the R peak, seconds, mV."""
NODES = {"heart": ("ecg", 1), "trunk": ("acc", 2), "thigh": ("acc", 3), "ankle": ("acc", 4)}


def beats(n: int, rate: float, rng: np.random.Generator) -> np.ndarray:
    """An invented ECG in counts of 2 microvolts: P, QRS and T as bumps, RR that wanders, noise."""
    at = np.cumsum(rng.normal(0.8, 0.03, int(n / rate / 0.8) + 50))
    out = np.zeros(n)
    shape = np.arange(-int(0.3 * rate), int(0.4 * rate))
    seconds = shape / rate
    wave = sum(height * np.exp(-((seconds - when) ** 2) / (2 * width**2)) for when, width, height in BUMPS)
    index = (at[at < n / rate - 1] * rate).astype(np.int64)[:, None] + shape
    inside = (index >= 0) & (index < n)
    np.add.at(out, index[inside], np.broadcast_to(wave, index.shape)[inside])
    out += rng.normal(0, 0.01, n) + 0.1 * np.sin(np.arange(n) / rate * 2 * np.pi * 0.25)
    return np.rint(out / 0.002).astype(np.int64)


def make(root: Path, hours: float, loss: float, burst: float, grid: float) -> int:
    """A study with one session whose stage `repair` can run; returns the received frames."""
    (root / "config" / "layouts").mkdir(parents=True)
    (root / "config" / "layouts" / "bench.yaml").write_text(LAYOUT)
    (root / "config" / "study.yaml").write_text(STUDY.format(grid=grid))
    rows = "".join(f"*\t{name}\t{address}\tchest\n" for name, (_, address) in NODES.items())
    sheets = {
        "participants": "participant\nP1\n",
        "sessions": "session\tparticipant\tcaptures\tlayout\nS1\tP1\tS1.bin\tbench\n",
        "nodes": "session\tnode\taddress\tplacement\n" + rows,
        "events": "session\tphase\tstart\tend\n",
    }
    for name, text in sheets.items():
        (root / "config" / f"{name}.tsv").write_text(text)
    study, rng = Study(root), np.random.default_rng(7)
    layout = study.layout_of("S1", "heart")
    parts, gaps, knots = [], [], []
    for node, (stream, _) in NODES.items():
        kind = layout.stream(stream)
        rate, size = kind.rate_hz or 1.0, kind.samples
        count = int(hours * 3600 * rate / size)
        if stream == "ecg":
            counts = beats(count * size, rate, rng).reshape(count, size, 1)
        else:
            sway = 256 * np.array([0.1, 0.2, 1.0]) + 40 * np.sin(np.arange(count * size)[:, None] / rate * 11)
            counts = (
                np.rint(sway + rng.normal(0, 3, (count * size, 3))).astype(np.int64).reshape(count, size, 3)
            )
        lost = gilbert(count, loss, burst, rng)
        lost[[0, -1]] = False
        seq, packed = np.flatnonzero(~lost), pack_counts(counts, kind)
        ticks = np.rint((seq + 1) * size * TICK / rate).astype(np.int64)
        parts.append((node, stream, seq, ticks, packed[seq]))
        edge = np.flatnonzero(np.diff(np.concatenate([[0], lost, [0]])))
        gaps += [(node, stream, first, last) for first, last in zip(edge[::2], edge[1::2], strict=True)]
        end = int(hours * 3600) + 60
        knots += [(node, 0, START), (node, end * TICK, START + end * 1_000_020_000)]
    _frames(study, parts)
    _gaps_and_clock(study, gaps, knots)
    return sum(len(part[2]) for part in parts)


def _frames(study: Study, parts: list[tuple[str, str, np.ndarray, np.ndarray, np.ndarray]]) -> None:
    table = TABLES["frames"]
    order = np.argsort(np.concatenate([part[3] for part in parts]), kind="stable")
    names = np.repeat(np.arange(len(parts)), [len(part[2]) for part in parts])[order]
    within = np.concatenate([np.arange(len(part[2])) for part in parts])[order]
    with frame_writer.writing(study.results, "S1") as out:
        for first in range(0, len(order), 1_000_000):
            cut = slice(first, first + 1_000_000)
            who, row = names[cut], within[cut]
            n = len(who)
            seq, ticks = np.empty(n, np.int64), np.empty(n, np.int64)
            payload, samples = np.empty(n, object), np.empty(n, np.int32)
            for index, (_, stream, number, tick, packed) in enumerate(parts):
                mine = np.flatnonzero(who == index)
                seq[mine], ticks[mine] = number[row[mine]], tick[row[mine]]
                payload[mine] = [each.tobytes() for each in packed[row[mine]]]
                samples[mine] = 25 if stream == "ecg" else 10
            out.write(
                _stored(
                    {
                        "row": first + np.arange(n),
                        "capture": np.zeros(n, np.int16),
                        "offset": first + np.arange(n),
                        "length": np.full(n, 60, np.int32),
                        "node": pd.Categorical.from_codes(who, categories=[part[0] for part in parts]),
                        "stream": pd.Categorical.from_codes(
                            (who > 0).astype(np.int8), categories=["ecg", "acc"]
                        ),
                        "kind": np.ones(n, np.int32),
                        "boot": np.zeros(n, np.int32),
                        "seq_raw": seq % 65536,
                        "seq": seq,
                        "ticks_raw": ticks,
                        "ticks": ticks,
                        "hub_ns": ticks,
                        "mark_utc_ns": pd.array([None] * n, "Int64"),
                        "rssi_dbm": np.full(n, -60, np.float32),
                        "lqi": np.full(n, 9, np.float32),
                        "battery_v": np.full(n, 3.5, np.float32),
                        "samples": samples,
                        "payload": pd.arrays.ArrowExtensionArray(arrow.array(payload, arrow.binary())),
                        "status": pd.Categorical(["good"] * n, categories=list(table["status"].codes or ())),
                    },
                )
            )


def _stored(columns: dict[str, Any]) -> arrow.Table:
    """Rows of table ``frames`` as they are stored."""
    table = TABLES["frames"]
    return arrow.Table.from_pandas(tables.build(table, columns), preserve_index=False).cast(
        arrow_schema(table)
    )


def _gaps_and_clock(
    study: Study, gaps: list[tuple[str, str, int, int]], knots: list[tuple[str, int, int]]
) -> None:
    n = len(gaps)
    node, stream, first, last = (list(column) for column in zip(*gaps, strict=True))
    table = TABLES["gaps"]
    tables.write(
        tables.path(study.results, "gaps", "S1"),
        table,
        tables.build(
            table,
            {
                "node": node,
                "stream": stream,
                "boot": np.zeros(n, np.int32),
                "seq_from": np.array(first, np.int64),
                "seq_to": pd.array(last, "Int64"),
                "frames": pd.array(np.subtract(last, first), "Int64"),
                "extent": ["known"] * n,
                "cause": ["radio"] * n,
                "before_hub_ns": np.arange(n, dtype=np.int64),
                "after_hub_ns": pd.array([None] * n, "Int64"),
                "reason": [None] * n,
            },
        ),
    )
    node, ticks, utc = (list(column) for column in zip(*knots, strict=True))
    n, table = len(knots), TABLES["clock"]
    columns = {
        "node": node,
        "stream": ["*"] * n,
        "boot": np.zeros(n, np.int32),
        "ticks": np.array(ticks, np.int64),
        "utc_ns": np.array(utc, np.int64),
        "status": ["fitted"] * n,
        "time_source": ["node"] * n,
    }
    for column in table.columns:
        columns.setdefault(
            column.name, np.zeros(n, column.dtype) if column.dtype[-1].isdigit() else [None] * n
        )
    tables.write(tables.path(study.results, "clock", "S1"), table, tables.build(table, columns))


def peer(sources: list[Path], target: Path) -> float:
    """CPU seconds of pyarrow for writing as many rows with the columns of each of ``sources``."""
    arrow.set_cpu_count(1)
    seconds = 0.0
    for source in sources:
        with parquet.ParquetFile(source) as file:
            rows, piece = file.metadata.num_rows, file.read_row_group(0)
        start = time.process_time()
        with parquet.ParquetWriter(target, piece.schema, compression="zstd", compression_level=1) as out:
            for _ in range(rows // len(piece)):
                out.write_table(piece)
        seconds += time.process_time() - start
    return seconds


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    for name, value in (("hours", 15.0), ("loss", 0.05), ("burst", 5.0), ("grid", 100.0)):
        parser.add_argument(f"--{name}", type=float, default=value)
    parser.add_argument("--stage", type=Path, help=argparse.SUPPRESS)
    asked = parser.parse_args()
    if asked.stage:
        stage(asked.stage)
        return
    with tempfile.TemporaryDirectory() as folder:
        root = Path(folder) / "study"
        frames = make(root, asked.hours, asked.loss, asked.burst, asked.grid)
        command = [sys.executable, __file__, "--stage", str(root)]
        one = os.environ | {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
        told = subprocess.run(command, check=True, capture_output=True, text=True, env=one).stdout
        figures = json.loads(told) | {"frames": frames}
        samples = sorted((root / "results" / "samples" / "session=S1").glob("*.parquet"))
        figures["pyarrow alone, s"] = round(peer(samples, root / "peer.parquet"), 2)
        figures["stage / pyarrow alone"] = round(figures["cpu, s"] / figures["pyarrow alone, s"], 2)
        for name in ("samples", "aligned"):
            paths = list((root / "results" / name / "session=S1").glob("*.parquet"))
            figures[f"{name}, rows"] = sum(parquet.read_metadata(path).num_rows for path in paths)
            figures[f"{name}, MB"] = round(sum(path.stat().st_size for path in paths) / 1e6)
    for name, value in figures.items():
        print(f"{name:24}{value:>14}")
    Path(__file__).with_suffix(".json").write_text(json.dumps(vars(asked) | figures, default=str, indent=1))


def peak_mb() -> int:
    """The most memory that this program had. What `getrusage` says may be that of the process which
    started it."""
    status = Path("/proc/self/status").read_text()
    return round(int(status.split("VmHWM:")[1].split()[0]) / 1024)


def stage(root: Path) -> None:
    """Run the stage and print what it took, start-up apart."""
    from nodeday.stages.repair.stage import run

    arrow.set_cpu_count(1)
    arrow.set_io_thread_count(1)
    os.sched_setaffinity(0, {min(os.sched_getaffinity(0))})
    study, wall, cpu = Study(root), time.perf_counter(), time.process_time()
    run(study, "S1")
    print(
        json.dumps(
            {
                "wall, s": round(time.perf_counter() - wall, 2),
                "cpu, s": round(time.process_time() - cpu, 2),
                "peak memory, MB": peak_mb(),
            }
        )
    )


if __name__ == "__main__":
    main()
