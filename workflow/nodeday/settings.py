"""Every setting of a study, typed, unknown keys refused.

A study is a folder: ``config/`` (one YAML file, four sheets, layouts), the captures, and
``results/``, which nodeday writes. Sheets are tab-separated with a header line.
"""

from __future__ import annotations

import difflib
import functools
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Literal
from zoneinfo import ZoneInfo, available_timezones

from pydantic import BaseModel, field_validator
from pydantic import Field as Setting

from nodeday import yamlfile
from nodeday.errors import SettingsError
from nodeday.layouts.model import Layout, load_layout
from nodeday.sheetfile import load as _sheet
from nodeday.yamlfile import CODE as CODE
from nodeday.yamlfile import CODE_OR_ALL, NAME, Strict

HUB = "hub"


class Epochs(Strict):
    """Feature windows."""

    seconds: int = Setting(default=30, ge=1, le=3600)
    min_coverage: float = Setting(default=0.8, ge=0, le=1)


class Grid(Strict):
    """The session's common grid."""

    rate_hz: float = Setting(default=50.0, gt=0, le=2000)


class Fill(Strict):
    """What may be filled in a stream: gaps no longer than ``max_ms``, by ``method``."""

    method: Literal["none", "linear", "cubic"] = "none"
    max_ms: float = Setting(default=0.0, ge=0, le=60_000)


class Limits(Strict):
    """What a session and its nodes must reach; what falls short is listed, never deleted."""

    min_hours: float = Setting(default=0.5, ge=0)
    min_coverage: float = Setting(default=0.8, ge=0, le=1)
    max_clock_uncertainty_ms: float = Setting(default=20.0, gt=0)


class StudyFile(Strict):
    """``config/study.yaml``."""

    study: str = Setting(pattern=CODE)
    title: str = ""
    zone: str = "UTC"
    epochs: Epochs = Epochs()
    grid: Grid = Grid()
    fill: dict[str, Fill] = Setting(default_factory=dict)
    limits: Limits = Limits()

    @field_validator("zone")
    @classmethod
    def _known_zone(cls, zone: str) -> str:
        return known_zone(zone)


class _Planned(BaseModel):
    """Of a scenario, only which sessions it plans; the simulator reads the rest."""

    sessions: dict[str, object]


class Participant(Strict):
    participant: str = Setting(pattern=CODE)
    age_years: int | None = Setting(default=None, ge=0, le=120)
    resting_bpm: float | None = Setting(default=None, ge=20, le=150)


class Session(Strict):
    """``captures`` are paths from the study's folder, joined in order by ``;``."""

    session: str = Setting(pattern=CODE)
    participant: str = Setting(pattern=CODE)
    captures: str
    layout: str = Setting(pattern=CODE)
    zone: str | None = None
    start: datetime | None = None
    end: datetime | None = None

    @field_validator("zone")
    @classmethod
    def _known_zone(cls, zone: str | None) -> str | None:
        return zone and known_zone(zone)


class Node(Strict):
    """``session`` is a session's code, or ``*`` for all of them."""

    session: str = Setting(pattern=CODE_OR_ALL)
    node: str = Setting(pattern=NAME)
    address: int = Setting(ge=0)
    placement: str = Setting(pattern=CODE)


class Event(Strict):
    """A phase of a session, in local time; without ``end`` it lasts to the next one."""

    session: str = Setting(pattern=CODE)
    phase: str = Setting(pattern=CODE)
    start: datetime
    end: datetime | None = None


@functools.cache
def _zones() -> frozenset[str]:
    return frozenset(available_timezones())


def known_zone(zone: str) -> str:
    """``zone`` itself; raise ValueError with the nearest known one."""
    if zone in _zones():
        return zone
    near = difflib.get_close_matches(zone, _zones(), n=1)
    raise ValueError(f"no time zone is named {zone}" + (f" (did you mean {near[0]}?)" if near else ""))


