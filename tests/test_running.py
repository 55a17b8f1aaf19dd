"""What a run says of jobs that failed: the sentence they left, else how their log ends."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from nodeday.config.study import Study
from nodeday.core import errors
from nodeday.core.errors import SettingsError
from nodeday.engine.account import LONGEST, _table, account
from nodeday.engine.events import Job
from nodeday.engine.snakemake_run import RunOutcome

Maker = Callable[..., Path]
LOG = "results/logs/S1/repair.log"


def told(folder: Path, *failed: Job) -> tuple[int, list[str], list[str]]:
    found = account(Study(folder), {"S1": []}, RunOutcome([], list(failed)))
    return found["exit_code"], found["sessions"][0]["why"], found["why"]


def test_the_last_lines_of_the_log_are_in_the_message(study_folder: Maker) -> None:
    folder = study_folder()
    log = folder / LOG
    log.parent.mkdir(parents=True)
    log.write_text("".join(f"line {n}\n" for n in range(20)) + "MemoryError\n\n")
    code, why, own = told(folder, Job("S1", "repair", LOG))
    assert code == errors.FAULT
    assert own == []
    assert why == [
        f"session S1: stage repair stopped. Its log {log} ends:\n"
        "    line 16\n    line 17\n    line 18\n    line 19\n    MemoryError"
    ]


def test_a_job_that_was_killed_has_no_last_words(study_folder: Maker) -> None:
    folder = study_folder()
    sentence = "session S1: stage repair stopped without a word. Was it killed, or out of memory?"
    assert told(folder, Job("S1", "repair", LOG))[:2] == (errors.FAULT, [sentence])


def test_a_sentence_that_a_stage_left_goes_before_its_log(study_folder: Maker) -> None:
    folder = study_folder()
    failed = folder / "results" / "failed" / "S1.txt"
    failed.parent.mkdir(parents=True)
    failed.write_text("session S1: too little.\n")
    assert told(folder, Job("S1", "repair", LOG))[:2] == (errors.CONTRACT, ["session S1: too little."])


def test_the_study_s_own_stage_are_told_apart(study_folder: Maker) -> None:
    folder = study_folder()
    log = folder / "results" / "logs" / "study.log"
    log.parent.mkdir(parents=True)
    log.write_text("KeyError: 'x'\n")
    code, why, own = told(folder, Job("", "study", "results/logs/study.log"))
    assert code == errors.FAULT
    assert why == ["session S1 was not reached, because another job failed."]
    assert own == [f"the study's stage study stopped. Its log {log} ends:\n    KeyError: 'x'"]


def test_sessions_left_out_are_usage(study_folder: Maker) -> None:
    study = Study(study_folder())
    found = account(study, {"S1": [SettingsError("no capture", "session S1")]}, RunOutcome([], []))
    assert (found["exit_code"], found["sessions"][0]["state"]) == (errors.USAGE, "left_out")
    assert found["sessions"][0]["why"] == ["session S1: no capture."]


@pytest.mark.parametrize("sessions", [LONGEST // 2, 200])
def test_a_large_study_is_told_by_what_falls_short(sessions: int) -> None:
    def node(name: str, verdict: str) -> dict[str, object]:
        return {"node": name, "hours": 1.0, "coverage": 0.5, "frames_lost": 3, "verdict": verdict}

    finished = [
        {
            "session": f"S{n:03}",
            "nodes": [node("heart", "usable"), node("wrist", "limited" if n == 7 else "usable")],
        }
        for n in range(sessions)
    ]
    lines = _table(finished)
    assert sum("limited" in line for line in lines) == 1
    assert len(lines) == (2 * sessions + 1 if sessions == LONGEST // 2 else 3)
    if sessions == 200:
        assert lines[-1] == "399 of 400 nodes are usable: see the pages for all."
