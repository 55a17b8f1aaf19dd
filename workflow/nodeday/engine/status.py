"""State of every stage of every session, from what the workflow would still make."""

from __future__ import annotations

import csv
import re
import subprocess
import sys
from collections import defaultdict
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from nodeday.config import checks
from nodeday.config.study import Study
from nodeday.core import paths
from nodeday.core.errors import NodedayError
from nodeday.engine.account import failure_file
from nodeday.engine.stages import CHAIN

STAGES = (*CHAIN, "report")
DONE, OUTDATED, TO_DO = "done", "outdated", "to do"
_WORST = (DONE, OUTDATED, TO_DO)
_OF_SESSION = re.compile(r"results/(?:report/|[^/]+/session=)([^/]+?)(?:\.html|/[^/]+)?")


def document(study: Study) -> dict[str, Any]:
    """Return the state of a study for programs; docs/programs.md has its schema.

    Each session has its stages with ``done``, ``outdated`` or ``to do``. ``why`` holds what keeps it from
    running, or why its last run stopped; then all its stages are to do. Reads no capture.
    """
    why = {session: _obstacles(study, session) for session in study.sessions}
    runnable = [session for session in study.sessions if not why[session]]
    states_of: dict[tuple[str, str], list[str]] = defaultdict(list)
    for row in output_files(study.root, runnable) if runnable else ():
        states_of[row["rule"], _session(row)].append(_state(row))
    sessions = []
    for session in study.sessions:
        states = {stage: max(states_of[stage, session] or [TO_DO], key=_WORST.index) for stage in STAGES}
        sessions.append({"session": session, "stages": states, "why": why[session]})
    return {
        "document": "nodeday status",
        "version": 1,
        "study": study.file.study,
        "folder": str(study.root),
        "sessions": sessions,
    }


def _obstacles(study: Study, session: str) -> list[str]:
    failure = failure_file(study.results, session)
    problems = [str(problem) for problem in checks.problems(study, session, captures=True)]
    return problems or ([failure.read_text().strip()] if failure.exists() else [])


def output_files(root: Path, sessions: list[str]) -> list[dict[str, str]]:
    """Return the workflow's summary, a row for each file that it would make of ``sessions``.

    Raises NodedayError where the workflow cannot be read.
    """
    command = [
        sys.executable,
        "-m",
        "snakemake",
        "--summary",
        "--nolock",
        "--snakefile",
        str(paths.SNAKEFILE),
        "--directory",
        str(root.resolve()),
        "--config",
        f"only={','.join(sessions)}",
    ]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    lines = done.stdout.splitlines()
    header = next((index for index, line in enumerate(lines) if line.startswith("output_file\t")), None)
    if done.returncode or header is None:
        last = (done.stderr.strip().splitlines() or ["without a word"])[-1]
        raise NodedayError(f"the workflow cannot say how far it is ({last})", str(root))
    return list(csv.DictReader(lines[header:], delimiter="\t", quoting=csv.QUOTE_NONE))


def _session(row: Mapping[str, str]) -> str:
    # By its path: of a stage that came to its end as its run was stopped the engine knows no more.
    match = _OF_SESSION.fullmatch(row["output_file"])
    return match[1] if match else ""


def _state(row: Mapping[str, str]) -> str:
    if row["plan"] == "no update":
        return DONE
    return TO_DO if row["status"] == "missing" else OUTDATED


def text(status: Mapping[str, Any]) -> str:
    """Return the state of a study for a person: a line for each session, and what a run would do."""
    sessions = status["sessions"]
    width = max([len("session"), *(len(row["session"]) for row in sessions)])
    lines = [f"{'session':<{width}}" + "".join(f"  {stage:<8}" for stage in STAGES)]
    for row in sessions:
        states = "".join(f"  {row['stages'][stage]:<8}" for stage in STAGES)
        lines += [f"{row['session']:<{width}}{states}", *(f"  {why}" for why in row["why"])]
    waiting = sum(state != DONE for row in sessions for state in row["stages"].values() if not row["why"])
    stopped = sum(bool(row["why"]) for row in sessions)
    lines.append("")
    lines.append(f"`nodeday run` has {waiting} stages to do." if waiting else "Nothing to do.")
    if stopped:
        lines.append(f"{stopped} of {len(sessions)} sessions cannot go on: see above.")
    return "\n".join(line.rstrip() for line in lines)
