"""Every setting of a study, typed, unknown keys refused.

A study is a folder: ``config/`` (one YAML file, four sheets, layouts), the captures, and
``results/``, which nodeday writes. Sheets are tab-separated with a header line.
"""

from __future__ import annotations

import difflib
import functools
from collections import defaultdict
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import TypeVar
from zoneinfo import ZoneInfo

from nodeday.config import checks
from nodeday.config.models import Event, Node, Participant, Planned, Session, StudyFile, capture_files
from nodeday.core import yaml_io
from nodeday.core.errors import SettingsError
from nodeday.core.tsv_io import load as _sheet
from nodeday.layouts.model import Layout, load_layout
from nodeday.layouts.parts import Kind

HUB = "hub"
UNREAD = StudyFile(study="unread")
Read = TypeVar("Read")


class Study:
    """A study's folder with its settings read. Problems of one session are kept apart: see
    :meth:`problems`; problems of the study as a whole raise SettingsError on reading, or are put into
    ``told`` where a list is given. What a broken file would have said then counts as not said.
    ``results`` lie in the folder, or elsewhere.
    """

    def __init__(
        self, root: Path, told: list[SettingsError] | None = None, results: Path | None = None
    ) -> None:
        self.root, self.broken = root, set[str]()
        self.results = root / "results" if results is None else results
        config = root / "config"

        def read(name: str, load: Callable[[], Read], nothing: Read) -> Read:
            try:
                return load()
            except SettingsError as error:
                if told is None:
                    raise
                told.append(error)
                self.broken.add(name)
                return nothing

        self.file = read("study", lambda: yaml_io.load(config / "study.yaml", StudyFile), UNREAD)
        self.participants = read(
            "participants",
            lambda: _sheet(config / "participants.tsv", Participant, "participant"),
            list[Participant](),
        )
        sessions = read(
            "sessions", lambda: _sheet(config / "sessions.tsv", Session, "session"), list[Session]()
        )
        self.sessions = {row.session: row for row in sessions}
        self.nodes = read("nodes", lambda: _sheet(config / "nodes.tsv", Node), list[Node]())
        self._layouts: dict[str, dict[str, Layout]] = {}
        self._loaded: dict[Path, Layout] = {}
        events = config / "events.tsv"
        self.events = read("events", lambda: _sheet(events, Event) if events.exists() else [], list[Event]())
        # Each session asks for its own rows: in a study of thousands, none may search all of them.
        self.codes = {row.participant for row in self.participants}
        self._rows: dict[str, tuple[list[Node], list[Event]]] = defaultdict(lambda: ([], []))
        for node in self.nodes:
            self._rows[node.session][0].append(node)
        for event in self.events:
            self._rows[event.session][1].append(event)
        read("names", self._names_known, None)

    def _names_known(self) -> None:
        named = [row.session for row in self.nodes] + [row.session for row in self.events]
        unknown = set(named) - {*self.sessions, "*"}
        if unknown and "sessions" not in self.broken:
            found = f"nodes.tsv or events.tsv name {', '.join(sorted(unknown))}, which has no row here"
            raise SettingsError(found, str(self.root / "config" / "sessions.tsv"), "a row each")

    def session(self, name: str) -> Session:
        if name not in self.sessions:
            near = difflib.get_close_matches(name, self.sessions, n=1)
            raise SettingsError(
                f"no session {name}" + (f" (did you mean {near[0]}?)" if near else ""),
                str(self.root / "config" / "sessions.tsv"),
            )
        return self.sessions[name]

    def rows_of(self, session: str) -> tuple[list[Node], list[Event]]:
        """Rows of nodes.tsv and events.tsv that speak of ``session``, those for every session first."""
        nodes, events = self._rows[session]
        return self._rows["*"][0] + nodes, events

    def nodes_of(self, session: str) -> dict[int, Node]:
        """Nodes of a session by address; a row of its own wins over a ``*`` row of that name."""
        rows = list({row.node: row for row in self.rows_of(session)[0]}.values())
        where = f"config/nodes.tsv, session {session}"
        if not [row for row in rows if row.node != HUB]:
            raise SettingsError("has no nodes", where, "at least one row beside the hub")
        by_address: dict[int, Node] = {}
        for row in rows:
            if row.address in by_address:
                both = f"{by_address[row.address].node} and {row.node}"
                raise SettingsError(f"nodes {both} both have address {row.address}", where, "an address each")
            by_address[row.address] = row
        return by_address

    def layout_files(self, session: str) -> list[Path]:
        """The layout files that a session names."""
        names = [name.strip() for name in self.session(session).layout.split(";")]
        return [self.root / "config" / "layouts" / f"{name}.yaml" for name in names]

    def layouts_of(self, session: str) -> dict[str, Layout]:
        """A session's layouts by name; raise SettingsError where they cannot share a capture."""
        if session not in self._layouts:
            self._layouts[session] = self._load_layouts(session)
        return self._layouts[session]

    def _load_layouts(self, session: str) -> dict[str, Layout]:
        layouts = {path.stem: self._load_layout(path) for path in self.layout_files(session)}
        first = next(iter(layouts.values()))
        for name, each in layouts.items():
            hub, own = first.field("hub_time"), each.field("hub_time")
            same = hub and own and (hub.bits, hub.unit_ns) == (own.bits, own.unit_ns)
            if each.framing != first.framing or not same:
                found = f"layouts {first.layout} and {name} differ in their framing or hub time"
                raise SettingsError(found, f"session {session}", "one hub, and so one of both")
        units = [(c.name, c.unit) for each in layouts.values() for kind in each.kinds for c in kind.channels]
        if clash := sorted({name for name, unit in units if dict(units)[name] != unit}):
            found = f"channel {', '.join(clash)} has two units in its layouts"
            raise SettingsError(found, f"session {session}", "a name for each")
        return layouts

    def _load_layout(self, path: Path) -> Layout:
        if path not in self._loaded:
            self._loaded[path] = load_layout(path)
        return self._loaded[path]

    def layout_of(self, session: str, node: str = HUB) -> Layout:
        """The layout that a node of a session speaks; raise SettingsError where none is named."""
        layouts = self.layouts_of(session)
        if len(layouts) == 1:
            return next(iter(layouts.values()))
        named = next((row.layout for row in self.nodes_of(session).values() if row.node == node), None)
        if named not in layouts:
            found = f"node {node} speaks {named or 'no layout that is named'}"
            expected = f"one of {', '.join(layouts)} in the column layout"
            raise SettingsError(found, f"config/nodes.tsv, session {session}", expected)
        return layouts[named]

    def streams_of(self, session: str) -> list[tuple[Node, Kind]]:
        """Each stream of samples that a session's nodes may send."""
        return [
            (node, kind)
            for node in self.nodes_of(session).values()
            if node.node != HUB
            for kind in self.layout_of(session, node.node).kinds
            if kind.channels
        ]

    def speakers_of(self, session: str) -> list[tuple[Layout, list[int]]]:
        """Each layout of a session, with the addresses of the nodes that speak it."""
        nodes = self.nodes_of(session)
        return [
            (layout, sorted(at for at, node in nodes.items() if self.layout_of(session, node.node) is layout))
            for layout in self.layouts_of(session).values()
        ]

    def units_of(self, session: str) -> dict[str, str]:
        """Unit of each channel that a session's nodes may send, by the channel's name."""
        kinds = [kind for layout in self.layouts_of(session).values() for kind in layout.kinds]
        return {channel.name: channel.unit for kind in kinds for channel in kind.channels}

    def captures_of(self, session: str) -> list[list[Path]]:
        """Captures, each its files in order; raise SettingsError for a file that is absent or empty."""
        named, where = capture_files(self.session(session).captures), f"session {session}"
        if not all(name for files in named for name in files):
            found = f"captures are {self.session(session).captures!r}, with an empty place"
            raise SettingsError(found, where, "files joined by ; and captures separated by |")
        captures = [[self.root / name for name in files] for files in named]
        for path in (path for files in captures for path in files):
            if not path.is_file():
                raise SettingsError(f"no capture at {path}", where, "the file that sessions.tsv names")
            if path.stat().st_size == 0:
                raise SettingsError(f"capture {path} is empty", where, "frames", "Check the logger.")
        return captures

    def zone_of(self, session: str) -> ZoneInfo:
        return ZoneInfo(self.session(session).zone or self.file.zone)

    def utc_ns(self, session: str, local: datetime) -> int:
        """Nanoseconds UTC of a local instant of a session; raise SettingsError where a change of
        summer time makes it ambiguous or skips it.
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
        """The session's written start and end in nanoseconds UTC; null where not written."""
        row = self.session(session)
        start, end = (None if at is None else self.utc_ns(session, at) for at in (row.start, row.end))
        if start is not None and end is not None and end <= start:
            found = f"ends at {row.end}, before its start {row.start}"
            raise SettingsError(found, f"session {session}", "a later end", "Correct config/sessions.tsv.")
        return start, end

    @property
    def scenario(self) -> Path:
        """The plan of simulated sessions, where the study has one."""
        return self.root / "config" / "scenario.yaml"

    @functools.cached_property
    def planned(self) -> frozenset[str]:
        """Sessions whose captures are simulated, by the scenario."""
        if not self.scenario.exists():
            return frozenset()
        return frozenset(yaml_io.load(self.scenario, Planned).sessions)

    def simulated_captures_of(self, session: str) -> None:
        """Raise SettingsError where simulating a planned session would cost a raw capture."""
        capture = self.root / "captures" / f"{session}.bin"
        if capture.exists() and not capture.with_suffix(".truth.npz").exists():
            raise SettingsError(
                f"{capture} has no truth file beside it, so it was recorded, not simulated",
                f"session {session}",
                "a place where no raw capture would be overwritten",
                "Move it away, or take the session out of config/scenario.yaml.",
            )

    def problems(self, session: str, *, captures: bool = True) -> list[SettingsError]:
        """Everything in the settings that keeps ``session`` from running, what a broken file has to say
        left out; ``captures`` says whether these must be there.
        """
        return checks.problems(self, self.session(session).session, captures)

    def phases_of(self, session: str) -> list[tuple[str, int, int | None]]:
        """Noted phases as (name, start, end) in nanoseconds UTC, ordered by their instants; an open end
        is null. Raise SettingsError where a local time is none, or a phase ends before its start.
        """
        rows = [(self.utc_ns(session, event.start), event) for event in self.rows_of(session)[1]]
        rows.sort(key=lambda each: (each[0], each[1].phase))
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
