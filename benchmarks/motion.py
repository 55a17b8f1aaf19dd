"""Motion features of three accelerometer nodes over 15 h at 100 Hz, against a plain pandas groupby.

    python benchmarks/motion.py [--hours 15] [--nodes 3]

Each side runs in a process of its own on the same samples, which another process made, one node in memory
at a time, and reports wall and processor time and its peak memory, samples included. The peer computes only
ENMO, MAD, three angles and a cadence by numpy.correlate for each epoch; it knows no calibration, posture,
wear, bouts or holes. Figures go to benchmarks/motion.json as well.
"""

from __future__ import annotations

import argparse
import json
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import pandas as pd

RATE, SECONDS, LOSS, WARM_H = 100.0, 30, 0.03, 0.1
HERE = Path(__file__).parent


def make(folder: Path, hours: float, seed: int) -> None:
    """x, y and z of a node: walking in every other minute, postures, and 3 % of frames lost."""
    n, rng = int(hours * 3600 * RATE), np.random.default_rng(seed)
    at = np.arange(n) / RATE
    lost = np.repeat(rng.random(n // 10 + 1) < LOSS, 10)[:n]
    walking = at % 120 < 60
    bob = np.where(walking, 0.25 * np.sin(2 * np.pi * 1.8 * at) + 0.08 * np.sin(np.pi * 1.8 * at), 0)
    tilt = 0.4 * np.sin(2 * np.pi * np.floor(at / 60) / 7)
    values = []
    for gravity in (np.sin(tilt), np.cos(tilt), 0 * tilt):
        value = gravity * (1 + bob) + 0.004 * rng.standard_normal(n)
        value[lost] = np.nan
        values.append(value.astype(np.float32))
    np.savez(folder / f"{hours:g}-{seed}.npz", *values, lost=lost)


def node_samples(folder: Path, hours: float, seed: int) -> pd.DataFrame:
    """A node's rows of table ``samples``."""
    from nodeday.schemas import codes

    with np.load(folder / f"{hours:g}-{seed}.npz") as file:
        lost, values = file["lost"], [file[f"arr_{k}"] for k in range(3)]
    utc = np.arange(len(lost), dtype=np.int64) * int(1e9 / RATE)
    origin = pd.Categorical.from_codes(np.where(lost, 3, 0).astype(np.int8), categories=list(codes.ORIGIN))
    return pd.DataFrame({"utc_ns": utc, "origin": origin, **dict(zip("xyz", values, strict=True))})


def ours(samples: pd.DataFrame, name: str) -> int:
    from nodeday.config.models import EpochSettings, Mounting, Node
    from nodeday.layouts.model import load_layout
    from nodeday.stages.features.motion.epochs import motion_of
    from nodeday.stages.features.stream import Samples, SampleSource
    from nodeday.stages.features.windows import windows_over
    from nodeday.storage.row_groups import Group

    kind = load_layout(HERE.parent / "config/layouts/beltframe.yaml").stream("acc")
    kind = kind.model_copy(update={"rate_hz": RATE})
    node = Node(session="*", node=name, address=1, placement="hip")
    windows = windows_over(0, int(samples["utc_ns"].iloc[-1]), SECONDS)
    utc, origin = samples["utc_ns"].to_numpy(), samples["origin"].cat.codes.to_numpy()
    own = Samples(utc, origin, {axis: samples[axis].to_numpy() for axis in "xyz"})
    group = Group(0, len(utc), int(utc[0]), int(utc[-1]))
    source = SampleSource(node, kind, [group], lambda: [own], windows, EpochSettings(seconds=SECONDS))
    return len(motion_of(source, None, None, Mounting(up="y", front="z")).features)


def peer(samples: pd.DataFrame, _: str) -> int:
    frame = samples[["x", "y", "z"]].copy()
    frame["epoch"] = samples["utc_ns"] // (SECONDS * 1_000_000_000)
    frame = frame[(samples["origin"] == "measured").to_numpy()]
    frame["r"] = np.sqrt(frame["x"] ** 2 + frame["y"] ** 2 + frame["z"] ** 2)
    frame["enmo"] = (frame["r"] - 1).clip(lower=0)
    by_epoch = frame.groupby("epoch")
    out = by_epoch[["x", "y", "z", "r", "enmo"]].mean()
    out["mad"] = (frame["r"] - by_epoch["r"].transform("mean")).abs().groupby(frame["epoch"]).mean()
    for axis in "xyz":
        rest = [other for other in "xyz" if other != axis]
        out[f"angle_{axis}"] = np.degrees(np.arctan2(out[axis], np.hypot(out[rest[0]], out[rest[1]])))

    def cadence(r: pd.Series[float]) -> float:
        d = (r - r.mean()).to_numpy()
        lags = np.correlate(d, d, "full")[len(d) - 1 + 30 : len(d) - 1 + 120]
        return 60 * RATE / (30 + int(lags.argmax()))

    out["cadence"] = by_epoch["r"].apply(cadence)
    return out.shape[1]


def measured(who: str, folder: Path, hours: float, nodes: int) -> dict[str, float]:
    """Wall and processor seconds over all nodes and peak memory of one side, in this process."""
    wall, processor, features = 0.0, 0.0, 0
    work = {"nodeday": ours, "pandas groupby": peer}[who]
    work(node_samples(folder, WARM_H, 0), "warm")  # imports are not what is measured
    for k in range(nodes):
        samples = node_samples(folder, hours, k)
        start = time.perf_counter(), time.process_time()
        features += work(samples, f"node{k}")
        wall += time.perf_counter() - start[0]
        processor += time.process_time() - start[1]
        del samples
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    return {"wall_s": wall, "cpu_s": processor, "peak_mb": peak, "features": features}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--hours", type=float, default=15)
    parser.add_argument("--nodes", type=int, default=3)
    parser.add_argument("--only", nargs=2, help=argparse.SUPPRESS)
    args = parser.parse_args()
    if args.only:
        who, folder = args.only
        print(json.dumps(measured(who, Path(folder), args.hours, args.nodes)))
        return
    found = {}
    with tempfile.TemporaryDirectory() as name:
        make(Path(name), WARM_H, 0)
        for k in range(args.nodes):
            make(Path(name), args.hours, k)
        size = ["--hours", str(args.hours), "--nodes", str(args.nodes)]
        for who in ("nodeday", "pandas groupby"):
            command = [sys.executable, __file__, "--only", who, name, *size]
            done = subprocess.run(command, capture_output=True, text=True, check=True)
            found[who] = json.loads(done.stdout)
    print(f"{args.nodes} nodes x {args.hours:g} h x {RATE:g} Hz, {100 * LOSS:g} % of frames lost")
    print(f"{'':<16}{'wall s':>9}{'CPU s':>9}{'peak MB':>9}{'features':>10}")
    for who, row in found.items():
        figures = f"{row['wall_s']:>9.2f}{row['cpu_s']:>9.2f}{row['peak_mb']:>9.0f}{row['features']:>10.0f}"
        print(f"{who:<16}{figures}")
    ratio = found["pandas groupby"]["cpu_s"] / found["nodeday"]["cpu_s"]
    print(f"the peer takes {ratio:.1f} times the processor time")
    (HERE / "motion.json").write_text(json.dumps(found, indent=1))


if __name__ == "__main__":
    main()
