"""Whether a session's settings fit together: each check raises one sentence."""

from __future__ import annotations

from collections.abc import Callable

from nodeday.config import sent_list
from nodeday.config.models import Session
from nodeday.config.study import HUB, Study
from nodeday.core.errors import SettingsError, did_you_mean
from nodeday.layouts.parts import Kind
from nodeday.layouts.recording import RecordedLayout

Check = Callable[[], object]


def problems(study: Study, session: str, captures: bool = True) -> list[SettingsError]:
    """Return everything in the settings that keeps ``session`` from running.

    A check that needs a broken file is left out: it would only repeat that the file is broken.
    ``captures`` is whether the session's captures must exist. Raises SettingsError where the study
    has no such session.
    """
    session = study.session(session).session
    simulated = session in study.planned
    checks: list[tuple[Check, set[str]]] = [
        (lambda: study.nodes_of(session), {"nodes"}),
        (lambda: study.layouts_of(session), set()),
        (lambda: _check_recorded(study, session), {"nodes"}),
        (lambda: _check_addresses(study, session), {"nodes"}),
        (lambda: study.written_span(session), {"study"}),
        (lambda: _check_overlap(study, session), {"study"}),
        (lambda: _check_dated(study, session), {"study"}),
        (lambda: study.phases_of(session), {"study", "events"}),
        (lambda: sent_list.load(study, session), {"nodes"}),
        (lambda: _check_sent_lists(study), {"sessions"}),
        (lambda: _check_fills(study), {"study"}),
        (lambda: _check_mounting(study), {"study", "nodes"}),
        (lambda: _check_rules(study), {"study", "nodes"}),
        *(
            [
                (
                    lambda: refuse_recorded(study, session) if simulated else study.captures_of(session),
                    set[str](),
                )
            ]
            if captures
            else []
        ),
        (lambda: _check_merge(study, session), set()),
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


def refuse_recorded(study: Study, session: str) -> None:
    """Raise SettingsError where simulating a planned session would overwrite a raw capture."""
    capture = study.root / "captures" / f"{session}.bin"
    if capture.exists() and not capture.with_suffix(".truth.npz").exists():
        raise SettingsError(
            f"{capture} has no truth file next to it, so it was recorded, not simulated",
            f"session {session}",
            "no raw capture that a simulation would overwrite",
            "Move it away, or take the session out of config/scenario.yaml.",
        )


def _check_participant(study: Study, session: str) -> None:
    name = study.session(session).participant
    if name not in study.codes:
        found = f"participant {name} is not in config/participants.tsv"
        raise SettingsError(found, f"session {session}", "a row for it")


def _check_merge(study: Study, session: str) -> None:
    """Refuse to merge captures with a stream of several kinds, whose counter has no one pace to go by."""
    if "|" not in study.session(session).captures:
        return
    for layout in study.layouts_of(session).values():
        for kind in layout.streams:
            if len(layout.kinds_of(kind.stream)) > 1:
                raise SettingsError(
                    f"several captures, and layout {layout.layout} has several kinds of stream {kind.stream}",
                    f"config/sessions.tsv, session {session}",
                    "one capture, or one kind of frame for each stream",
                    "Captures of a node that changes its rate cannot be merged yet.",
                )


def _check_overlap(study: Study, session: str) -> None:
    """Refuse a session that shares time with an earlier row of its participant, which would count twice.

    Sessions of one capture without a start last from its beginning, without an end to its end. Of different
    captures only those can be compared whose start and end are both written.
    """
    row, start, end = study.session(session), *study.written_span(session)
    of_participant = study.sessions_by_participant[row.participant]
    earlier = of_participant[: of_participant.index(session)]
    shared = set(study.sharing(session)) if earlier else set[str]()
    for name in earlier:
        other = study.sessions[name]
        try:
            begin, stop = study.written_span(name)
        except SettingsError:
            continue  # a problem of that session
        if name not in shared and None in (start, end, begin, stop):
            continue
        if _before(start, stop) and _before(begin, end):
            where = f"config/sessions.tsv, session {session}"
            found = (
                f"{_written(row)} overlaps session {name} of participant {row.participant}, {_written(other)}"
            )
            remedy = "Captures of one stretch are one session: write them in one row, with a bar between."
            if name in shared:
                remedy = "They share a capture: give each a start and an end, one after the other."
            raise SettingsError(found, where, "no time in two sessions of one participant", remedy)


def _check_dated(study: Study, session: str) -> None:
    """Refuse a session that would have to be cut where no layout has the marks that date a capture."""
    kinds = [kind for layout in study.layouts_of(session).values() for kind in layout.kinds]
    if any(field.role == "utc" for kind in kinds for field in kind.fields):
        return
    row, where = study.session(session), f"config/sessions.tsv, session {session}"
    expected = "a kind with a field of role utc in the layout"
    if row.end is not None:
        found = f"end {row.end} cannot be applied, since no layout has host marks that date the capture"
        remedy = "Leave it empty: a start alone dates the first frame, to a minute."
        raise SettingsError(found, where, expected, remedy)
    other = next((name for name in study.sharing(session) if study.sessions[name].start != row.start), None)
    if row.start is not None and other:
        found = f"start {row.start} dates a capture that session {other} takes with another start"
        remedy = "Without host marks a capture can be one session only: take a row out."
        raise SettingsError(found, where, expected, remedy)


def _before(start: int | None, end: int | None) -> bool:
    """Whether a start comes before an end; None is that of the capture."""
    return start is None or end is None or start < end


def _written(row: Session) -> str:
    """Return the stretch of a session in words."""
    start, end = (row.start or "its capture's start"), (row.end or "its capture's end")
    return f"{start} to {end}"


def _check_recorded(study: Study, session: str) -> None:
    """Refuse what a format of decoded recordings cannot serve, or would leave out silently."""
    layout = next(iter(study.layouts_of(session).values()))
    if not isinstance(layout, RecordedLayout):
        return
    form, where = layout.recording, f"config/nodes.tsv, session {session}"
    if session in study.planned:
        raise SettingsError(
            f"a simulation makes frames of bytes, and {form.recording} is a format of decoded recordings",
            f"session {session}",
            "a layout, or no plan for it in config/scenario.yaml",
        )
    names = {row.node for row in study.nodes_of(session).values()}
    if form.time is not None and form.time.is_utc and HUB not in names:
        raise SettingsError(
            f"times of {form.recording} are UTC, and the logger that wrote them has no row",
            where,
            f"a row for the node {HUB} with an address that no node has",
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
            kinds = [kind for layout in study.layouts_of(session).values() for kind in layout.streams]
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
