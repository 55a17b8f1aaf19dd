"""A participant-day from bytes to pages: time, memory, growth, and a notebook's way of doing it.

    .venv/bin/python benchmarks/day.py [day] [growth] [sessions] [notebook] [--hours 15] [--sessions 30]

The day: an ECG at 500 Hz, three accelerometers at 100 Hz, skin temperature at 1 Hz, 5 % of frames lost in
bursts; captures are simulated first and not timed. `day` runs `nodeday run` on one of them and sets it beside
its floor, pyarrow reading the capture once and writing the same tables once. `growth` gives the exponents of
processor time with hours, nodes and sessions, and of memory with hours. `sessions` runs many days, runs
them again, and changes one. `notebook` is what a person would write: struct, pandas and a library's detector,
on an hour of the same capture. Machines are noisy: read ratios and processor time.
"""

from __future__ import annotations

import argparse
import json
import math
import re
import shutil
import subprocess
import sys
import tempfile
import time
from collections import Counter, defaultdict
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow.parquet as parquet
from notebook import notebook

from nodeday.cli.init.folder import copy_settings
from nodeday.core.paths import DEMO_CONFIG

PROGRAM = [sys.executable, "-m", "nodeday"]
MOTION = ("trunk", "wrist", "ankle")
PLACES = {"trunk": "chest", "wrist": "wrist", "ankle": "ankle"}
PLAN = """
seed: {seed}
nodes:
  hub: {{crystal: {{ppm: 4, worn_c: 29}}}}
  heart: {{streams: [ecg], crystal: {{ppm: 21, worn_c: 34}}}}
{motion}
  skin: {{streams: [temp], crystal: {{ppm: 8, worn_c: 34}}}}
sessions:
"""
DAY = """  {name}:
    start: 2026-07-14T05:00:00Z
    phases:
      - {{phase: rest, minutes: {rest:.1f}, bpm: 64}}
      - {{phase: harvest, minutes: {work:.1f}, bpm: 104, gait: 0.5, cadence_spm: 104}}
    channel: {{loss: 0.05, burst: 5}}
"""
AIMS = {
    "wall_s": 20,
    "peak_mb": 1000,
    "over_floor": 6,
    "memory": 1.2,
    "exponent": 1.05,
    "sessions_s": 300,
    "engine": 0.2,
    "again_s": 4,
    "notebook": 20,
}
Figures = dict[str, float]


def make(folder: Path, hours: float, motion: int = 3, sessions: int = 1) -> Path:
    """A study of simulated days whose captures lie ready."""
    copy_settings(folder, DEMO_CONFIG, scenario=False)
    config, names = folder / "config", [f"D{number:02d}" for number in range(1, sessions + 1)]
    layout = config / "layouts" / "beltframe.yaml"
    text = layout.read_text().replace("rate_hz: 250", "rate_hz: 500").replace("samples: 20", "samples: 40")
    layout.write_text(text.replace("rate_hz: 50\n", "rate_hz: 100\n").replace("samples: 10", "samples: 20"))
    settings = config / "study.yaml"  # an axis of a node that nobody wears is refused
    if motion < len(MOTION):
        settings.write_text(re.sub(r"(?m)^    ankle: .*\n", "", settings.read_text()))
    nodes = [
        f"  {name}: {{streams: [acc], crystal: {{ppm: {-13 - 7 * at}, worn_c: 32}}}}"
        for at, name in enumerate(MOTION[:motion])
    ]
    shape = {"rest": 60 * hours / 3, "work": 60 * hours * 2 / 3}
    days = "".join(DAY.format(name=name, **shape) for name in names)
    (config / "scenario.yaml").write_text(PLAN.format(seed=7, motion="\n".join(nodes)) + days)
    rows = [f"{name}\tP{name[1:]}\tcaptures/{name}.bin\tbeltframe" for name in names]
    (config / "sessions.tsv").write_text("\n".join(["session\tparticipant\tcaptures\tlayout", *rows]) + "\n")
    people = [f"P{name[1:]}\t40\t60" for name in names]
    (config / "participants.tsv").write_text(
        "\n".join(["participant\tage_years\tresting_bpm", *people]) + "\n"
    )
    worn = [f"*\t{name}\t{17 + at}\t{PLACES[name]}" for at, name in enumerate(MOTION[:motion])]
    fixed = ["*\thub\t0\thub", "*\theart\t16\tchest", "*\tskin\t20\tback"]
    (config / "nodes.tsv").write_text("\n".join(["session\tnode\taddress\tplacement", *fixed, *worn]) + "\n")
    (config / "events.tsv").write_text(
        "session\tphase\tstart\tend\n" + "".join(f"{name}\trest\t2026-07-14T07:00:00\t\n" for name in names)
    )
    subprocess.run([*PROGRAM, "simulate"], cwd=folder, check=True, stdout=subprocess.DEVNULL)
    (config / "scenario.yaml").unlink()
    for truth in (folder / "captures").glob("*.npz"):
        truth.unlink()
    return folder


