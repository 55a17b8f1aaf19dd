"""Drives the workflow engine in this process, with a progress bar in place of its own log.

A session that stops does not stop the others, but it does stop the study's tables, which wait for
all sessions: these and the pages are then made of those that finished, in a second pass.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from nodeday.config.study import Study
from nodeday.core.errors import NodedayError, SettingsError
from nodeday.engine import dependencies, locks, outdated, rule_files, snakemake_private
from nodeday.engine.events import Job, Journal
from nodeday.engine.interrupts import ending_jobs
from nodeday.storage.hashes import KeptHashes

if TYPE_CHECKING:
    from snakemake.settings.types import OutputSettings


@dataclass(frozen=True)
class RunOutcome:
    """Sessions whose tables are all there, and the jobs that failed."""

    finished: list[str]
    failed: list[Job]


def run(root: Path, sessions: list[str], cores: int) -> RunOutcome:
    """Run the chain on ``sessions``.

    Raises KeyboardInterrupt when stopped, with no job left at work, and NodedayError where the workflow
    fails without a job that did, or where another run is at work.
    """
    # The rules call `nodeday`, which must be the one that is running.
    os.environ["PATH"] = f"{Path(sys.executable).parent}{os.pathsep}{os.environ['PATH']}"
    journal = Journal(cores)
    with locks.run_alone(root):
        complete = _workflow(root, sessions, journal, cores)
        finished = _finished(root, sessions, journal)
        if not complete and finished and finished != sessions:
            complete = _workflow(root, finished, journal, cores)
            finished = _finished(root, finished, journal)
    if not complete and not journal.failed:
        raise NodedayError("the workflow stopped before any of its jobs failed", str(root))
    return RunOutcome(finished, journal.failed)


def _finished(root: Path, sessions: list[str], journal: Journal) -> list[str]:
    """Return those of ``sessions`` that have all their tables and no failed job."""
    stopped = {job.session for job in journal.failed}
    return [
        name
        for name in sessions
        if name not in stopped
        and not (root / "results" / "failed" / f"{name}.txt").exists()
        and (root / rule_files.table("epochs").format(session=name)).exists()
    ]


def _outdated(root: Path, sessions: Sequence[str]) -> frozenset[str]:
    """Return an output of each job to be done that no other such job comes before; the engine adds those."""
    study, hashed = Study(root), KeptHashes(root)
    jobs = outdated.to_do(study, sessions, hashed)
    hashed.keep()
    return frozenset(
        dependencies.forced_output(study, job.stage, job.session) for job in jobs if not job.follows
    )


def _workflow(root: Path, sessions: Sequence[str], journal: Journal, cores: int) -> bool:
    """Make one pass of the workflow on ``sessions``; return False where a job failed."""
    from snakemake.exceptions import LockException, WorkflowError

    here = Path.cwd()
    try:
        with ending_jobs():
            _execute(root, sessions, journal, cores)
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


def _execute(root: Path, sessions: Sequence[str], journal: Journal, cores: int) -> None:
    """Plan and run the jobs by Snakemake's API; it raises WorkflowError where a job failed."""
    from snakemake.api import SnakemakeApi
    from snakemake.settings.types import (
        ConfigSettings,
        DAGSettings,
        ExecutionSettings,
        ResourceSettings,
        SchedulingSettings,
    )
    from snakemake_interface_scheduler_plugins.registry import SchedulerPluginRegistry

    from nodeday.core import paths

    forced = _outdated(root, sessions)
    greedy = SchedulerPluginRegistry().get_plugin("greedy")
    with snakemake_private.ignoring_times(), SnakemakeApi(_output(journal)) as api:
        workflow = api.workflow(
            resource_settings=ResourceSettings(cores=cores),
            config_settings=ConfigSettings(config={"only": ",".join(sessions)}),
            snakefile=paths.SNAKEFILE,
            workdir=root,
        )
        dag = workflow.dag(
            dag_settings=DAGSettings(
                targets={"all"},
                force_incomplete=True,
                forcerun=forced,
            )
        )
        dag.execute_workflow(
            execution_settings=ExecutionSettings(keep_going=True, lock=True),
            scheduling_settings=SchedulingSettings(scheduler=greedy.name),
            scheduler_settings=greedy.settings_cls(),
        )


def _output(journal: Journal) -> OutputSettings:
    """Return settings that put the progress bar of ``journal`` in place of the engine's own log."""
    from snakemake.settings.enums import Quietness
    from snakemake.settings.types import OutputSettings
    from snakemake_interface_logger_plugins.registry import LoggerPluginRegistry

    from nodeday.engine import progress

    loggers = LoggerPluginRegistry()
    if not loggers.is_installed(progress.NAME):
        loggers.register_plugin(progress.NAME, progress)
    return OutputSettings(
        quiet={Quietness.ALL}, log_handler_settings={progress.NAME: progress.Settings(journal)}
    )
