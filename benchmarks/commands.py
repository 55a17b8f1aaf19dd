"""How soon a command answers, in CPU time beside that of a bare interpreter and of another program.

Run: ``.venv/bin/python benchmarks/commands.py [REPEATS]`` (9). Each command is started anew with warm
files; the least CPU time (user and system, of it and its children) of all repeats is told, because
whatever else the machine does only adds to it. Peers of the same run: Python that does nothing, and the
help of pip, which every environment has.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tempfile
from pathlib import Path

from nodeday.cli.init.folder import copy_settings
from nodeday.core.paths import DEMO_CONFIG

PYTHON, NODEDAY = [sys.executable], [sys.executable, "-m", "nodeday"]
COMMANDS = {
    "python, nothing": [*PYTHON, "-c", ""],
    "pip --help": [*PYTHON, "-m", "pip", "--help"],
    "nodeday --help": [*NODEDAY, "--help"],
    "nodeday run --help": [*NODEDAY, "run", "--help"],
    "nodeday explain radio": [*NODEDAY, "explain", "radio"],
    "nodeday completion bash": [*NODEDAY, "completion", "bash"],
    "nodeday check, demo": [*NODEDAY, "check", "--study", "demo"],
    "nodeday status, demo": [*NODEDAY, "status", "--study", "demo"],
}


def cpu_s(command: list[str], folder: str) -> float:
    """CPU seconds of a command and its children."""
    before = os.times()
    subprocess.run(command, cwd=folder, check=True, stdout=subprocess.DEVNULL)
    after = os.times()
    return after.children_user + after.children_system - before.children_user - before.children_system


def main() -> None:
    repeats = int(sys.argv[1]) if len(sys.argv) > 1 else 9
    figures = {}
    with tempfile.TemporaryDirectory() as folder:
        copy_settings(Path(folder) / "demo", DEMO_CONFIG, scenario=True)
        for name, command in COMMANDS.items():
            figures[name] = min(cpu_s(command, folder) for _ in range(repeats))
    bare = figures["python, nothing"]
    print(f"{'command':<26} {'CPU s':>6} {'of bare Python':>15}")
    for name, seconds in figures.items():
        print(f"{name:<26} {seconds:>6.3f} {seconds / bare:>14.1f}x")
    Path("benchmarks/commands.json").write_text(json.dumps(figures, indent=2) + "\n")


if __name__ == "__main__":
    main()