def run(folder: Path, cores: int = 2) -> Figures:
    """Wall and processor time of `nodeday run`, and the peak memory of the largest of its jobs."""
    measure = [sys.executable, str(Path(__file__).with_name("measure.py"))]
    told = subprocess.run(
        [*measure, *PROGRAM, "run", "--cores", str(cores)], cwd=folder, capture_output=True, text=True
    )
    if told.returncode:
        raise SystemExit(told.stdout + told.stderr)
    found: Figures = json.loads(told.stdout.splitlines()[-1])
    return found


def stages(folder: Path) -> Figures:
    """Seconds from the engine's record of each rule's jobs, start of Python included."""
    starts: dict[tuple[str, float], float] = {}  # a job has a record for each of its files
    for path in (folder / ".snakemake" / "metadata").iterdir():
        record = json.loads(path.read_text())
        job = record["rule"], record["endtime"]
        starts[job] = min(starts.get(job, math.inf), record["starttime"])
    each: dict[str, float] = defaultdict(float)
    for (rule, end), start in starts.items():
        each[rule] += end - start
    return dict(sorted(each.items(), key=lambda pair: -pair[1]))


def floor(folder: Path) -> float:
    """Seconds to read the captures once and write the same tables once, pyarrow alone, unchecked."""
    held = [parquet.read_table(path) for path in (folder / "results").rglob("*.parquet")]
    start = time.perf_counter()
    for path in (folder / "captures").iterdir():
        path.read_bytes()
    for table in held:
        parquet.write_table(table, folder / "floor.parquet", compression="zstd", compression_level=1)
    return time.perf_counter() - start


def day(place: Path, hours: float) -> dict[str, Any]:
    folder = make(place / "day", hours)
    capture_mb = (folder / "captures" / "D01.bin").stat().st_size / 1e6
    found: dict[str, Any] = {"capture_mb": capture_mb, **run(folder), "floor_s": floor(folder)}
    found["over_floor"] = found["wall_s"] / found["floor_s"]
    found["stages_s"] = stages(folder)
    print(f"{hours:g} h, capture of {capture_mb:.0f} MB")
    aims = ("wall_s", "cpu_s", "peak_mb", "floor_s", "over_floor")
    print("\n".join(f"  {key:<12}{found[key]:>9.1f}  aim {AIMS.get(key, '-')}" for key in aims))
    print("  by rule, s: " + ", ".join(f"{rule} {each:.1f}" for rule, each in found["stages_s"].items()))
    return found


