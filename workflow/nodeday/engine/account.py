"""Account of a run: the state of every session, as a document for programs and as text for people."""

from __future__ import annotations

import shutil
from collections.abc import Mapping, Sequence
from math import isnan
from pathlib import Path
from typing import TYPE_CHECKING, Any

from nodeday.core import atomic
from nodeday.core.errors import CONTRACT, FAULT, GOOD, USAGE, NodedayError
from nodeday.core.percent import percent

if TYPE_CHECKING:
    from nodeday.config.study import Study
    from nodeday.engine.events import Job
    from nodeday.engine.snakemake_run import RunOutcome

TAIL = 5
"""Lines of a failed job's log that its message repeats."""
FULL_BYTES = 1 << 20
"""With less than this a disk is too full for a stage to write why it stopped."""
LONGEST = 40
"""Rows of nodes that the text holds; of a larger study it holds only nodes that fall short."""


def document(
    study: Study, obstacles: Mapping[str, Sequence[NodedayError]], outcome: RunOutcome
) -> dict[str, Any]:
    """Return the account of a run for programs; docs/programs.md has its schema.

    ``obstacles`` are the problems that kept each session from running, none where it ran.
    """
    nodes = _nodes(study) if outcome.finished else {}
    sessions = []
    for name, row in study.sessions.items():
        job = next((job for job in outcome.failed if job.session == name), None)
        state = "left_out" if obstacles[name] else "finished" if name in outcome.finished else "stopped"
        why = [str(problem) for problem in obstacles[name]]
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
    of_study = [job for job in outcome.failed if not job.session]
    index = study.results / "report" / "index.html"
    return {
        "document": "nodeday run",
        "version": 1,
        "study": study.file.study,
        "folder": str(study.root),
        "exit_code": _exit_code(study, sessions, of_study),
        "why": [
            f"the study's stage {job.stage} stopped{_end_of_log(study.root / job.log)}" for job in of_study
        ],
        "index": str(index) if index.is_file() else None,
        "sessions": sessions,
    }


def _exit_code(study: Study, sessions: list[dict[str, Any]], of_study: list[Job]) -> int:
    """Return the code of a run: a fault goes before broken contracts, and these before settings."""
    stopped = [row["session"] for row in sessions if row["state"] == "stopped"]
    if of_study or not all(failure_file(study.results, name).exists() for name in stopped):
        return FAULT
    if stopped:
        return CONTRACT
    return USAGE if any(row["state"] == "left_out" for row in sessions) else GOOD


def _reason(study: Study, session: str, job: Job | None) -> str:
    """Return the sentence that a session left behind, else how its stage's log ends."""
    failure = failure_file(study.results, session)
    if failure.exists():
        return failure.read_text(encoding="utf-8").strip()
    if job is None:
        return f"session {session} was not reached, because another job failed."
    return f"session {session}: stage {job.stage} stopped{_end_of_log(study.root / job.log)}"


def _end_of_log(log: Path) -> str:
    """Return how a log ends, in words that go on from "stage X stopped"."""
    lines = log.read_text(encoding="utf-8", errors="replace").strip().splitlines() if log.is_file() else []
    if not lines:
        left = shutil.disk_usage(log.parent if log.parent.is_dir() else Path()).free
        why = f"Its disk has {left} bytes left." if left < FULL_BYTES else "Was it killed, or out of memory?"
        return f" without a word. {why}"
    return f". Its log {log} ends:\n" + "\n".join(f"    {line}" for line in lines[-TAIL:])


def _nodes(study: Study) -> dict[str, list[dict[str, Any]]]:
    """Return by session the hours, both shares and verdict of each node, from the study's table."""
    from nodeday.storage import shares, tables

    path = tables.path(study.results, "sessions")
    nodes: dict[str, list[dict[str, Any]]] = {}
    if path.exists():
        for row in tables.read(path, "sessions").itertuples():
            coverage, lost = float(str(row.coverage)), int(str(row.frames_lost))
            loss = shares.frame_loss(lost, int(str(row.frames_received)))
            nodes.setdefault(str(row.session), []).append(
                {
                    "node": str(row.node),
                    "hours": round(float(str(row.hours)), 4),
                    "coverage": None if isnan(coverage) else coverage,
                    "frames_lost": lost,
                    "frame_loss": None if isnan(loss) else loss,
                    "verdict": str(row.verdict),
                }
            )
    return nodes


