"""`nodeday run`: the sessions that are ready through the chain, and an account of what came of all."""

from __future__ import annotations

import argparse
import gc
import json
import shutil
import sys
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

from nodeday.core import atomic
from nodeday.core.errors import CONTRACT, FAULT, GOOD, USAGE, NodedayError, SettingsError

if TYPE_CHECKING:
    from nodeday.config.study import Study
    from nodeday.engine.events import Job
    from nodeday.engine.snakemake_run import RunOutcome

TAIL = 5
"""Lines of a failed job's log that its message repeats."""
FULL_BYTES = 1 << 20
"""With less than this a disk is too full for what a stage would say of it."""
LONGEST = 40
"""Rows of nodes that the summary prints; a larger study is told by those that fall short."""


def run(options: argparse.Namespace) -> int:
    """Run the workflow on every session that is ready."""
    return run_study(options.study, options.cores, as_json=options.json)


def run_study(folder: Path, cores: int, *, as_json: bool = False) -> int:
    """Run a study and print its account; return the exit code. Raises SettingsError for a study whose
    settings cannot be read.
    """
    from nodeday.engine import prefork

    # Stages read their libraries while this process reads its own, and the settings.
    with prefork.stages(), _uncollected():
        study, left_out, outcome = _run(folder, cores)
    found = account(study, left_out, outcome)
    if as_json:
        print(json.dumps(found, indent=2))
    else:
        _tell(found)
    return int(found["exit_code"])


@contextmanager
def _uncollected() -> Iterator[None]:
    """No search for garbage among modules and jobs: a run makes many of them, and keeps them all."""
    gc.disable()
    try:
        yield
    finally:
        gc.freeze()
        gc.enable()


def _run(folder: Path, cores: int) -> tuple[Study, dict[str, list[SettingsError]], RunOutcome]:
    """The study, what keeps each of its sessions from running, and what came of the others."""
    from nodeday.config import checks
    from nodeday.config.study import Study
    from nodeday.engine import snakemake_run

    study = Study(folder)
    if not study.sessions:
        raise SettingsError("lists no sessions", str(folder / "config" / "sessions.tsv"), "a row each")
    left_out = {name: checks.problems(study, name) for name in study.sessions}
    ready = [name for name, problems in left_out.items() if not problems]
    for name, problems in left_out.items():
        if problems:
            note_failure(study, name, problems[0])
        else:  # of an earlier run; the stage that stopped then is made again now
            (study.results / "failed" / f"{name}.txt").unlink(missing_ok=True)
    outcome = snakemake_run.run(folder.resolve(), ready, cores) if ready else snakemake_run.RunOutcome([], [])
    return study, left_out, outcome


def account(
    study: Study, left_out: Mapping[str, Sequence[NodedayError]], outcome: RunOutcome
) -> dict[str, Any]:
    """What came of a run, for programs; DEVELOPERS.md has its schema."""
    nodes = _nodes(study) if outcome.finished else {}
    sessions = []
    for name, row in study.sessions.items():
        job = next((each for each in outcome.failed if each.session == name), None)
        state = "left_out" if left_out[name] else "finished" if name in outcome.finished else "stopped"
        why = [str(each) for each in left_out[name]]
        if state == "stopped":
            why = [_reason(study, name, job)]
        page = study.results / "report" / f"{name}.html"
        sessions.append(
            {
                "session": name,
                "participant": row.participant,
                "state": state,
                "why": why,
                "log": str(study.root / job.log) if state == "stopped" and job and job.log else None,
                "page": str(page) if state == "finished" and page.is_file() else None,
                "nodes": nodes.get(name, []) if state == "finished" else [],
            }
        )
    own = [job for job in outcome.failed if not job.session]
    index = study.results / "report" / "index.html"
    return {
        "document": "nodeday run",
        "version": 1,
        "study": study.file.study,
        "folder": str(study.root),
        "exit_code": _code(study, sessions, own),
        "why": [f"the study's stage {job.stage} stopped{_last_words(study.root / job.log)}" for job in own],
        "index": str(index) if index.is_file() else None,
        "sessions": sessions,
    }


def _code(study: Study, sessions: list[dict[str, Any]], own: list[Job]) -> int:
    """A fault goes before broken contracts, and these before settings."""
    stopped = [each["session"] for each in sessions if each["state"] == "stopped"]
    if own or not all((study.results / "failed" / f"{name}.txt").exists() for name in stopped):
        return FAULT
    if stopped:
        return CONTRACT
    return USAGE if any(each["state"] == "left_out" for each in sessions) else GOOD


def _reason(study: Study, session: str, job: Job | None) -> str:
    """The sentence that the session left behind, else how its stage's log ends."""
    failed = study.results / "failed" / f"{session}.txt"
    if failed.exists():
        return failed.read_text(encoding="utf-8").strip()
    if job is None:
        return f"session {session} was not reached, because another job failed."
    return f"session {session}: stage {job.stage} stopped{_last_words(study.root / job.log)}"


