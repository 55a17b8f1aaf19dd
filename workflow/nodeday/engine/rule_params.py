"""What each stage takes from the settings and sheets, as text that changes when they do."""

from __future__ import annotations

import hashlib
from collections import defaultdict
from collections.abc import Callable, Iterable, Sequence

from nodeday.config import device_records
from nodeday.config.study import Study
from nodeday.engine.digests import code


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


def same_participant(study: Study, session: str) -> list[str]:
    """Return all sessions of the participant of ``session``, itself included."""
    participant = study.session(session).participant
    return [name for name, row in study.sessions.items() if row.participant == participant]


def digest(texts: Iterable[str]) -> str:
    """Return 16 hexadecimal digits that stand for ``texts``; the engine keeps parameters with each output."""
    return hashlib.sha256("\n".join(texts).encode()).hexdigest()[:16]


def _of_frames(study: Study, session: str) -> dict[str, str]:
    return {"nodes": node_text(study, session)}


def _of_clock(study: Study, session: str) -> dict[str, str]:
    return {
        "edges": str(study.written_span(session)),
        "movements": str(study.file.movements),
        "events": movement_text(study, session),
    }


def _of_loss(study: Study, _: str) -> dict[str, str]:
    return {"battery": str(study.file.battery)}


def _of_repair(study: Study, _: str) -> dict[str, str]:
    return {"fill": str(sorted(study.file.fill.items())), "grid": str(study.file.grid)}


def _of_features(study: Study, session: str) -> dict[str, str]:
    return {
        "epochs": str(study.file.epochs),
        "bench records": device_text(study, session),
        "heart": str(study.file.heart),
        "participants": str(study.participants),
        "mounting": str(sorted(study.file.motion.mounting.items())),
    }


def of_page(study: Study) -> dict[str, str]:
    """Return what every page repeats of the study's tables: they follow from all settings and from code."""
    return {
        "study.yaml": str(study.file),
        "participants": str(study.participants),
        "code of the study's tables": code("study"),
    }


OF_SESSION: dict[str, Callable[[Study, str], dict[str, str]]] = {
    "frames": _of_frames,
    "clock": _of_clock,
    "loss": _of_loss,
    "repair": _of_repair,
    "features": _of_features,
}
"""Settings of a stage of one session, by what a person calls them."""


def settings(study: Study, stage: str, session: str = "", sessions: Sequence[str] = ()) -> dict[str, str]:
    """Return digests of all that a job takes from settings and sheets, by what a person calls it.

    ``sessions`` are those of the run, for stages ``study`` and ``index``.
    """
    texts: dict[str, str] = {}
    if stage in OF_SESSION:
        texts = OF_SESSION[stage](study, session)
    elif stage == "report":
        own = same_participant(study, session)
        texts = of_page(study) | {"sheets": "\n".join(sheet_text(study, name) for name in own)}
    elif stage == "study":
        texts = {
            "limits": str((study.file.limits, study.file.rules, study.file.epochs.seconds)),
            "participants and sessions": str((study.participants, study.sessions)),
            "sheets": "\n".join(sheet_text(study, name) for name in sessions),
            "bench records": "\n".join(device_text(study, name) for name in sessions),
        }
    if stage in ("study", "index"):
        texts["sessions"] = " ".join(sessions)
    return {name: digest([text]) for name, text in texts.items()}


def settings_text(study: Study, stage: str, session: str = "", sessions: Sequence[str] = ()) -> str:
    """Return :func:`settings` as one digest, for a rule."""
    return digest(f"{name} {each}" for name, each in settings(study, stage, session, sessions).items())
