"""`nodeday check`: every problem of a study's settings, before a run."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from nodeday.cli.arguments import add_study
from nodeday.core.errors import GOOD, USAGE, SettingsError

if TYPE_CHECKING:
    from nodeday.config.study import Study

HELP = "every problem of the settings, with its remedy"
EXAMPLES = "nodeday check"


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the study."""
    add_study(parser)


def run(options: argparse.Namespace) -> int:
    """Print every problem: those of the study, or of all its sessions, first, then by session.

    Returns 2 where there is any.
    """
    from nodeday.config import checks
    from nodeday.config.study import Study

    of_files: list[SettingsError] = []
    study = Study(options.study, of_files)
    if not study.sessions and not of_files:
        sheet = str(study.root / "config/sessions.tsv")
        of_files.append(SettingsError("lists no sessions", sheet, "a row each"))
    of_sessions = {
        session: [
            *map(str, checks.problems(study, session, captures=True)),
            *_plan_problems(study, session),
            *_capture_problems(study, session),
        ]
        for session in study.sessions
    }
    shared = set.intersection(*map(set, of_sessions.values())) if len(of_sessions) > 1 else set[str]()
    of_study = [*map(str, of_files), *_ordered(shared, of_sessions)]
    _print("the study", "not ready", of_study)
    count = len(of_study)
    for session, problems in of_sessions.items():
        rest = [problem for problem in problems if problem not in shared]
        _print(session, "not ready" if rest else "ready, but for the study" if of_study else "ready", rest)
        count += len(rest)
    if not count:
        return GOOD
    ready = 0 if of_files else sum(not problems for problems in of_sessions.values())
    print(f"{count} problem{'s' * (count > 1)}; {ready} of {len(of_sessions)} sessions can run.")
    return USAGE


def _ordered(shared: set[str], of_sessions: dict[str, list[str]]) -> list[str]:
    """Return the shared problems in the order in which the first session has them."""
    return [problem for problem in next(iter(of_sessions.values()), []) if problem in shared]


def _print(name: str, state: str, problems: list[str]) -> None:
    if problems or name != "the study":
        print("\n".join([f"{name}: {state}", *(f"  {problem}" for problem in problems)]))


def _plan_problems(study: Study, session: str) -> list[str]:
    """Return what is wrong with the plan of a session that is to be simulated."""
    if session not in study.planned:
        return []
    from nodeday.config import checks
    from nodeday.stages.simulate.plan_check import check_plan
    from nodeday.stages.simulate.scenario import load_scenario

    try:
        plan = load_scenario(study.scenario).session(session)
        check_plan(plan, study.layout_of(session), study.nodes_of(session))
    except SettingsError as error:
        return [] if checks.problems(study, session, captures=False) else [str(error)]
    return []


def _capture_problems(study: Study, session: str) -> list[str]:
    """Return why the captures of a session cannot be decoded; nothing where its settings have a problem."""
    from nodeday.config import checks
    from nodeday.core.errors import NodedayError
    from nodeday.stages.frames.capture import refuse_without_frames

    if session in study.planned or checks.problems(study, session, captures=True):
        return []
    try:
        refuse_without_frames(study, session)
    except NodedayError as error:
        return [str(error)]
    return []
