"""`nodeday stage`: one stage of some sessions, as the rules of the workflow call it."""

from __future__ import annotations

import argparse
from types import ModuleType
from typing import TYPE_CHECKING, Any

from nodeday.cli.arguments import add_cores, add_study
from nodeday.core.errors import GOOD, ContractError, SettingsError, of_system

if TYPE_CHECKING:
    from nodeday.config.study import Study

HELP = "one stage of one session, as a run calls it"
EXAMPLES = "nodeday stage loss S01"
SIDE_BY_SIDE = ("loss", "clock")
"""Stages of a session that may run at one time: neither takes away why the other stopped. What comes after
both does."""


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the stage, its sessions, the cores and the study."""
    from nodeday.engine.stages import SEVERAL_CORES, STAGES

    # The last stage, `dataset`, is `nodeday export package`.
    names = [name for name in STAGES if name != "dataset"]
    parser.add_argument("stage", choices=names, help="which")
    parser.add_argument("sessions", nargs="*", metavar="SESSION", help="of the study")
    add_cores(parser, 1, f"to work on, in {', '.join(SEVERAL_CORES)}")
    add_study(parser)


def run(options: argparse.Namespace) -> int:
    """Run one stage. A session whose data break a contract leaves its sentence in results/failed/."""
    import importlib

    from nodeday.config.study import Study
    from nodeday.core import malloc
    from nodeday.engine import locks
    from nodeday.engine.recording import recorded
    from nodeday.engine.stages import STAGES

    malloc.keep()
    study, stage = Study(options.study), options.stage
    module = importlib.import_module(f".{STAGES[stage].modules[0]}", package="nodeday")
    more = {"cores": options.cores} if STAGES[stage].several_cores else {}
    with locks.stage(study.root):
        if stage == "study":
            with recorded(study, stage, sessions=options.sessions):
                module.run(study, options.sessions, **more)
        elif stage == "index":
            with recorded(study, stage, sessions=options.sessions):
                module.index(study, options.sessions)
        else:
            for session in options.sessions:
                _run_session(study, stage, module, session, more)
    return GOOD


def _run_session(study: Study, stage: str, module: ModuleType, session: str, more: dict[str, Any]) -> None:
    from nodeday.cli.commands.simulate import write_capture
    from nodeday.engine.account import failure_file, note_failure
    from nodeday.engine.recording import recorded

    if stage not in SIDE_BY_SIDE:
        failure_file(study.results, session).unlink(missing_ok=True)
    try:
        if stage == "simulate":
            write_capture(study, session)
        else:
            with recorded(study, stage, session):
                module.run(study, session, **more)
    except (ContractError, SettingsError) as error:
        note_failure(study, session, error)
        raise
    except OSError as error:
        note_failure(study, session, of_system(error))
        raise
