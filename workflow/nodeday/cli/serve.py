"""Process that `nodeday run` starts for its jobs: ``python -m nodeday serve ADDRESS``.

It imports what the jobs of a run need, and runs `nodeday` in a fork of itself for each job.
"""

from __future__ import annotations

from collections.abc import Callable

from nodeday.engine import prefork

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


def serve(address: str, main: Callable[[list[str]], int]) -> int:
    """Run ``main`` for each call at ``address`` until standard input ends; return 0."""
    prefork.serve(address, main, FIRST, LATER)
    return 0