def growth(place: Path, hours: float) -> dict[str, Any]:
    """Exponents of a power law through each series of runs, least squares on logarithms."""
    series = {
        "hours": [(each, {"hours": each}) for each in (hours / 5, hours * 2 / 5, hours, hours * 8 / 5)],
        "nodes": [(each + 2, {"hours": hours / 5, "motion": each}) for each in (1, 2, 3)],
        "sessions": [(each, {"hours": hours / 15, "sessions": each}) for each in (2, 4, 8)],
    }
    found: dict[str, Any] = {}
    for name, runs in series.items():
        measured = []
        for size, shape in runs:
            folder = make(place / f"{name}{size}", **shape)
            measured.append({"size": size, **run(folder)})
            shutil.rmtree(folder)
        sizes, spent = ([float(each[key]) for each in measured] for key in ("size", "cpu_s"))
        exponent = float(np.polyfit(np.log(sizes), np.log(spent), 1)[0])
        found[name] = {"exponent": exponent, "runs": measured}
        each = ", ".join(f"{one['size']:g}: {one['cpu_s']:.1f} s {one['peak_mb']:.0f} MB" for one in measured)
        print(f"CPU time grows with {name} to the power {exponent:.2f} (aim <= {AIMS['exponent']}): {each}")
    peaks = [one["peak_mb"] for one in found["hours"]["runs"]]
    found["memory"] = peaks[-1] / peaks[0]
    print(
        f"memory at {hours * 8 / 5:g} h over {hours / 5:g} h: {found['memory']:.2f} (aim <= {AIMS['memory']})"
    )
    return found


def many(folder: Path) -> dict[str, Any]:
    """A study of many days: a first run, one with nothing changed, one with a note of session D02 changed."""
    found = {"first": run(folder), "again": run(folder)}
    before, events = stamps(folder), folder / "config" / "events.tsv"
    events.write_text(re.sub(r"(D02\trest\t\S+T07:0)0", r"\g<1>1", events.read_text()))
    found["one changed"] = run(folder)
    new = (str(path) for path, at in stamps(folder).items() if before.get(path) != at)
    whose = Counter(match[0] if (match := re.search(r"\bD\d\d\b", path)) else "study" for path in new)
    for what, each in found.items():
        print(
            f"many days, {what}: {each['wall_s']:.1f} s, CPU {each['cpu_s']:.1f} s, of it the engine's own "
            f"{each['own_cpu_s'] / each['cpu_s']:.0%}, a job at most {each['peak_mb']:.0f} MB"
        )
    print(
        f"  aims: {AIMS['sessions_s']} s for 30 days of 15 h; engine {AIMS['engine']:.0%}; "
        f"again {AIMS['again_s']} s; made anew after the change, by whose: {dict(whose)}"
    )
    return found


def stamps(folder: Path) -> dict[Path, int]:
    return {path: path.stat().st_mtime_ns for path in (folder / "results").rglob("*") if path.is_file()}


def beside_notebook(place: Path) -> dict[str, Any]:
    """An hour by the notebook and by nodeday; the notebook does less: no repair, no clock, no audit."""
    folder = make(place / "hour", 1.0)
    start = time.process_time()
    told = notebook(folder / "captures" / "D01.bin")
    spent = time.process_time() - start
    ours = run(folder)["cpu_s"]
    print(f"notebook, an hour: {spent:.1f} s CPU for {told}; nodeday {ours:.1f} s with its start")
    return {"notebook_cpu_s": spent, "nodeday_cpu_s": ours, "told": told}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("parts", nargs="*", default=["day"], help="day, growth, sessions, notebook")
    parser.add_argument("--hours", type=float, default=15.0)
    parser.add_argument("--sessions", type=int, default=30)
    asked = parser.parse_args()
    place, figures = Path(tempfile.mkdtemp(prefix="day-")), {}
    try:
        for part in asked.parts:
            figures[part] = {
                "day": lambda: day(place, asked.hours),
                "growth": lambda: growth(place, asked.hours),
                "sessions": lambda: many(make(place / "many", asked.hours, sessions=asked.sessions)),
                "notebook": lambda: beside_notebook(place),
            }[part]()
    finally:
        shutil.rmtree(place)
    Path(__file__).with_suffix(".json").write_text(json.dumps(figures, indent=1) + "\n")


if __name__ == "__main__":
    main()