def _last_words(log: Path) -> str:
    """How a log ends, to be read on after "stage X stopped"."""
    lines = log.read_text(encoding="utf-8", errors="replace").strip().splitlines() if log.is_file() else []
    if not lines:
        left = shutil.disk_usage(log.parent if log.parent.is_dir() else Path()).free
        why = f"Its disk has {left} bytes left." if left < FULL_BYTES else "Was it killed, or out of memory?"
        return f" without a word. {why}"
    return f". Its log {log} ends:\n" + "\n".join(f"    {line}" for line in lines[-TAIL:])


def _nodes(study: Study) -> dict[str, list[dict[str, Any]]]:
    """What became of each node, by session, from the study's table."""
    from nodeday.storage import tables

    path = tables.path(study.results, "sessions")
    found: dict[str, list[dict[str, Any]]] = {}
    if path.exists():
        for row in tables.read(path, "sessions").itertuples():
            found.setdefault(str(row.session), []).append(
                {
                    "node": str(row.node),
                    "hours": round(float(str(row.hours)), 4),
                    "coverage": round(float(str(row.coverage)), 6),
                    "frames_lost": int(str(row.frames_lost)),
                    "verdict": str(row.verdict),
                }
            )
    return found


def note_failure(study: Study, session: str, problem: NodedayError) -> None:
    """Keep the sentence, without the place of the study's folder: pages are the same wherever it lies."""
    failed = study.results / "failed" / f"{session}.txt"
    inside = f"{study.root}/" if study.root.name else ""
    atomic.write_text(failed, f"{str(problem).replace(inside, '') if inside else problem}\n")


def _tell(found: dict[str, Any]) -> None:
    """The account for a person: what there is on standard output, then what is wrong on the other."""
    by_state: dict[str, list[dict[str, Any]]] = {"finished": [], "stopped": [], "left_out": []}
    for each in found["sessions"]:
        by_state[each["state"]].append(each)
    if by_state["finished"]:
        print("\n".join(_table(by_state["finished"])))
        print(f"\nPages    {found['index'] or 'none'}, and one for each session beside it")
        print(f"Tables   {Path(found['folder']) / 'results'}/<table>/session=<session>/<table>.parquet")
        print("         `nodeday explain WORD` says what a column or a code in them means\n")
    of = len(found["sessions"])
    counts = [
        f", {len(by_state[state])} {words}"
        for state, words in (("stopped", "stopped"), ("left_out", "left out"))
        if by_state[state]
    ]
    print(f"{len(by_state['finished'])} of {of} session{'s' * (of != 1)} finished{''.join(counts)}.")
    for line in _advice(found, by_state):
        print(line)
    sys.stdout.flush()
    for each in by_state["left_out"]:
        for why in each["why"]:
            print(f"nodeday: left out: {why}", file=sys.stderr)
    for each in by_state["stopped"]:
        print(f"nodeday: session {each['session']} stopped: {each['why'][0]}", file=sys.stderr)
    for why in found["why"]:
        print(f"nodeday: {why}", file=sys.stderr)


def _table(finished: list[dict[str, Any]]) -> list[str]:
    rows = [(each["session"], node) for each in finished for node in each["nodes"]]
    short = [(session, node) for session, node in rows if node["verdict"] != "usable"]
    shown = rows if len(rows) <= LONGEST else short[:LONGEST]
    wide = max([len("session"), *(len(session) for session, _ in shown)])
    lines = [f"\n{'session':<{wide}}  {'node':<8} {'hours':>6} {'coverage':>9} {'lost':>7}  verdict"]
    for session, node in shown:
        lines.append(
            f"{session:<{wide}}  {node['node']:<8} {node['hours']:>6.2f} {node['coverage']:>8.1%} "
            f"{node['frames_lost']:>7}  {node['verdict']}"
        )
    if len(rows) > len(shown):
        lines.append(f"{len(rows) - len(short)} of {len(rows)} nodes are usable: see the pages for all.")
    return lines


def _advice(found: dict[str, Any], by_state: dict[str, list[dict[str, Any]]]) -> list[str]:
    """What to do next, where there is something."""
    study = "" if found["folder"] == "." else f" --study {found['folder']}"
    lines = []
    short = [
        each["session"]
        for each in by_state["finished"]
        if any(node["verdict"] != "usable" for node in each["nodes"])
    ]
    if short:
        lines.append(f"Next: `nodeday audit {short[0]}{study}` says what was lost there and why.")
    if by_state["left_out"]:
        lines.append(f"Next: `nodeday check{study}` lists what to put right; then run again.")
    if by_state["stopped"]:
        lines.append("Next: put right what stopped a session, told below; only that will be done again.")
    return lines
