"""Answers that make a new study, each checked as it comes in."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

from pydantic import ValidationError

from nodeday.config.models import Node, Participant, Session
from nodeday.config.study import HUB
from nodeday.config.values import known_zone
from nodeday.core import privacy
from nodeday.core.errors import SettingsError
from nodeday.core.paths import DEMO_CONFIG
from nodeday.core.tsv_io import Row, in_words
from nodeday.layouts import Layout, load_layout

DEMO_LAYOUT = "beltframe"
SKELETON = Path(__file__).parent / "skeleton.yaml"


@dataclass
class Answers:
    """Answers so far.

    ``layout`` is the file that is copied, ``layout_name`` its name in the study. ``streams`` are what each
    node sends where captures are to be simulated; without any, captures are expected to be recorded.
    """

    study: str
    title: str = ""
    zone: str = ""
    layout: Path | None = None
    layout_name: str = ""
    sessions: list[Session] = field(default_factory=list)
    nodes: list[Node] = field(default_factory=list)
    streams: dict[str, list[str]] = field(default_factory=dict)

    def add_session(self, session: str, participant: str, captures: str) -> None:
        """Add a recording; raise SettingsError for what is no row of the sheet, or is there already."""
        where = f"session {session}"
        row = checked_row(
            Session,
            where,
            session=session,
            participant=participant,
            captures=captures,
            layout=self.layout_name or DEMO_LAYOUT,
        )
        checked_row(Participant, where, participant=participant)
        if session in [row.session for row in self.sessions]:
            raise SettingsError("is there twice", where, "a code for each")
        self.sessions.append(row)

    def add_node(self, node: str, address: str, placement: str) -> None:
        """Add a node; raise SettingsError for what is no row of the sheet, or is there already."""
        where = f"node {node}"
        row = checked_row(Node, where, session="*", node=node, address=address, placement=placement)
        for other in self.nodes:
            if row.node == other.node:
                raise SettingsError("is there twice", where, "a name for each")
            if row.address == other.address:
                raise SettingsError(f"has address {address}, as {other.node} has", where, "an address each")
        self.nodes.append(row)

    def set_zone(self, zone: str) -> None:
        """Set the time zone of notes; raise SettingsError for one that is not known."""
        try:
            self.zone = known_zone(zone)
        except ValueError as error:
            raise SettingsError(str(error), expected="one such as Europe/Madrid, or UTC") from None

    def set_layout(self, given: str) -> None:
        """Take a layout file, or the demo's layout by its name; raise SettingsError where there is none."""
        demo = DEMO_CONFIG / "layouts" / f"{DEMO_LAYOUT}.yaml"
        path = demo if given == DEMO_LAYOUT else Path(given)
        if not path.is_file():
            raise SettingsError(
                "no such layout",
                given,
                f"a file, or {DEMO_LAYOUT}",
                "`--skeleton NAME` writes one to be filled in.",
            )
        load_layout(path)
        self._name_layout(path.stem)
        self.layout = path

    def set_skeleton(self, name: str) -> None:
        """Take a layout that is still to be filled in, under a new name."""
        self._name_layout(name)
        self.layout = SKELETON

    def _name_layout(self, name: str) -> None:
        checked_row(Node, f"layout {name}", session="*", node="x", address="1", placement="x", layout=name)
        self.layout_name = name

    def add_stream(self, given: str) -> None:
        """Add to what is simulated, given as ``NODE=STREAM``; raise SettingsError where either is unknown."""
        node, equals, stream = given.partition("=")
        if not equals:
            raise SettingsError(f"--simulate {given}", expected="NODE=STREAM, such as heart=ecg")
        names = [row.node for row in self.sensor_nodes]
        if node not in names:
            raise SettingsError(f"--simulate {given}: no node {node}", expected=f"one of {', '.join(names)}")
        if stream not in self.all_streams:
            raise SettingsError(
                f"--simulate {given}: no stream {stream} in layout {self.layout_name}",
                expected=f"one of {', '.join(self.all_streams)}",
            )
        self.streams.setdefault(node, []).append(stream)

    def refuse_unfit_simulation(self) -> None:
        """Raise SettingsError where captures cannot be simulated from these answers."""
        silent = [row.node for row in self.sensor_nodes if row.node not in self.streams]
        if silent:
            raise SettingsError(
                f"nothing says what {', '.join(silent)} sends",
                "--simulate",
                f"--simulate {silent[0]}={self.all_streams[0]} or so",
            )
        for row in self.sessions:
            if row.captures != f"captures/{row.session}.bin":
                raise SettingsError(
                    f"a simulated capture cannot be {row.captures}",
                    f"session {row.session}",
                    f"captures/{row.session}.bin",
                )

    @property
    def sensor_nodes(self) -> list[Node]:
        """Nodes but for the hub."""
        return [row for row in self.nodes if row.node != HUB]

    @property
    def parsed_layout(self) -> Layout:
        """The layout, read from its file."""
        assert self.layout is not None
        return load_layout(self.layout)

    @property
    def all_streams(self) -> list[str]:
        """Streams of samples that the layout describes."""
        return [kind.stream for kind in self.parsed_layout.streams if kind.channels]


def checked_row(model: type[Row], where: str, **cells: str) -> Row:
    """Return a row of a sheet; raise SettingsError where the sheet would refuse it."""
    for name, value in cells.items():
        if any(ord(letter) < 32 for letter in value):
            raise SettingsError(f"{name} is {value!r}, with a control character", where, "plain text")
    privacy.refuse(where, list(cells), [(1, cells)], ())
    try:
        return model.model_validate({name: value for name, value in cells.items() if value})
    except ValidationError as error:
        raise SettingsError(in_words(error), where) from None


def study_code(name: str) -> str:
    """Return a study's code from its folder's name: a letter, then letters, digits or hyphens.

    >>> study_code("my study"), study_code("2026")
    ('my-study', 'study-2026')
    """
    kept = "".join(letter if letter.isascii() and letter.isalnum() else "-" for letter in name).strip("-")
    return kept if kept[:1].isalpha() else f"study-{kept}".rstrip("-")
