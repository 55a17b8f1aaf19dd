"""`nodeday run`: the sessions that are ready through the chain, and an account of all."""

from __future__ import annotations

import argparse
import gc
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from nodeday.cli.arguments import add_cores, add_json, add_study
from nodeday.core.errors import SettingsError

if TYPE_CHECKING:
    from nodeday.config.study import Study
    from nodeday.engine.snakemake_run import RunOutcome

HELP = "captures to tables and pages"
EXAMPLES = "nodeday run --cores 4"
JOBS = (sys.executable, "-m", "nodeday", "serve")
"""Starts the process that runs the jobs: see cli/serve.py. The address comes after it."""


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the study, the cores and the form of the output."""
    add_study(parser)
    add_cores(parser)
    add_json(parser, "for programs: one document on standard output, nothing else there")


def run(options: argparse.Namespace) -> int:
    """Run the workflow on every session that is ready."""
    return run_study(options.study, options.cores, as_json=options.json)


def run_study(folder: Path, cores: int, *, as_json: bool = False) -> int:
    """Run a study, print its account and return the exit code.

    Raises SettingsError for a study whose settings cannot be read.
    """
    import json

    from nodeday.engine import prefork

    # Stages import their libraries while this process imports its own and reads the settings.
    with prefork.stages(JOBS), _no_collection():
        study, obstacles, outcome = _run(folder, cores)

    from nodeday.engine import account

    document = account.document(study, obstacles, outcome)
    if as_json:
        print(json.dumps(document, indent=2))
    else:
        print(account.text(document), flush=True)
        for complaint in account.complaints(document):
            print(f"nodeday: {complaint}", file=sys.stderr)
    return int(document["exit_code"])


@contextmanager
def _no_collection() -> Iterator[None]:
    """Stop the search for garbage: a run makes many modules and jobs, and keeps them all."""
    gc.disable()
    try:
        yield
    finally:
        gc.freeze()
        gc.enable()


def _run(folder: Path, cores: int) -> tuple[Study, dict[str, list[SettingsError]], RunOutcome]:
    """Return the study, what keeps each of its sessions from running, and the outcome of the others."""
    from nodeday.config import checks
    from nodeday.config.study import Study
    from nodeday.engine import snakemake_run
    from nodeday.engine.account import failure_file, note_failure

    study = Study(folder)
    if not study.sessions:
        raise SettingsError("lists no sessions", str(folder / "config" / "sessions.tsv"), "a row each")
    obstacles = {name: checks.problems(study, name, captures=True) for name in study.sessions}
    ready = [name for name, problems in obstacles.items() if not problems]
    for name, problems in obstacles.items():
        if problems:
            note_failure(study, name, problems[0])
        else:  # of an earlier run; the stage that stopped then is made again now
            failure_file(study.results, name).unlink(missing_ok=True)
    outcome = snakemake_run.run(folder.resolve(), ready, cores) if ready else snakemake_run.RunOutcome([], [])
    return study, obstacles, outcome