class Study:
    """A study's folder with its settings read. Problems of one session are kept apart: see
    :meth:`problems`; problems of the study as a whole raise SettingsError on reading."""

    def __init__(self, root: Path) -> None:
        self.root = root
        config = root / "config"
        self.file = yamlfile.load(config / "study.yaml", StudyFile)
        self.participants = _sheet(config / "participants.tsv", Participant, "participant")
        self.sessions = {row.session: row for row in _sheet(config / "sessions.tsv", Session, "session")}
        self.nodes = _sheet(config / "nodes.tsv", Node)
        events = config / "events.tsv"
        self.events = _sheet(events, Event) if events.exists() else []
        named = [row.session for row in self.nodes] + [row.session for row in self.events]
        unknown = set(named) - {*self.sessions, "*"}
        if unknown:
            found = f"nodes.tsv or events.tsv name {', '.join(sorted(unknown))}, which has no row here"
            raise SettingsError(found, str(config / "sessions.tsv"), "a row each")

    @property
    def results(self) -> Path:
        return self.root / "results"

    def session(self, name: str) -> Session:
        if name not in self.sessions:
            near = difflib.get_close_matches(name, self.sessions, n=1)
            raise SettingsError(
                f"no session {name}" + (f" (did you mean {near[0]}?)" if near else ""),
                str(self.root / "config" / "sessions.tsv"),
            )
        return self.sessions[name]

    def nodes_of(self, session: str) -> dict[int, Node]:
        """Nodes of a session by address; a row of its own wins over a ``*`` row of that name."""
        general = {row.node: row for row in self.nodes if row.session == "*"}
        own = {row.node: row for row in self.nodes if row.session == session}
        rows = list({**general, **own}.values())
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

    def layout_of(self, session: str) -> Layout:
        return load_layout(self.root / "config" / "layouts" / f"{self.session(session).layout}.yaml")

    def captures_of(self, session: str) -> list[Path]:
        """Capture files in order; raise SettingsError for one that is absent or empty."""
        paths = [self.root / part.strip() for part in self.session(session).captures.split(";")]
        for path in paths:
            where = f"session {session}"
            if not path.is_file():
                raise SettingsError(f"no capture at {path}", where, "the file that sessions.tsv names")
            if path.stat().st_size == 0:
                raise SettingsError(f"capture {path} is empty", where, "frames", "Check the logger.")
        return paths

    def zone_of(self, session: str) -> ZoneInfo:
        return ZoneInfo(self.session(session).zone or self.file.zone)

    def utc_ns(self, session: str, local: datetime) -> int:
        """Nanoseconds UTC of a local instant of a session; raise SettingsError where a change of
        summer time makes it ambiguous or skips it."""
        if local.tzinfo is None:
            zone = self.zone_of(session)
            both = {local.replace(tzinfo=zone, fold=fold).utcoffset() for fold in (0, 1)}
            if len(both) > 1:
                raise SettingsError(
                    f"local time {local} exists twice or not at all in {zone.key}", f"session {session}",
                    "an instant with its UTC offset, such as 2026-10-25T02:30+02:00",
                )  # fmt: skip
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
        return frozenset(yamlfile.load(self.scenario, _Planned).sessions)

    def simulated_captures_of(self, session: str) -> None:
        """Raise SettingsError where simulating a planned session would cost a raw capture."""
        capture = self.root / "captures" / f"{session}.bin"
        if capture.exists() and not capture.with_suffix(".truth.npz").exists():
            raise SettingsError(
                f"{capture} has no truth file beside it, so it was recorded, not simulated",
                f"session {session}", "a place where no raw capture would be overwritten",
                "Move it away, or take the session out of config/scenario.yaml.",
            )  # fmt: skip

    def problems(self, session: str) -> list[SettingsError]:
        """Everything in the settings that keeps ``session`` from running."""
        row = self.session(session)
        found: list[SettingsError] = []
        captures = self.simulated_captures_of if session in self.planned else self.captures_of
        looks: list[Callable[[str], object]] = [
            self.nodes_of, self.layout_of, self.written_span, self.phases_of, self._fills_of, captures,
        ]  # fmt: skip
        for look in looks:
            try:
                look(session)
            except SettingsError as error:
                found.append(error)
        if row.participant not in {each.participant for each in self.participants}:
            found.append(SettingsError(
                f"participant {row.participant} is not in config/participants.tsv", f"session {session}",
                "a row for it",
            ))  # fmt: skip
        return found

    def _fills_of(self, session: str) -> None:
        """A fill for a stream that no layout has would be left out without a word."""
        streams: set[str] = set()
        for each in self.sessions:
            try:
                streams |= {kind.stream for kind in self.layout_of(each).kinds}
            except SettingsError:
                return  # told by the session whose layout it is
        for name in self.file.fill:
            if name not in streams:
                near = difflib.get_close_matches(name, streams, n=1)
                hint = f" (did you mean {near[0]}?)" if near else ""
                raise SettingsError(f"fill names {name}, a stream of no layout{hint}", "config/study.yaml")

    def phases_of(self, session: str) -> list[tuple[str, int, int | None]]:
        """Noted phases as (name, start, end) in nanoseconds UTC, ordered; an open end is null."""
        rows = sorted((e for e in self.events if e.session == session), key=lambda e: e.start.isoformat())
        spans = []
        for index, row in enumerate(rows):
            after = rows[index + 1].start if index + 1 < len(rows) else None
            end = row.end or after
            start_ns = self.utc_ns(session, row.start)
            end_ns = None if end is None else self.utc_ns(session, end)
            if end_ns is not None and end_ns <= start_ns:
                found = f"phase {row.phase} ends at {end}, before its start {row.start}"
                raise SettingsError(found, f"session {session}", "a later end", "Correct config/events.tsv.")
            spans.append((row.phase, start_ns, end_ns))
        return spans
