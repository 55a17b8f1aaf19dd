"""What each job reads and writes, as paths from the study's folder: of files, and of folders of streams."""

from __future__ import annotations

from collections.abc import Sequence

from nodeday.config.study import Study
from nodeday.engine import rule_files
from nodeday.engine.rule_params import same_participant
from nodeday.engine.stages import CHAIN, STAGES, Scope

SCENARIO = "config/scenario.yaml"


def inputs(study: Study, stage: str, session: str) -> list[str]:
    """Return files that a job reads and no stage writes: captures, layouts, transmit lists, the scenario."""
    if stage == "frames":
        return [*rule_files.captures(study, session), *rule_files.layouts(study, session)]
    if stage == "loss":
        return rule_files.sent_lists(study, session)
    if stage == "simulate":
        return [SCENARIO, *rule_files.layouts(study, session)]
    return []


def results_read(study: Study, stage: str, session: str, sessions: Sequence[str]) -> list[tuple[str, str]]:
    """Return what a job reads of results: path, and the session that it is of, none for the study's.

    ``sessions`` are those of the run, for a job of the whole study. What a page repeats of the study's tables
    is left out: it follows from the settings and from the tables of the participant's sessions.
    """
    reads = STAGES[stage].reads
    ledgers = rule_files.ledgers() if "ledger" in reads else []
    own = [session] if STAGES[stage].scope is Scope.SESSION else sessions
    patterns = [*rule_files.session_tables(reads), *ledgers]
    found = [(pattern.format(session=name), name) for name in own for pattern in patterns]
    if stage == "report":
        epochs, others = rule_files.table("epochs"), same_participant(study, session)
        found += [(epochs.format(session=name), name) for name in others if name != session]
    if stage == "index":
        found += [(path, "") for path in rule_files.study_tables(reads)]
    return found


def outputs(study: Study, stage: str, session: str, sessions: Sequence[str]) -> list[str]:
    """Return what a job writes, an output of its rule first; nothing for a job that writes a capture."""
    if stage in CHAIN:
        names = [name for name in STAGES[stage].writes if name not in ("ledger", "aligned")]
        names += study.file.grid.tables if stage == "repair" else []
        patterns = [*map(rule_files.table, names), rule_files.table("ledger", stage)]
        return [pattern.format(session=session) for pattern in patterns]
    if stage == "study":
        wide = [f"results/study/epochs_wide.{form}" for form in ("parquet", "csv")]
        ledgers = [rule_files.table("ledger", "study").format(session=name) for name in sessions]
        return [*rule_files.study_tables(STAGES["study"].writes), *wide, *ledgers]
    pages = {"report": f"results/report/{session}.html", "index": "results/report/index.html"}
    return [pages[stage]] if stage in pages else []


def forced_output(study: Study, stage: str, session: str) -> str:
    """Return an output of a job by which the workflow engine knows it."""
    if stage == "simulate":
        return f"captures/{session}.bin"
    if stage == "dataset":
        return "results/manifest.json"
    return outputs(study, stage, session, [])[0]
