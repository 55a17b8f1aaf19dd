"""Coverage-guided fuzzing of everything that reads what a stranger wrote.

Run: ``.venv/bin/pip install atheris``, then ``.venv/bin/python benchmarks/fuzz.py [RUNS] [TARGET...]``.
Each target is a process of its own under libFuzzer, which mutates inputs towards branches of nodeday
not seen yet, and stops it where an input takes more than 20 seconds or 512 MB. An input may be taken
or refused with one of nodeday's own sentences; any other exception is a failure. Of captures, frames
and rejects must tile the bytes, whatever pieces they come in. A failure leaves its input behind.
Ends with a table, which goes to ``fuzz.json`` as well.
"""

from __future__ import annotations

import importlib.util
import json
import re
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

from fuzz_seeds import seeds
from fuzz_targets import tried

MOST_MB, MOST_SECONDS, MOST_BYTES = 512, 20, 1024
SHARES = {
    "packets": 0.64,
    "sheet": 0.1,
    "recorded": 0.1,
    "archive": 0.06,
    "sync": 0.02,
    "cobs": 0.02,
    "slip": 0.02,
    "hdlc": 0.02,
    "settings": 0.01,
    "layout": 0.01,
}
"""Targets, and their part of all runs: more where a run is quick."""
AT_ONCE = {"archive": 2000}
"""Runs of one process. The library that unpacks keeps some 130 kB of each archive that fails."""


def fuzz(target: str, arguments: list[str]) -> None:
    """Hand this process over to libFuzzer."""
    import atheris

    with atheris.instrument_imports(include=["nodeday", "dpkt", "csv", "yaml"]):
        one = tried(target)
    atheris.Setup([target, *arguments], one)
    atheris.Fuzz()


def _run(target: str, runs: int) -> dict[str, Any]:
    """Fuzz one target in processes of its own, with what the ones before found; what came of it."""
    row: dict[str, Any] = {
        "target": target,
        "executions": 0,
        "seconds": 0.0,
        "branches": 0,
        "new_inputs": 0,
        "peak_mb": 0,
        "failed": False,
    }
    with tempfile.TemporaryDirectory(prefix=f"corpus-{target}-") as folder:
        for number, seed in enumerate(seeds(target)):
            (Path(folder) / f"seed{number}").write_bytes(seed)
        while row["executions"] < runs and not row["failed"]:
            part = min(runs - row["executions"], AT_ONCE.get(target, runs))
            begin = time.perf_counter()
            done = subprocess.run(_command(target, part, folder), capture_output=True, check=False)
            text = done.stderr.decode(errors="replace")
            said = {key: int(value) for key, value in re.findall(r"stat::(\w+):\s+(\d+)", text)}
            row["executions"] += said.get("number_of_executed_units", 0)
            row["seconds"] += time.perf_counter() - begin
            row["branches"] = max([row["branches"], *(int(each) for each in re.findall(r"cov: (\d+)", text))])
            row["new_inputs"] += said.get("new_units_added", 0)
            row["peak_mb"] = max(row["peak_mb"], said.get("peak_rss_mb", 0))
            row["failed"] = done.returncode != 0
            if row["failed"]:
                print(text[-4000:], file=sys.stderr)
    return row


def _command(target: str, runs: int, folder: str) -> list[str]:
    return [
        sys.executable,
        __file__,
        "--one",
        target,
        f"-runs={runs}",
        f"-rss_limit_mb={MOST_MB}",
        f"-timeout={MOST_SECONDS}",
        f"-max_len={MOST_BYTES}",
        "-print_final_stats=1",
        folder,
    ]


def main() -> int:
    if sys.argv[1:2] == ["--one"]:
        fuzz(sys.argv[2], sys.argv[3:])
        return 0
    if importlib.util.find_spec("atheris") is None:
        print("atheris is not installed: .venv/bin/pip install atheris")
        return 2
    total = int(sys.argv[1]) if len(sys.argv) > 1 else 200_000
    rows = []
    print(
        f"{'target':<10} {'executions':>11} {'seconds':>8} {'branches':>9} {'new inputs':>11} {'peak MB':>8}"
    )
    for target in sys.argv[2:] or SHARES:
        row = _run(target, int(total * (1 if sys.argv[2:] else SHARES[target])))
        rows.append(row)
        print(
            f"{target:<10} {row['executions']:>11} {row['seconds']:>8.0f} {row['branches']:>9} "
            f"{row['new_inputs']:>11} {row['peak_mb']:>8}  {'FAILED' if row['failed'] else ''}",
            flush=True,
        )
        Path("fuzz.json").write_text(json.dumps(rows, indent=2) + "\n")
    print(f"{sum(row['executions'] for row in rows)} executions")
    return int(any(row["failed"] for row in rows))


if __name__ == "__main__":
    sys.exit(main())
