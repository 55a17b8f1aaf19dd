"""Drives the workflow engine in this process, with a progress bar in place of its own log.

A session that stops does not stop the others, but it does stop the study's tables, which wait for
all sessions: these and the pages are then made of those that finished, in a second pass.
"""

from __future__ import annotations

import contextlib
import json
import os
import signal
import sys
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from types import FrameType

from nodeday.core.errors import NodedayError, SettingsError
from nodeday.engine import digests, locks
from nodeday.engine.events import Job, Journal


@dataclass(frozen=True)
class RunOutcome:
    """Sessions whose tables are all there, and the jobs that failed."""

    finished: list[str]
    failed: list[Job]


def run(root: Path, sessions: list[str], cores: int) -> RunOutcome:
    """Run the chain on ``sessions``. Raise KeyboardInterrupt when stopped, with no job left at work, and
    NodedayError where the workflow fails without a job that did, or where another run is at work.
    """
    # The rules call `nodeday`, which must be the one that is running.
    os.environ["PATH"] = f"{Path(sys.executable).parent}{os.pathsep}{os.environ['PATH']}"
    journal = Journal(cores)
    with locks.run_alone(root):
        _forget(root)
        whole = _workflow(root, sessions, journal, cores)
        finished = _finished(root, sessions, journal)
        if not whole and finished and finished != sessions:
            whole = _workflow(root, finished, journal, cores)
            finished = _finished(root, finished, journal)
    if not whole and not journal.failed:
        raise NodedayError("the workflow stopped before any of its jobs failed", str(root))
    return RunOutcome(finished, journal.failed)


def _finished(root: Path, sessions: list[str], journal: Journal) -> list[str]:
    """Of ``sessions``, those that no failed job speaks of and whose tables are all there."""
    stopped = {job.session for job in journal.failed}
    return [
        name
        for name in sessions
        if name not in stopped
        and not (root / "results" / "failed" / f"{name}.txt").exists()
        and (root / digests.table("epochs").format(session=name)).exists()
    ]


def _forget(root: Path) -> None:
    """Take the manifest away where a file that it names has gone. The workflow looks for its last files,
    not for those between; it makes all that they were made of where one of them is to be made.
    """
    last = root / "results" / "manifest.json"
    if not last.exists():
        return
    try:
        named = [entry["path"] for entry in json.loads(last.read_text(encoding="utf-8"))["results"]]
    except (ValueError, KeyError, TypeError):
        named = [""]
    gone = [path for path in named if not (root / path).is_file()]
    if gone:
        last.unlink()
    if any(path.startswith("results/report/") for path in gone):
        (root / "results" / "report" / "index.html").unlink(missing_ok=True)


@contextlib.contextmanager
def _stoppable() -> Iterator[None]:
    """The engine takes Ctrl-C for a failure of its jobs, and waits for them where only this process was
    told. So it is noted here, jobs still at work are ended, and it is raised again at the end.
    """
    import psutil

    told = False

    def note(number: int, frame: FrameType | None) -> None:
        nonlocal told
        told = True
        for child in psutil.Process().children(recursive=True):
            with contextlib.suppress(psutil.NoSuchProcess):
                child.terminate()
        raise KeyboardInterrupt

    before = signal.signal(signal.SIGINT, note)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)
        if told:
            raise KeyboardInterrupt


def _workflow(root: Path, sessions: Iterable[str], journal: Journal, cores: int) -> bool:
    """One pass of the workflow on ``sessions``; False where a job failed."""
    from snakemake.api import SnakemakeApi
    from snakemake.exceptions import LockException, WorkflowError
    from snakemake.scheduling.greedy import SchedulerSettings as GreedySettings
    from snakemake.settings.enums import Quietness
    from snakemake.settings.types import (
        ConfigSettings,
        DAGSettings,
        ExecutionSettings,
        OutputSettings,
        ResourceSettings,
        SchedulingSettings,
    )
    from snakemake_interface_logger_plugins.registry import LoggerPluginRegistry

    from nodeday.core import paths
    from nodeday.engine import progress

    registry = LoggerPluginRegistry()
    if not registry.is_installed(progress.NAME):
        registry.register_plugin(progress.NAME, progress)
    output = OutputSettings(
        quiet={Quietness.ALL}, log_handler_settings={progress.NAME: progress.Settings(journal)}
    )
    here = Path.cwd()
    try:
        with _stoppable(), SnakemakeApi(output) as api:
            workflow = api.workflow(
                resource_settings=ResourceSettings(cores=cores),
                config_settings=ConfigSettings(config={"only": ",".join(sessions)}),
                snakefile=paths.SNAKEFILE,
                workdir=root,
            )
            dag = workflow.dag(dag_settings=DAGSettings(targets={"all"}, force_incomplete=True))
            dag.execute_workflow(
                execution_settings=ExecutionSettings(keep_going=True, lock=True),
                scheduling_settings=SchedulingSettings(scheduler="greedy"),
                scheduler_settings=GreedySettings(),
            )
    except LockException:
        raise SettingsError(
            "another workflow is at work on this study",
            str(root),
            remedy="Wait until it has ended, or stop it.",
        ) from None
    except WorkflowError as error:
        # Where a job failed, its log says more; else only the engine knows why.
        if not journal.failed:
            why = " ".join(str(error).split()).removesuffix(".")
            raise NodedayError(f"the workflow cannot run ({why})", str(root)) from None
        return False
    finally:
        os.chdir(here)
    return True
