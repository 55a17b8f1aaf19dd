"""`nodeday simulate`: captures of planned sessions, with their truth."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from nodeday.cli.arguments import add_study
from nodeday.core.errors import GOOD, SettingsError

if TYPE_CHECKING:
    from nodeday.config.study import Study

HELP = "captures of planned sessions, with their truth"
EXAMPLES = "nodeday simulate"


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the study."""
    add_study(parser)


def run(options: argparse.Namespace) -> int:
    """Simulate the captures that config/scenario.yaml plans.

    Raises SettingsError where there is no plan, or where a capture is a recorded one.
    """
    from nodeday.config.checks import refuse_recorded
    from nodeday.config.study import Study

    study = Study(options.study)
    if not study.planned:
        raise SettingsError("no such file", str(study.scenario), "a plan of the sessions to simulate")
    for session in sorted(study.planned & set(study.sessions)):
        refuse_recorded(study, session)
        write_capture(study, session)
        print(f"{session}: captures/{session}.bin and its truth, captures/{session}.truth.npz")
    return GOOD


def write_capture(study: Study, session: str) -> None:
    """Simulate the capture of one session."""
    from nodeday.engine.recording import recorded
    from nodeday.stages.simulate.stage import run as simulate_session

    with recorded(study, "simulate", session):
        simulate_session(study.root, session)
    # The capture was made anew on purpose, so its recorded digest no longer binds.
    (study.results / "captures" / f"{session}.json").unlink(missing_ok=True)
