"""State of every stage of every session, and why one is outdated: from the records of jobs."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from nodeday.config import checks
from nodeday.config.study import Study
from nodeday.engine import outdated
from nodeday.engine.account import failure_file
from nodeday.storage.hashes import KeptHashes

STAGES = outdated.OF_SESSION
DONE, OUTDATED, TO_DO = "done", "outdated", "to do"


def document(study: Study) -> dict[str, Any]:
    """Return the state of a study for programs; docs/programs.md has its schema.

    Each session has its stages with ``done``, ``outdated`` or ``to do``, and reasons for those that are not
    done. ``why`` holds what keeps it from running, or why its last run stopped; then all are to do.
    Writes nothing; reads the files that changed since they were last hashed.
    """
    why = {session: _obstacles(study, session) for session in study.sessions}
    runnable = [session for session in study.sessions if not why[session]]
    jobs = outdated.to_do(study, runnable, KeptHashes(study.root)) if runnable else []
    states = {(job.session, job.stage): TO_DO if job.absent else OUTDATED for job in jobs}
    sessions = []
    for session in study.sessions:
        usual = TO_DO if why[session] else DONE
        sessions.append(
            {
                "session": session,
                "stages": {stage: states.get((session, stage), usual) for stage in STAGES},
                "reasons": _reasons(jobs, session),
                "why": why[session],
            }
        )
    return {
        "document": "nodeday status",
        "version": 1,
        "study": study.file.study,
        "folder": str(study.root),
        "sessions": sessions,
        "of_study": {
            "stages": {
                stage: states.get(("", stage), DONE if runnable else TO_DO) for stage in outdated.OF_STUDY
            },
            "reasons": _reasons(jobs, ""),
        },
    }


def _reasons(jobs: list[outdated.ToDo], session: str) -> dict[str, str]:
    return {job.stage: job.why for job in jobs if job.session == session}


def _obstacles(study: Study, session: str) -> list[str]:
    failure = failure_file(study.results, session)
    problems = [str(problem) for problem in checks.problems(study, session, captures=True)]
    return problems or ([failure.read_text().strip()] if failure.exists() else [])


def text(status: Mapping[str, Any]) -> str:
    """Return the state of a study for a person: a line for each session, and what a run would do."""
    sessions, of_study = status["sessions"], status["of_study"]
    width = max([len("session"), *(len(row["session"]) for row in sessions)])
    lines = [f"{'session':<{width}}" + "".join(f"  {stage:<8}" for stage in STAGES)]
    for row in sessions:
        states = "".join(f"  {row['stages'][stage]:<8}" for stage in STAGES)
        lines += [f"{row['session']:<{width}}{states}", *(f"  {why}" for why in row["why"])]
        lines += _first_reasons(row)
    lines += _first_reasons(of_study)
    ready = [row for row in sessions if not row["why"]]
    waiting = sum(state != DONE for row in ready for state in row["stages"].values())
    waiting += sum(state != DONE for state in of_study["stages"].values()) if ready else 0
    stopped = sum(bool(row["why"]) for row in sessions)
    lines.append("")
    lines.append(f"`nodeday run` has {waiting} stages to do." if waiting else "Nothing to do.")
    if stopped:
        lines.append(f"{stopped} of {len(sessions)} sessions cannot go on: see above.")
    return "\n".join(line.rstrip() for line in lines)


def _first_reasons(row: Mapping[str, Any]) -> list[str]:
    """Return a line for each outdated stage, those left out that only follow or were not done yet."""
    return [
        f"  {stage}: {why}"
        for stage, why in row["reasons"].items()
        if (row["stages"].get(stage) != TO_DO and not why.startswith("follows from "))
        or why.endswith(" is absent")
    ]
