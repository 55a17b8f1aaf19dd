"""Drives the workflow engine in this process, with a progress bar in place of its own log.

A session that stops does not stop the others, but it does stop the study's tables, which wait for
all sessions: these and the pages are then made of those that finished, in a second pass.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Iterable
from pathlib import Path

from nodeday import tables
from nodeday.errors import NodedayError


def run(root: Path, sessions: list[str], cores: int) -> list[str]:
    """Run the chain on ``sessions``; return those that finished. Raise NodedayError where the
    study's own tables or pages fail."""
    # The rules call `nodeday`, which must be the one that is running.
    os.environ["PATH"] = f"{Path(sys.executable).parent}{os.pathsep}{os.environ['PATH']}"
    results = root / "results"
    whole = _workflow(root, sessions, cores)
    finished = [name for name in sessions if _complete(results, name)]
    if not whole and finished and (finished == sessions or not _workflow(root, finished, cores)):
        raise NodedayError("the study's tables or pages failed", str(results / "logs"))
    return finished


def _complete(results: Path, session: str) -> bool:
    failed = results / "failed" / f"{session}.txt"
    return tables.path(results, "epochs", session).exists() and not failed.exists()


def _workflow(root: Path, sessions: Iterable[str], cores: int) -> bool:
    """One pass of the workflow on ``sessions``; False where a job failed."""
    from snakemake.api import SnakemakeApi
    from snakemake.exceptions import WorkflowError
    from snakemake.scheduling.greedy import SchedulerSettings as GreedySettings
    from snakemake.settings.enums import Quietness
    from snakemake.settings.types import (
        ConfigSettings,
        DAGSettings,
        ExecutionSettings,
        OutputSettings,
        ResourceSettings,
        SchedulingSettings,
    )  # fmt: skip
    from snakemake_interface_logger_plugins.registry import LoggerPluginRegistry
    from snakemake_interface_logger_plugins.settings import LogHandlerSettingsBase

    from nodeday import home, progress

    registry = LoggerPluginRegistry()
    if not registry.is_installed(progress.NAME):
        registry.register_plugin(progress.NAME, progress)
    output = OutputSettings(
        quiet={Quietness.ALL}, log_handler_settings={progress.NAME: LogHandlerSettingsBase()}
    )
    here = Path.cwd()
    try:
        with SnakemakeApi(output) as api:
            workflow = api.workflow(
                resource_settings=ResourceSettings(cores=cores),
                config_settings=ConfigSettings(config={"only": ",".join(sessions)}),
                snakefile=home.SNAKEFILE,
                workdir=root,
            )
            dag = workflow.dag(dag_settings=DAGSettings(targets={"all"}, force_incomplete=True))
            dag.execute_workflow(
                execution_settings=ExecutionSettings(keep_going=True, lock=True),
                scheduling_settings=SchedulingSettings(scheduler="greedy"),
                scheduler_settings=GreedySettings(),
            )
    except WorkflowError:
        return False
    finally:
        os.chdir(here)
    return True
