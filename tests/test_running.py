"""The account of a run: why sessions stopped or were left out, and its text for a person."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from nodeday.config.study import Study
from nodeday.core import errors
from nodeday.core.errors import SettingsError
from nodeday.engine import account
from nodeday.engine.account import LONGEST
from nodeday.engine.events import Job
from nodeday.engine.snakemake_run import RunOutcome

Maker = Callable[..., Path]
LOG = "results/logs/S1/repair.log"


def reasons(folder: Path, *failed: Job) -> tuple[int, list[str], list[str]]:
    """Exit code, why session S1 stopped, why the study did."""
    document = account.document(Study(folder), {"S1": []}, RunOutcome([], list(failed)))
    return document["exit_code"], document["sessions"][0]["why"], document["why"]


def test_the_last_lines_of_the_log_are_in_the_message(study_folder: Maker) -> None:
    folder = study_folder()
    log = folder / LOG
    log.parent.mkdir(parents=True)
    log.write_text("".join(f"line {n}\n" for n in range(20)) + "MemoryError\n\n")
    code, why, of_study = reasons(folder, Job("S1", "repair", LOG))
    assert code == errors.FAULT
    assert of_study == []
    assert why == [
        f"session S1: stage repair stopped. Its log {log} ends:\n"
        "    line 16\n    line 17\n    line 18\n    line 19\n    MemoryError"
    ]


def test_a_job_that_was_killed_has_no_last_words(study_folder: Maker) -> None:
    folder = study_folder()
    sentence = "session S1: stage repair stopped without a word. Was it killed, or out of memory?"
    assert reasons(folder, Job("S1", "repair", LOG))[:2] == (errors.FAULT, [sentence])


def test_a_sentence_that_a_stage_left_goes_before_its_log(study_folder: Maker) -> None:
    folder = study_folder()
    failed = folder / "results" / "failed" / "S1.txt"
    failed.parent.mkdir(parents=True)
    failed.write_text("session S1: too little.\n")
    assert reasons(folder, Job("S1", "repair", LOG))[:2] == (errors.CONTRACT, ["session S1: too little."])


def test_stages_of_the_study_are_kept_apart(study_folder: Maker) -> None:
    folder = study_folder()
    log = folder / "results" / "logs" / "study.log"
    log.parent.mkdir(parents=True)
    log.write_text("KeyError: 'x'\n")
    code, why, of_study = reasons(folder, Job("", "study", "results/logs/study.log"))
    assert code == errors.FAULT
    assert why == ["session S1 was not reached, because another job failed."]
    assert of_study == [f"the study's stage study stopped. Its log {log} ends:\n    KeyError: 'x'"]


def test_sessions_left_out_are_usage(study_folder: Maker) -> None:
    study = Study(study_folder())
    obstacles = {"S1": [SettingsError("no capture", "session S1")]}
    document = account.document(study, obstacles, RunOutcome([], []))
    assert (document["exit_code"], document["sessions"][0]["state"]) == (errors.USAGE, "left_out")
    assert document["sessions"][0]["why"] == ["session S1: no capture."]
    assert account.complaints(document) == ["left out: session S1: no capture."]
    assert account.text(document).splitlines() == [
        "0 of 1 session finished, 1 left out.",
        f"Next: `nodeday check --study {study.root}` lists what to put right; then run again.",
    ]


def test_what_stopped_a_session_is_a_complaint_and_advice(study_folder: Maker) -> None:
    folder = study_folder()
    failed = [Job("S1", "repair", LOG), Job("", "study", "results/logs/study.log")]
    document = account.document(Study(folder), {"S1": []}, RunOutcome([], failed))
    lost = "stopped without a word. Was it killed, or out of memory?"
    assert account.complaints(document) == [
        f"session S1 stopped: session S1: stage repair {lost}",
        f"the study's stage study {lost}",
    ]
    assert account.text(document).splitlines() == [
        "0 of 1 session finished, 1 stopped.",
        "Next: put right what stopped a session, see below; only that will be done again.",
    ]


@pytest.mark.parametrize("sessions", [LONGEST // 2, 200])
def test_the_text_of_a_large_study_holds_what_falls_short(sessions: int) -> None:
    def node(name: str, verdict: str) -> dict[str, object]:
        return {
            "node": name,
            "hours": 1.0,
            "coverage": 0.5,
            "frames_lost": 3,
            "frame_loss": 0.01,
            "verdict": verdict,
        }

    finished = [
        {
            "session": f"S{n:03}",
            "nodes": [node("heart", "usable"), node("wrist", "limited" if n == 7 else "usable")],
        }
        for n in range(sessions)
    ]
    rows = [row | {"state": "finished"} for row in finished]
    text = account.text({"sessions": rows, "folder": ".", "index": None})
    lines = text.split("\n\n")[0].lstrip("\n").splitlines()
    assert sum("limited" in line for line in lines) == 1
    assert len(lines) == (2 * sessions + 1 if sessions == LONGEST // 2 else 3)
    if sessions == 200:
        assert lines[-1] == "399 of 400 nodes are usable: see the pages for all."
