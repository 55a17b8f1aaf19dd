"""A command's wall and processor time, its own part of that, and the most memory of any job that it runs.

    .venv/bin/python benchmarks/measure.py nodeday run --cores 2

A job is the process of a stage with those that it starts. Pages that several of them share are counted in
part (proportional set size), read three times a second, so that a shorter peak may be missed. Prints one
line of JSON after what the command prints; ends with the command's exit code.
"""

from __future__ import annotations

import json
import resource
import subprocess
import sys
import time
from collections import defaultdict
from pathlib import Path

import psutil

EVERY_S = 0.3


def job_of(process: psutil.Process, whole: psutil.Process) -> int:
    """The stage that ``process`` works for: its uppermost parent that was forked with its libraries at hand,
    or the command itself."""
    line = [process, *process.parents()]
    line = line[: line.index(whole)]
    servers = [place for place, each in enumerate(line) if each.cmdline()[1:4] == ["-m", "nodeday", "serve"]]
    # Forks of the server have its command line, and the server is the uppermost of them.
    return line[max(servers[-1] - 1, 0)].pid if servers else whole.pid


def memory_mb(process: psutil.Process) -> float:
    rollup = Path(f"/proc/{process.pid}/smaps_rollup").read_text()
    return int(rollup.split("\nPss:")[1].split()[0]) / 1024


def by_job(whole: psutil.Process) -> dict[int, float]:
    found: dict[int, float] = defaultdict(float)
    for process in (whole, *whole.children(recursive=True)):
        try:
            found[job_of(process, whole)] += memory_mb(process)
        except (psutil.Error, OSError, ValueError, IndexError):  # gone meanwhile
            continue
    return found


def main() -> int:
    start, peak, own = time.perf_counter(), 0.0, 0.0
    with subprocess.Popen(sys.argv[1:]) as command:
        whole = psutil.Process(command.pid)
        while True:
            try:
                command.wait(EVERY_S)
                break
            except subprocess.TimeoutExpired:
                peak, spent = max([peak, *by_job(whole).values()]), whole.cpu_times()
                own = spent.user + spent.system
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    wall = time.perf_counter() - start
    cpu = used.ru_utime + used.ru_stime
    print(json.dumps({"wall_s": wall, "cpu_s": cpu, "own_cpu_s": own, "peak_mb": peak}))
    return command.returncode


if __name__ == "__main__":
    sys.exit(main())