def failure_file(results: Path, session: str) -> Path:
    """Return the file that holds why the last run of a session stopped."""
    return results / "failed" / f"{session}.txt"


def note_failure(study: Study, session: str, problem: NodedayError) -> None:
    """Keep why a session stopped, without the path of the study: pages are the same in any folder."""
    inside = f"{study.root}/" if study.root.name else ""
    sentence = str(problem).replace(inside, "") if inside else str(problem)
    atomic.write_text(failure_file(study.results, session), f"{sentence}\n")


def text(account: Mapping[str, Any]) -> str:
    """Return the account for a person: its nodes, where the results are, counts and what to do next."""
    finished, stopped, left_out = (_in_state(account, name) for name in ("finished", "stopped", "left_out"))
    lines = []
    if finished:
        lines += [
            *_node_table(finished),
            f"\nPages    {account['index'] or 'none'}, and one for each session next to it",
            f"Tables   {Path(account['folder']) / 'results'}/<table>/session=<session>/<table>.parquet",
            "         `nodeday explain WORD` says what a column or a code in them means\n",
        ]
    total = len(account["sessions"])
    counts = [
        f", {len(rows)} {words}" for rows, words in ((stopped, "stopped"), (left_out, "left out")) if rows
    ]
    lines.append(f"{len(finished)} of {total} session{'s' * (total != 1)} finished{''.join(counts)}.")
    study = "" if account["folder"] == "." else f" --study {account['folder']}"
    short = [row["session"] for row in finished if any(map(_falls_short, row["nodes"]))]
    if short:
        lines.append(f"Next: `nodeday audit {short[0]}{study}` says what was lost there and why.")
    if left_out:
        lines.append(f"Next: `nodeday check{study}` lists what to put right; then run again.")
    if stopped:
        lines.append("Next: put right what stopped a session, see below; only that will be done again.")
    return "\n".join(lines)


def complaints(account: Mapping[str, Any]) -> list[str]:
    """Return a sentence for each problem: sessions left out, then those stopped, then the study's own."""
    return [
        *(f"left out: {why}" for row in _in_state(account, "left_out") for why in row["why"]),
        *(f"session {row['session']} stopped: {row['why'][0]}" for row in _in_state(account, "stopped")),
        *account["why"],
    ]


def _in_state(account: Mapping[str, Any], state: str) -> list[dict[str, Any]]:
    return [row for row in account["sessions"] if row["state"] == state]


def _falls_short(node: Mapping[str, Any]) -> bool:
    return bool(node["verdict"] != "usable")


def _node_table(finished: list[dict[str, Any]]) -> list[str]:
    """Return a line for each node of the finished sessions; in a large study only those that fall short."""
    from nodeday.storage.shares import COVERAGE, FRAME_LOSS

    rows = [(row["session"], node) for row in finished for node in row["nodes"]]
    short = [(session, node) for session, node in rows if _falls_short(node)]
    shown = rows if len(rows) <= LONGEST else short[:LONGEST]
    width = max([len("session"), *(len(session) for session, _ in shown)])
    head = f"{'hours':>6} {'coverage':>9} {'frames lost':>12} {'frame loss':>11}"
    lines = [f"\n{'session':<{width}}  {'node':<8} {head}  verdict"]
    for session, node in shown:
        coverage, loss = percent(node["coverage"]), percent(node["frame_loss"])
        lines.append(
            f"{session:<{width}}  {node['node']:<8} {node['hours']:>6.2f} {coverage:>9} "
            f"{node['frames_lost']:>12} {loss:>11}  {node['verdict'].replace('_', ' ')}"
        )
    if len(rows) > len(shown):
        lines.append(f"{len(rows) - len(short)} of {len(rows)} nodes are usable: see the pages for all.")
    return [*lines, f"\nCoverage: {COVERAGE}.", f"Frame loss: {FRAME_LOSS}."]
