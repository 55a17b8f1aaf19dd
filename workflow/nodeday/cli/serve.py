"""Process that `nodeday run` starts for its jobs: ``python -m nodeday.cli.serve ADDRESS``.

It imports what the jobs of a run need, and runs `nodeday` in a fork of itself for each job.
"""

from __future__ import annotations

import sys

from nodeday.cli.main import main
from nodeday.engine import prefork

COMMAND = (sys.executable, "-m", "nodeday.cli.serve")
"""Starts the process; the address comes after it."""
FIRST = (
    "nodeday.cli.headings",
    "nodeday.engine.account",
    "nodeday.engine.locks",
    "nodeday.stages.frames.stage",
)
"""What a run begins with."""
LATER = (
    *(f"nodeday.stages.{name}.stage" for name in ("loss", "clock", "repair", "features", "study", "report")),
    "pyarrow.dataset",
    "nodeday.products.export.methods",
    "nodeday.products.export.package",
)
"""What its later jobs need, in the order of the chain."""

if __name__ == "__main__":
    prefork.serve(sys.argv[1], main, FIRST, LATER)
