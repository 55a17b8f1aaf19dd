"""Whether what a study's files say of a session fits together: each look raises one sentence."""

from __future__ import annotations

import difflib
from collections.abc import Callable
from typing import TYPE_CHECKING

from nodeday.core.errors import SettingsError

if TYPE_CHECKING:
    from nodeday.config.study import Study

HUB = "hub"


def problems(study: Study, session: str, captures: bool) -> list[SettingsError]:
    """See :meth:`.study.Study.problems`. A look at a broken file would only repeat that it is."""
    there = study.simulated_captures_of if session in study.planned else study.captures_of
    looks: list[tuple[Callable[[], object], set[str]]] = [
        (lambda: study.nodes_of(session), {"nodes"}),
        (lambda: study.layouts_of(session), set()),
        (lambda: _layouts(study, session), {"nodes"}),
        (lambda: study.written_span(session), {"study"}),
        (lambda: study.phases_of(session), {"study", "events"}),
        (lambda: _fills(study, session), {"study"}),
        (lambda: _mounting(study, session), {"study", "nodes"}),
        (lambda: _rules(study, session), {"study", "nodes"}),
        *([(lambda: there(session), set[str]())] if captures else []),
        (lambda: _participant(study, session), {"participants"}),
    ]
    found: list[SettingsError] = []
    for look, files in looks:
        try:
            if not files & study.broken:
                look()
        except SettingsError as error:
            if str(error) not in map(str, found):
                found.append(error)
    return found


def _participant(study: Study, session: str) -> None:
    name = study.session(session).participant
    if name not in study.codes:
        found = f"participant {name} is not in config/participants.tsv"
        raise SettingsError(found, f"session {session}", "a row for it")


def _layouts(study: Study, session: str) -> None:
    for node in study.nodes_of(session).values():
        field = study.layout_of(session, node.node).field("node")
        if field and node.address >= 1 << field.bits:
            found = f"node {node.node} has address {node.address}"
            expected = f"less than {1 << field.bits}, which the layout's {field.bits} bits can say"
            raise SettingsError(found, f"config/nodes.tsv, session {session}", expected)


def _fills(study: Study, session: str) -> None:
    """A fill for a stream that no layout has would be left out without a word."""
    streams: set[str] = set()
    others: set[str] = set()
    for each in {row.layout: name for name, row in study.sessions.items()}.values():
        try:
            kinds = [kind for one in study.layouts_of(each).values() for kind in one.kinds]
        except SettingsError:
            return  # told by the session whose layout it is
        streams |= {kind.stream for kind in kinds}
        others |= {kind.stream for kind in kinds if [channel.unit for channel in kind.channels] != ["mV"]}
    for name, policy in study.file.fill.items():
        if policy.method == "pattern" and name in others:
            raise SettingsError(
                f"fill of {name} is by pattern, which is for one channel in mV",
                "config/study.yaml",
                "an ECG, or the method cubic",
            )
        if name not in streams:
            near = difflib.get_close_matches(name, streams, n=1)
            hint = f" (did you mean {near[0]}?)" if near else ""
            raise SettingsError(
                f"fill names {name}, a stream of no layout{hint}",
                "config/study.yaml",
                f"one of {', '.join(sorted(streams))}",
            )


def _mounting(study: Study, session: str) -> None:
    """A mounting for a placement that no node has would be left out without a word."""
    placements = {row.placement for row in study.nodes}
    for name in study.file.motion.mounting:
        if name not in placements:
            near = difflib.get_close_matches(name, placements, n=1)
            hint = f" (did you mean {near[0]}?)" if near else ""
            found = f"motion.mounting names {name}, a placement of no node{hint}"
            raise SettingsError(found, "config/study.yaml", "a placement of config/nodes.tsv")


def _rules(study: Study, session: str) -> None:
    """A rule for a node that no session has would never apply, without a word."""
    names = {row.node for row in study.nodes if row.node != HUB}
    for rule in study.file.rules:
        if rule.node and rule.node not in names:
            near = difflib.get_close_matches(rule.node, names, n=1)
            hint = f" (did you mean {near[0]}?)" if near else ""
            found = f"rule {rule.rule} names node {rule.node}, which config/nodes.tsv does not{hint}"
            raise SettingsError(found, "config/study.yaml", f"one of {', '.join(sorted(names))}")
