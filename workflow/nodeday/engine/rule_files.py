"""Files that rules read and write, as paths from the study's folder.

A path of a session's table is a pattern with the wildcard ``session``. The paths are those of
``nodeday.storage``, which takes a second to import, and planning needs none of it.
"""

from __future__ import annotations

from collections.abc import Iterable

from nodeday.config.models import capture_files
from nodeday.config.sent_list import path_of
from nodeday.config.study import RECORDED, Study
from nodeday.engine.stages import CHAIN, STAGES

TABLE = "results/{table}/session={{session}}/{part}.parquet"
FOLDER = "results/{table}/session={{session}}"
BY_STREAM = ("frames", "samples")
"""Tables with a file for each stream; a session's folder stands for its files."""


def table(name: str, part: str | None = None) -> str:
    """Return the path of a session's table, or of the ``part`` of it that one stage writes."""
    return (FOLDER if name in BY_STREAM else TABLE).format(table=name, part=part or name)


def ledgers() -> list[str]:
    """Return the paths of a session's table ``ledger``: a part of each stage of the chain."""
    return [table("ledger", stage) for stage in CHAIN]


def session_tables(names: Iterable[str]) -> list[str]:
    """Return the paths of those tables among ``names`` that a session has; its ledgers are left out."""
    written = {name for stage in CHAIN for name in STAGES[stage].writes} - {"ledger"}
    return [table(name) for name in names if name in written]


def study_tables(names: Iterable[str]) -> list[str]:
    """Return the paths of those tables among ``names`` that the whole study has."""
    return [f"results/{name}/{name}.parquet" for name in names if name in STAGES["study"].writes]


def captures(study: Study, session: str) -> list[str]:
    """Return every file of every capture of ``session``."""
    return [name for files in capture_files(study.session(session).captures) for name in files]


def layouts(study: Study, session: str) -> list[str]:
    """Return the files that say how the captures of ``session`` are decoded."""
    files = study.layout_files(session)
    named = [study.root / "config" / RECORDED / path.name for path in files]
    both = dict.fromkeys([*files, *(path for path in named if path.is_file())])
    return [path.relative_to(study.root).as_posix() for path in both]


def sent_lists(study: Study, session: str) -> list[str]:
    """Return the transmit list of ``session``, if it has one."""
    path = path_of(study.root, session)
    return [path.relative_to(study.root).as_posix()] if path.exists() else []


def settings_files(study: Study) -> list[str]:
    """Return every file in the study's ``config/``, in order; hidden files are left out."""
    found = [path for path in (study.root / "config").rglob("*") if path.is_file()]
    return sorted(path.relative_to(study.root).as_posix() for path in found if path.name[0] != ".")
