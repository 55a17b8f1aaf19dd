"""Parameters of rules: what the settings and sheets hold of a session, as text that changes when they do."""

from __future__ import annotations

import hashlib
from collections import defaultdict
from collections.abc import Iterable

from nodeday.config import device_records
from nodeday.config.study import Study


def device_text(study: Study, session: str) -> str:
    """Return the bench records of the nodes of ``session``."""
    return " | ".join(path.read_text(encoding="utf-8") for path in device_records.files_of(study, session))


def node_text(study: Study, session: str) -> str:
    """Return the rows of the sheets on ``session`` and its nodes."""
    return " | ".join([str(study.session(session)), *sorted(map(str, study.rows_of(session)[0]))])


def sheet_text(study: Study, session: str) -> str:
    """Return all rows of the sheets on ``session``: the session, its nodes and its events."""
    return f"{node_text(study, session)} | {_event_text(study, session)}"


def movement_text(study: Study, session: str) -> str:
    """Return the events of ``session`` that note a movement; no others bear on its clocks."""
    return _event_text(study, session, movements=True)


def _event_text(study: Study, session: str, movements: bool = False) -> str:
    """Return events, all or those that note a movement, with the zone of their local times.

    Empty where there are none, so that a change of zone changes nothing there.
    """
    rows = [
        row for row in study.rows_of(session)[1] if not movements or study.file.movements.noted_by(row.phase)
    ]
    return " | ".join([study.zone_of(session).key, *sorted(map(str, rows))]) if rows else ""


def sessions_of_participants(study: Study, sessions: Iterable[str]) -> dict[str, list[str]]:
    """Return, for each of ``sessions``, those among them of the same participant, itself included."""
    of_participant: dict[str, list[str]] = defaultdict(list)
    for name in sessions:
        of_participant[study.session(name).participant].append(name)
    return {name: names for names in of_participant.values() for name in names}


def digest(texts: Iterable[str]) -> str:
    """Return 16 hexadecimal digits that stand for ``texts``; the engine keeps parameters with each output."""
    return hashlib.sha256("\n".join(texts).encode()).hexdigest()[:16]
