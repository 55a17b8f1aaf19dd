"""What the workflow relies on and Snakemake does not document, each with a test that names it.

Look here first after a new version of Snakemake.
"""

from __future__ import annotations

import signal
from collections.abc import Callable
from pathlib import Path
from typing import Any

LOCKS = Path(".snakemake") / "locks"
"""Folder in the study where an engine at work keeps files that make another engine refuse the study."""


def cores_of(workflow: Any) -> int | None:
    """Return the cores of the engine that plans the jobs; None where a cluster runs them.

    A job on a cluster reads the Snakefile again on its node (``workflow.remote_exec``). The cores of that
    node do not count: rules must come out as they did where they were planned.
    """
    from snakemake.exceptions import WorkflowError

    if workflow.remote_exec:
        return None
    try:
        return int(workflow.cores)
    except WorkflowError:  # documented: there are none
        return None


def stopper() -> Callable[[], object] | None:
    """Return what asks the engine in this process to start no more jobs; None while it runs none.

    Its scheduler takes SIGTERM for that (``JobScheduler.exit_gracefully``); any thread may call it.
    """
    handler = signal.getsignal(signal.SIGTERM)
    return handler if getattr(handler, "__name__", "") == "exit_gracefully" else None  # type: ignore[return-value]
