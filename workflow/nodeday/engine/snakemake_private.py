"""What the workflow relies on and Snakemake does not document, each with a test that names it.

Look here first after a new version of Snakemake.
"""

from __future__ import annotations

import signal
from collections.abc import Callable, Iterator
from contextlib import contextmanager
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


@contextmanager
def ignoring_times() -> Iterator[None]:
    """Have the engine in this process compare no times of files within the block: content decides.

    ``_IOFile.is_newer`` makes a job run again, whatever ``rerun_triggers`` says. ``DAG.check_output_mtime``
    stops a run where the clock of a card or a share was ahead.
    """
    from snakemake.dag import DAG
    from snakemake.io import _IOFile

    async def never(*_: Any) -> bool:
        return False

    kept = _IOFile.is_newer, DAG.check_output_mtime
    _IOFile.is_newer = DAG.check_output_mtime = never
    try:
        yield
    finally:
        _IOFile.is_newer, DAG.check_output_mtime = kept


def stopper() -> Callable[[], object] | None:
    """Return what asks the engine in this process to start no more jobs; None while it runs none.

    Its scheduler takes SIGTERM for that (``JobScheduler.exit_gracefully``); any thread may call it.
    """
    handler = signal.getsignal(signal.SIGTERM)
    return handler if getattr(handler, "__name__", "") == "exit_gracefully" else None  # type: ignore[return-value]
