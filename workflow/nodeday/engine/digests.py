"""What the rules need to know: paths, settings and a digest of the code each stage depends on.

The workflow engine sees files and parameters, not an edited module; the digest makes a changed
stage run again, with all that comes after it.
"""

from __future__ import annotations

import hashlib
from collections import defaultdict
from collections.abc import Iterable
from functools import cache
from pathlib import Path

from nodeday.config import device_records
from nodeday.config.models import capture_files
from nodeday.config.study import Study
from nodeday.schemas import declare

SHARED = (
    "arrays.py",
    "atomic.py",
    "tables.py",
    "rowgroups.py",
    "columnar.py",
    "csvfile.py",
    "samples.py",
    "heard.py",
    "ledger.py",
    "parallel.py",
    "timeline.py",
    "settings.py",
    "sections.py",
    "calibration.py",
    "layouts",
    "schemas",
)
READ = (".py", ".html", ".css")
TABLE = "results/{table}/session={{session}}/{part}.parquet"
FOLDER = "results/{table}/session={{session}}"
BY_STREAM = ("frames", "samples")
"""Tables with a file for each stream; a session's folder stands for its files."""


def table(name: str, part: str | None = None) -> str:
    """Path pattern of a session's table, with the wildcard ``session``."""
    return (FOLDER if name in BY_STREAM else TABLE).format(table=name, part=part or name)


def study_table(name: str) -> str:
    """Path of a table of the whole study."""
    return f"results/{name}/{name}.parquet"


@cache
def code(stage: str) -> str:
    """Digest of the sources that ``stage`` runs."""
    package = Path(__file__).parent
    schemas = Path(declare.__file__).parent
    digest = hashlib.sha256()
    for name in (stage, *SHARED, *(["page"] if stage == "report" else [])):
        source = schemas if name == "schemas" else package / name
        files = (
            [source] if source.is_file() else [each for each in source.rglob("*.*") if each.suffix in READ]
        )
        for path in sorted(files):
            digest.update(path.read_bytes())
    return digest.hexdigest()[:16]


def captures(study: Study, session: str) -> list[str]:
    """Every file of every capture of ``session``."""
    return [name for files in capture_files(study.session(session).captures) for name in files]


def layouts(study: Study, session: str) -> list[str]:
    """The layout files that ``session`` speaks."""
    return [f"config/layouts/{path.name}" for path in study.layout_files(session)]


def devices(study: Study, session: str) -> str:
    """The bench records of the nodes of ``session``, as text that changes when they do."""
    return " | ".join(path.read_text(encoding="utf-8") for path in device_records.files_of(study, session))


def nodes(study: Study, session: str) -> str:
    """What the sheets say of ``session`` and its nodes, as text that changes when that does."""
    return " | ".join([str(study.session(session)), *sorted(map(str, study.rows_of(session)[0]))])


def sheets(study: Study, session: str) -> str:
    """All that they say of ``session``, in the same way."""
    return f"{nodes(study, session)} | {_events(study, session)}"


def movements(study: Study, session: str) -> str:
    """The events of ``session`` that note a movement, in the same way; no others bear on its clocks."""
    return _events(study, session, movements=True)


def _events(study: Study, session: str, movements: bool = False) -> str:
    """Events with the zone of their local times, all or those that note a movement; empty without any."""
    rows = [
        row for row in study.rows_of(session)[1] if not movements or study.file.movements.noted_by(row.phase)
    ]
    return " | ".join([study.zone_of(session).key, *sorted(map(str, rows))]) if rows else ""


def peers(study: Study, sessions: Iterable[str]) -> dict[str, list[str]]:
    """For each of ``sessions``, those that are of the same participant, itself included."""
    own: dict[str, list[str]] = defaultdict(list)
    for name in sessions:
        own[study.session(name).participant].append(name)
    return {name: names for names in own.values() for name in names}


def digest(texts: Iterable[str]) -> str:
    """Stands for many texts in a rule's parameters, which the engine stores with each output."""
    return hashlib.sha256("\n".join(texts).encode()).hexdigest()[:16]
