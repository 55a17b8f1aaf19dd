"""A study's folder with all its settings read, typed, unknown keys refused.

The folder holds ``config/`` (one YAML file, four sheets, layouts), the captures, and ``results/``,
which nodeday writes. Sheets are tab-separated with a header line. :mod:`nodeday.config.checks`
says whether the settings of a session fit together.
"""

from __future__ import annotations

import functools
from collections import defaultdict
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import TypeVar
from zoneinfo import ZoneInfo

from nodeday.config.models import (
    Event,
    Node,
    Participant,
    Planned,
    Session,
    StudyFile,
    capture_files,
    capture_paths,
)
from nodeday.core import yaml_io
from nodeday.core.errors import SettingsError, did_you_mean
from nodeday.core.tsv_io import load as load_sheet
from nodeday.layouts.model import Layout, load_layout
from nodeday.layouts.parts import Kind
from nodeday.layouts.recording import RecordedLayout, load_format

HUB = "hub"
LAYOUTS, RECORDED = "layouts", "recorded"
"""Folders in ``config/``: of layouts of bytes, and of what is said about decoded recordings."""
UNREAD = StudyFile(study="unread")
Read = TypeVar("Read")


class Study:
    """The settings of the study in the folder ``root``.

    A file that cannot be read raises SettingsError. Where a list ``errors`` is given, the error goes
    there instead, ``broken`` names the file, and its settings count as not given. ``results`` is the
    folder of that name in ``root`` unless given.
    """

    def __init__(
        self, root: Path, errors: list[SettingsError] | None = None, results: Path | None = None
    ) -> None:
        self.root, self.broken = root, set[str]()
        self.results = root / "results" if results is None else results
        config = root / "config"

        def read(name: str, load: Callable[[], Read], nothing: Read) -> Read:
            try:
                return load()
            except SettingsError as error:
                if errors is None:
                    raise
                errors.append(error)
                self.broken.add(name)
                return nothing

        self.file = read("study", lambda: yaml_io.load(config / "study.yaml", StudyFile), UNREAD)
        self.participants = read(
            "participants",
            lambda: load_sheet(config / "participants.tsv", Participant, "participant"),
            list[Participant](),
        )
        sessions = read(
            "sessions", lambda: load_sheet(config / "sessions.tsv", Session, "session"), list[Session]()
        )
        self.sessions = {row.session: row for row in sessions}
        self.nodes = read("nodes", lambda: load_sheet(config / "nodes.tsv", Node), list[Node]())
        self._layouts: dict[str, dict[str, Layout]] = {}
        self._loaded: dict[Path, Layout] = {}
        events = config / "events.tsv"
        self.events = read(
            "events", lambda: load_sheet(events, Event) if events.exists() else [], list[Event]()
        )
        self.codes = {row.participant for row in self.participants}
        # By session, since in a study of thousands no session may search the rows of all others.
        self._rows: dict[str, tuple[list[Node], list[Event]]] = defaultdict(lambda: ([], []))
        for node in self.nodes:
            self._rows[node.session][0].append(node)
        for event in self.events:
            self._rows[event.session][1].append(event)
        read("names", self._check_names, None)

    def _check_names(self) -> None:
        named = [row.session for row in self.nodes] + [row.session for row in self.events]
        unknown = set(named) - {*self.sessions, "*"}
        if unknown and "sessions" not in self.broken:
            found = f"nodes.tsv or events.tsv name {', '.join(sorted(unknown))}, which has no row here"
            raise SettingsError(found, str(self.root / "config" / "sessions.tsv"), "a row each")

    def session(self, name: str) -> Session:
        """Return the row of a session; raise SettingsError where the sheet has none."""
        if name not in self.sessions:
            raise SettingsError(
                f"no session {name}{did_you_mean(name, self.sessions)}",
                str(self.root / "config" / "sessions.tsv"),
                remedy="`nodeday status` lists the sessions.",
            )
        return self.sessions[name]

    def rows_of(self, session: str) -> tuple[list[Node], list[Event]]:
        """Return the rows of nodes.tsv and events.tsv for ``session``, those for every session first."""
        nodes, events = self._rows[session]
        return self._rows["*"][0] + nodes, events

    def nodes_of(self, session: str) -> dict[int, Node]:
        """Return the nodes of a session by address.

        A row for the session replaces a ``*`` row of the same node. Raises SettingsError where there
        are no nodes, or two have one address.
        """
        rows = list({row.node: row for row in self.rows_of(session)[0]}.values())
        where = f"config/nodes.tsv, session {session}"
        if not [row for row in rows if row.node != HUB]:
            raise SettingsError("has no nodes", where, "at least one row besides the hub's")
        by_address: dict[int, Node] = {}
        for row in rows:
            if row.address in by_address:
                both = f"{by_address[row.address].node} and {row.node}"
                raise SettingsError(f"nodes {both} both have address {row.address}", where, "an address each")
            by_address[row.address] = row
        return by_address

    def layout_files(self, session: str) -> list[Path]:
        """Return the files that a session names as its layouts.

        A name without a file in ``config/layouts/`` is a format of decoded recordings, if it has one in
        ``config/recorded/``.
        """
        names = [name.strip() for name in self.session(session).layout.split(";")]
        return [self._layout_file(name) for name in names]

    def _layout_file(self, name: str) -> Path:
        layout, recorded = (self.root / "config" / each / f"{name}.yaml" for each in (LAYOUTS, RECORDED))
        return recorded if recorded.is_file() and not layout.is_file() else layout

    def layouts_of(self, session: str) -> dict[str, Layout]:
        """Return a session's layouts by name; raise SettingsError where they cannot share a capture."""
        if session not in self._layouts:
            self._layouts[session] = self._load_layouts(session)
        return self._layouts[session]

    def _load_layouts(self, session: str) -> dict[str, Layout]:
        layouts = {path.stem: self._load_layout(path) for path in self.layout_files(session)}
        first = next(iter(layouts.values()))
        if len(layouts) > 1 and any(isinstance(each, RecordedLayout) for each in layouts.values()):
            found = f"a format of decoded recordings shares a session with {', '.join(layouts)}"
            raise SettingsError(found, f"session {session}", "one format, which may have several streams")
        for name, layout in layouts.items():
            one, other = first.field("hub_time"), layout.field("hub_time")
            same = one and other and (one.bits, one.unit_ns) == (other.bits, other.unit_ns)
            if layout.framing != first.framing or not same:
                found = f"layouts {first.layout} and {name} differ in their framing or hub time"
                raise SettingsError(found, f"session {session}", "one hub, and so one of both")
        networks = {name: field for name, layout in layouts.items() if (field := layout.network_ticks)}
        if len({(field.bits, field.rate_hz) for field in networks.values()}) > 1:
            found = f"layouts {', '.join(networks)} differ in the bits or rate_hz of their network's ticks"
            raise SettingsError(found, f"session {session}", "one network, and so one of both")
        kinds = [kind for layout in layouts.values() for kind in layout.kinds]
        units = [(channel.name, channel.unit) for kind in kinds for channel in kind.channels]
        if clash := sorted({name for name, unit in units if dict(units)[name] != unit}):
            found = f"channel {', '.join(clash)} has two units in its layouts"
            raise SettingsError(found, f"session {session}", "a name for each")
        return layouts

    def _load_layout(self, path: Path) -> Layout:
        if path not in self._loaded:
            recorded = path.parent.name == RECORDED
            self._loaded[path] = load_format(path).layout if recorded else load_layout(path)
        return self._loaded[path]

    def layout_of(self, session: str, node: str = HUB) -> Layout:
        """Return the layout of a node's frames in a session; raise SettingsError where none is named.

        A hub without a row in nodes.tsv sends nothing itself: any layout describes its stamps, so the first.
        """
        layouts = self.layouts_of(session)
        if len(layouts) == 1:
            return next(iter(layouts.values()))
        rows = [row for row in self.nodes_of(session).values() if row.node == node]
        if node == HUB and not rows:
            return next(iter(layouts.values()))
        named = rows[0].layout if rows else None
        if named not in layouts:
            found = f"node {node} has {f'layout {named}' if named else 'no layout'}"
            expected = f"one of {', '.join(layouts)} in the column layout"
            raise SettingsError(found, f"config/nodes.tsv, session {session}", expected)
        return layouts[named]

    def streams_of(self, session: str) -> list[tuple[Node, Kind]]:
        """Return each stream of samples that a session's nodes may send: its node and its first kind."""
        return [
            (node, kind)
            for node in self.nodes_of(session).values()
            if node.node != HUB
            for kind in self.layout_of(session, node.node).streams
            if kind.channels
        ]

    def units_of(self, session: str) -> dict[str, str]:
        """Return the unit of each channel that a session's nodes may send, by the channel's name."""
        kinds = [kind for layout in self.layouts_of(session).values() for kind in layout.kinds]
        return {channel.name: channel.unit for kind in kinds for channel in kind.channels}

    def captures_of(self, session: str) -> list[list[Path]]:
        """Return captures, each as its files in order; raise SettingsError for an absent or empty file."""
        named, where = capture_files(self.session(session).captures), f"session {session}"
        if not all(name for files in named for name in files):
            found = f"captures are {self.session(session).captures!r}, with an empty name"
            raise SettingsError(found, where, "files joined by ; and captures separated by |")
        captures = [[self.root / name for name in files] for files in named]
        for path in (path for files in captures for path in files):
            if not path.is_file():
                raise SettingsError(f"no capture at {path}", where, "the file that sessions.tsv names")
            if path.stat().st_size == 0:
                raise SettingsError(f"capture {path} is empty", where, "frames", "Check the logger.")
        return captures

    def zone_of(self, session: str) -> ZoneInfo:
        """Return the time zone of a session's local times."""
        return ZoneInfo(self.session(session).zone or self.file.zone)

    def utc_ns(self, session: str, local: datetime) -> int:
        """Return a local instant of a session in nanoseconds UTC.

        Raises SettingsError where a change of summer time makes it ambiguous or skips it.
        """
        if local.tzinfo is None:
            zone = self.zone_of(session)
            both = {local.replace(tzinfo=zone, fold=fold).utcoffset() for fold in (0, 1)}
            if len(both) > 1:
                raise SettingsError(
                    f"local time {local} exists twice or not at all in {zone.key}",
                    f"session {session}",
                    "an instant with its UTC offset, such as 2026-10-25T02:30+02:00",
                )
            local = local.replace(tzinfo=zone)
        since = local.astimezone(UTC) - datetime(1970, 1, 1, tzinfo=UTC)
        return (since.days * 86_400 + since.seconds) * 1_000_000_000 + since.microseconds * 1_000

    def written_span(self, session: str) -> tuple[int | None, int | None]:
        """Return the written start and end of a session in nanoseconds UTC; None where not written."""
        row = self.session(session)
        start, end = (None if at is None else self.utc_ns(session, at) for at in (row.start, row.end))
        if start is not None and end is not None and end <= start:
            found = f"ends at {row.end}, before its start {row.start}"
            raise SettingsError(found, f"session {session}", "a later end", "Correct config/sessions.tsv.")
        return start, end

    def is_cut(self, session: str) -> bool:
        """Return whether the sheet gives a session a start or an end."""
        row = self.session(session)
        return row.start is not None or row.end is not None

    def sharing(self, session: str) -> list[str]:
        """Return the other sessions that name a capture file of ``session``, in the sheet's order."""
        paths = capture_paths(self.session(session).captures)
        users = {name for path in paths for name in self._users[path]} - {session}
        return [name for name in self.sessions if name in users] if users else []

    @functools.cached_property
    def _users(self) -> dict[str, list[str]]:
        """Sessions by the capture file that they name."""
        users: dict[str, list[str]] = defaultdict(list)
        for name in self.sessions:
            for path in capture_paths(self.sessions[name].captures):
                users[path].append(name)
        return users

    @functools.cached_property
    def sessions_by_participant(self) -> dict[str, list[str]]:
        """Sessions of each participant, in the sheet's order."""
        found: dict[str, list[str]] = {}
        for row in self.sessions.values():
            found.setdefault(row.participant, []).append(row.session)
        return found

    @property
    def scenario(self) -> Path:
        """Path of the plan of simulated sessions, which a study may have."""
        return self.root / "config" / "scenario.yaml"

    @functools.cached_property
    def planned(self) -> frozenset[str]:
        """Sessions whose captures the scenario simulates."""
        if not self.scenario.exists():
            return frozenset()
        return frozenset(yaml_io.load(self.scenario, Planned).sessions)

    def phases_of(self, session: str) -> list[tuple[str, int, int | None]]:
        """Return noted phases as (name, start, end) in nanoseconds UTC, by start; an open end is None.

        Raises SettingsError where a local time is ambiguous or skipped, a phase is noted twice, or it
        ends before its start.
        """
        rows = [(self.utc_ns(session, event.start), event) for event in self.rows_of(session)[1]]
        rows.sort(key=lambda row: (row[0], row[1].phase))
        spans = []
        for index, (start_ns, row) in enumerate(rows):
            if any(start_ns == at and row.phase == other.phase for at, other in rows[:index]):
                found = f"phase {row.phase} is noted twice at {row.start}"
                raise SettingsError(found, f"session {session}", "each note once")
            after = next((at for at, _ in rows[index + 1 :] if at > start_ns), None)
            end_ns = after if row.end is None else self.utc_ns(session, row.end)
            if end_ns is not None and end_ns <= start_ns:
                found = f"phase {row.phase} ends at {row.end}, before its start {row.start}"
                raise SettingsError(found, f"session {session}", "a later end", "Correct config/events.tsv.")
            spans.append((row.phase, start_ns, end_ns))
        return spans
