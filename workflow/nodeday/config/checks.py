"""Whether a session's settings fit together: each check raises one sentence."""

from __future__ import annotations

from collections.abc import Callable

from nodeday.config import sent_list
from nodeday.config.study import HUB, Study
from nodeday.core.errors import SettingsError, did_you_mean
from nodeday.layouts.parts import Kind

Check = Callable[[], object]


def problems(study: Study, session: str, captures: bool = True) -> list[SettingsError]:
    """Return everything in the settings that keeps ``session`` from running.

    A check that needs a broken file is left out: it would only repeat that the file is broken.
    ``captures`` is whether the session's captures must exist. Raises SettingsError where the study
    has no such session.
    """
    session = study.session(session).session
    capture_check = study.simulated_captures_of if session in study.planned else study.captures_of
    checks: list[tuple[Check, set[str]]] = [
        (lambda: study.nodes_of(session), {"nodes"}),
        (lambda: study.layouts_of(session), set()),
        (lambda: _check_addresses(study, session), {"nodes"}),
        (lambda: study.written_span(session), {"study"}),
        (lambda: _check_overlap(study, session), {"study"}),
        (lambda: study.phases_of(session), {"study", "events"}),
        (lambda: sent_list.load(study, session), {"nodes"}),
        (lambda: _check_sent_lists(study), {"sessions"}),
        (lambda: _check_fills(study), {"study"}),
        (lambda: _check_mounting(study), {"study", "nodes"}),
        (lambda: _check_rules(study), {"study", "nodes"}),
        *([(lambda: capture_check(session), set[str]())] if captures else []),
        (lambda: _check_participant(study, session), {"participants"}),
    ]
    errors: dict[str, SettingsError] = {}
    for check, needed in checks:
        try:
            if not needed & study.broken:
                check()
        except SettingsError as error:
            errors.setdefault(str(error), error)
    return list(errors.values())


def _check_participant(study: Study, session: str) -> None:
    name = study.session(session).participant
    if name not in study.codes:
        found = f"participant {name} is not in config/participants.tsv"
        raise SettingsError(found, f"session {session}", "a row for it")


def _check_overlap(study: Study, session: str) -> None:
    """Refuse a session that shares time with an earlier row of its participant, which would count twice.

    Only sessions whose start and end are both written can be compared.
    """
    start, end = study.written_span(session)
    row = study.session(session)
    for name, other in study.sessions.items():
        if name == session or start is None or end is None:
            return
        if other.participant != row.participant:
            continue
        try:
            begin, stop = study.written_span(name)
        except SettingsError:
            continue  # a problem of that session
        if begin is not None and stop is not None and start < stop and begin < end:
            raise SettingsError(
                f"{row.start} to {row.end} overlaps session {name} of participant {row.participant}, "
                f"{other.start} to {other.end}",
                f"config/sessions.tsv, session {session}",
                "no time in two sessions of one participant",
                "Captures of one stretch are one session: write them in one row, with a bar between them.",
            )


def _check_addresses(study: Study, session: str) -> None:
    for node in study.nodes_of(session).values():
        field = study.layout_of(session, node.node).field("node")
        if field and node.address >= 1 << field.bits:
            found = f"node {node.node} has address {node.address}"
            expected = f"less than {1 << field.bits}, as the layout's {field.bits} bits hold"
            raise SettingsError(found, f"config/nodes.tsv, session {session}", expected)


def _check_fills(study: Study) -> None:
    """Refuse a fill for a stream that no layout has, which would be left out silently."""
    streams: set[str] = set()
    no_ecg: set[str] = set()
    for session in {row.layout: name for name, row in study.sessions.items()}.values():
        try:
            kinds = [kind for layout in study.layouts_of(session).values() for kind in layout.kinds]
        except SettingsError:
            return  # a problem of the session that names this layout
        streams |= {kind.stream for kind in kinds}
        no_ecg |= {kind.stream for kind in kinds if not _fits_pattern(kind)}
    for name, policy in study.file.fill.items():
        if policy.method == "pattern" and name in no_ecg:
            raise SettingsError(
                f"fill of {name} is by pattern, which is for an ECG of one channel in mV",
                "config/study.yaml",
                "an ECG, or the method cubic",
            )
        if name not in streams:
            raise SettingsError(
                f"fill names {name}, a stream of no layout{did_you_mean(name, streams)}",
                "config/study.yaml",
                f"one of {', '.join(sorted(streams))}",
            )


def _fits_pattern(kind: Kind) -> bool:
    """Return whether a stream may be filled by pattern: an ECG as declared, else one channel in mV."""
    return kind.type == "ecg" if kind.type else [channel.unit for channel in kind.channels] == ["mV"]


def _check_mounting(study: Study) -> None:
    """Refuse a mounting for a placement that no node has, which would be left out silently."""
    placements = {row.placement for row in study.nodes}
    for name in study.file.motion.mounting:
        if name not in placements:
            hint = did_you_mean(name, placements)
            found = f"motion.mounting names {name}, a placement of no node{hint}"
            raise SettingsError(found, "config/study.yaml", "a placement of config/nodes.tsv")


def _check_sent_lists(study: Study) -> None:
    """Refuse a transmit list of no session, which would be left out silently."""
    for path in sorted((study.root / "config" / "sent").glob("*.csv")):
        if path.stem not in study.sessions:
            hint = did_you_mean(path.stem, study.sessions)
            found = f"{path.name} is the transmit list of no session{hint}"
            raise SettingsError(found, "config/sent", "files named by a session of config/sessions.tsv")


def _check_rules(study: Study) -> None:
    """Refuse a rule for a node that no session has, which would never apply."""
    names = {row.node for row in study.nodes if row.node != HUB}
    for rule in study.file.rules:
        if rule.node and rule.node not in names:
            hint = did_you_mean(rule.node, names)
            found = f"rule {rule.rule} names node {rule.node}, which config/nodes.tsv does not{hint}"
            raise SettingsError(found, "config/study.yaml", f"one of {', '.join(sorted(names))}")
