"""`nodeday status`: how far each session is, and what a run would still do."""

from __future__ import annotations

import argparse
import csv
import json
import re
import subprocess
import sys
from collections import defaultdict
from pathlib import Path
from typing import Any

from nodeday.config import checks
from nodeday.config.study import Study
from nodeday.core import paths
from nodeday.core.errors import GOOD, NodedayError

STAGES = ("frames", "loss", "clock", "repair", "features", "report")
DONE, OUTDATED, TO_DO = "done", "outdated", "to do"
_WORST = (DONE, OUTDATED, TO_DO)
_OF_SESSION = re.compile(r"results/(?:report/|[^/]+/session=)([^/]+?)(?:\.html|/[^/]+)?")


def status(options: argparse.Namespace) -> int:
    """Print a line for each session. Reads no capture and changes nothing."""
    study = Study(options.study)
    found = standing(study)
    if options.json:
        about = {
            "document": "nodeday status",
            "version": 1,
            "study": study.file.study,
            "folder": str(study.root),
        }
        print(json.dumps({**about, "sessions": found}, indent=2))
    else:
        print("\n".join(_lines(found)))
    return GOOD


def standing(study: Study) -> list[dict[str, Any]]:
    """For each session: its stages with ``done``, ``outdated`` or ``to do``; ``why`` holds what keeps a
    session from running, or why its last run stopped, and then its stages are all to do.
    """
    why = {session: _obstacles(study, session) for session in study.sessions}
    going = [session for session in study.sessions if not why[session]]
    states_of: dict[tuple[str, str], list[str]] = defaultdict(list)
    for row in _files(study.root, going) if going else ():
        states_of[row["rule"], _session(row)].append(_state(row))
    found = []
    for session in study.sessions:
        states = {stage: max(states_of[stage, session] or [TO_DO], key=_WORST.index) for stage in STAGES}
        found.append({"session": session, "stages": states, "why": why[session]})
    return found


def _obstacles(study: Study, session: str) -> list[str]:
    failed = study.results / "failed" / f"{session}.txt"
    problems = [str(each) for each in checks.problems(study, session)]
    return problems or ([failed.read_text().strip()] if failed.exists() else [])


def _files(root: Path, sessions: list[str]) -> list[dict[str, str]]:
    """The workflow's own account of each file that it would make of ``sessions``."""
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
    if done.returncode:
        last = (done.stderr.strip().splitlines() or ["without a word"])[-1]
        raise NodedayError(f"the workflow cannot say how far it is ({last})", str(root))
    lines = done.stdout.splitlines()
    head = next((at for at, line in enumerate(lines) if line.startswith("output_file\t")), len(lines))
    return list(csv.DictReader(lines[head:], delimiter="\t", quoting=csv.QUOTE_NONE))


def _session(row: dict[str, str]) -> str:
    # By its path: of a stage that came to its end as its run was stopped the engine knows no more.
    match = _OF_SESSION.fullmatch(row["output_file"])
    return match[1] if match else ""


def _state(row: dict[str, str]) -> str:
    if row["plan"] == "no update":
        return DONE
    return TO_DO if row["status"] == "missing" else OUTDATED


def _lines(found: list[dict[str, Any]]) -> list[str]:
    width = max([len("session"), *(len(each["session"]) for each in found)])
    lines = [f"{'session':<{width}}" + "".join(f"  {stage:<8}" for stage in STAGES)]
    for each in found:
        lines.append(
            f"{each['session']:<{width}}" + "".join(f"  {each['stages'][stage]:<8}" for stage in STAGES)
        )
        lines += [f"  {why}" for why in each["why"]]
    waiting = sum(state != DONE for each in found for state in each["stages"].values() if not each["why"])
    stopped = sum(bool(each["why"]) for each in found)
    lines.append("")
    lines.append(f"`nodeday run` has {waiting} stages to do." if waiting else "Nothing to do.")
    if stopped:
        lines.append(f"{stopped} of {len(found)} sessions cannot go on: see above.")
    return [line.rstrip() for line in lines]
