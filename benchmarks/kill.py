"""A run killed at random moments, then run again: the same bytes, nothing half-written, nothing to clear up.

Run: ``.venv/bin/python benchmarks/kill.py [KILLS] [SEED]``. A study of one session of a minute is run
undisturbed, from its simulation to its manifest. Then, from nothing and from wherever the last kill left
it, its run is killed with all of its stages (SIGKILL) at a random moment. After each kill every file under
its final name must hold what it holds in the undisturbed study. After one to six kills in a row the same
command must end well and lead to the very same bytes. Prints a table, and writes ``kill.json``.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

from nodeday.cli.init.folder import copy_settings
from nodeday.core.paths import DEMO_CONFIG

SCENARIO = """
seed: 7
sessions:
  S01-clean:
    start: 2026-07-14T05:00:00Z
    phases: [{phase: rest, minutes: 1, bpm: 64}]
    channel: {loss: 0.05, burst: 4, duplicates: 0.01, late: 0.01, corrupt: 0.005}
nodes:
  hub: {}
  heart: {streams: [ecg]}
  trunk: {streams: [acc]}
  wrist: {streams: [acc]}
  ankle: {streams: [acc]}
  skin: {streams: [temp]}
"""
SESSION = "S01-clean"
UNSEALED = ("logs", "failed", "benchmarks")
"""Folders of results that tell how a run went: of no two runs the same."""


def small_study(folder: Path) -> Path:
    """One session of a minute, which the run simulates."""
    copy_settings(folder, DEMO_CONFIG, scenario=False)
    config = folder / "config"
    for sheet in ("sessions", "events", "nodes"):
        lines = (config / f"{sheet}.tsv").read_text().splitlines(keepends=True)
        kept = [line for line in lines[1:] if line.startswith((SESSION, "*")) and sheet != "events"]
        (config / f"{sheet}.tsv").write_text("".join([lines[0], *kept]))
    (config / "scenario.yaml").write_text(SCENARIO)
    return folder


def run(folder: Path) -> subprocess.CompletedProcess[str]:
    """The run, to its end."""
    return subprocess.run(_command(folder), capture_output=True, text=True, check=False)


def _command(folder: Path) -> list[str]:
    return [sys.executable, "-m", "nodeday", "run", "--study", str(folder), "--cores", "2"]


def killed_run(folder: Path, after_s: float) -> bool:
    """Begin the run and kill it with all that it started; False where it ended before."""
    process = subprocess.Popen(
        _command(folder), stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, start_new_session=True
    )
    try:
        process.wait(after_s)
        return False
    except subprocess.TimeoutExpired:
        os.killpg(process.pid, signal.SIGKILL)
        process.wait()
        return True


def contents(folder: Path) -> dict[str, str]:
    """SHA-256 of every file that a run writes under its final name."""
    found = {}
    for part in ("results", "captures"):
        for path in sorted((folder / part).rglob("*")):
            inside = path.relative_to(folder)
            hidden = any(part.startswith(".") for part in inside.parts)
            seen = path.is_file() and not hidden and inside.parts[1] not in UNSEALED
            if seen:
                found[inside.as_posix()] = hashlib.sha256(path.read_bytes()).hexdigest()
    return found


def differences(mine: dict[str, str], truth: dict[str, str], *, whole: bool) -> list[str]:
    """Files with other bytes than in the undisturbed study; absent ones too where ``whole``."""
    out = [f"{name} is not in the undisturbed study" for name in mine if name not in truth]
    out += [f"{name} has other bytes" for name in mine if name in truth and mine[name] != truth[name]]
    return out + ([f"{name} is absent" for name in truth if name not in mine] if whole else [])


def soak(kills: int, seed: int, folder: Path) -> Iterator[dict[str, object]]:
    """Kill a small study's run ``kills`` times in ``folder``; what was seen up to each run to the end."""
    rng, wrong, seen = random.Random(seed), [], Counter[str]()
    begin = time.monotonic()
    calm = small_study(folder / "calm")
    done = run(calm)
    if done.returncode:
        raise RuntimeError(f"the undisturbed run ended with {done.returncode}: {done.stderr}")
    span, truth = time.monotonic() - begin, contents(calm)
    study = folder / "killed"
    shutil.copytree(folder / "calm", study)
    _fresh(study)
    while seen["kills"] < kills:
        _fresh(study)
        for _ in range(min(rng.randint(1, 6), kills - seen["kills"])):
            if not killed_run(study, rng.uniform(0.0, span)):
                seen["runs that ended before the kill"] += 1
                break
            seen["kills"] += 1
            seen |= {name: seen[name] + bool(there) for name, there in _left(study).items()}
            state = differences(contents(study), truth, whole=False)
            wrong += [f"kill {seen['kills']}: {each}" for each in state]
        done = run(study)
        seen["runs to the end after kills"] += 1
        if done.returncode:
            wrong.append(
                f"kill {seen['kills']}: the run after it ended with {done.returncode}: {done.stderr}"
            )
        state = differences(contents(study), truth, whole=True)
        wrong += [f"kill {seen['kills']}, run again: {each}" for each in state]
        yield {**seen, "files compared each time": len(truth), "differences": len(wrong), "wrong": wrong[:20]}


def _left(study: Path) -> dict[str, bool]:
    """What a killed run leaves lying about."""
    marks = [path for path in study.glob(".snakemake/incomplete/**/*") if path.is_file()]
    return {
        "kills in the middle of writing a file": any(study.rglob(".*.partial")),
        "kills that left locks of the engine": any(study.glob(".snakemake/locks/*")),
        "kills that left marks of unfinished files": bool(marks),
    }


def _fresh(study: Path) -> None:
    """The study as before its first run."""
    for name in ("results", ".snakemake"):
        shutil.rmtree(study / name, ignore_errors=True)
    for path in (study / "captures").glob(f"{SESSION}*"):
        path.unlink()


def main() -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n", 1)[0])
    parser.add_argument("kills", nargs="?", type=int, default=200)
    parser.add_argument("seed", nargs="?", type=int, default=1)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        for found in soak(options.kills, options.seed, Path(folder)):
            print(f"{found['kills']} kills, {found['differences']} differences", flush=True)
            Path("kill.json").write_text(json.dumps(found, indent=2) + "\n")
    for name, count in found.items():
        print(f"{name:<45} {count}")
    return int(bool(found["differences"]))


if __name__ == "__main__":
    sys.exit(main())
