"""The files of a study of decoded recordings: formats, sheets and settings, and the list of what to check."""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise
from pathlib import Path

from nodeday.cli.init import texts
from nodeday.cli.init.recordings.channels import free_name
from nodeday.cli.init.recordings.counters import Width
from nodeday.cli.init.recordings.form_text import CHECK, form_text
from nodeday.cli.init.recordings.numbers import StepFound
from nodeday.cli.init.recordings.proposal import Given, Proposal, ProposedChannel, ProposedStream, propose
from nodeday.cli.init.recordings.source import open_source
from nodeday.config.study import HUB
from nodeday.config.writer import sheet
from nodeday.core import yaml_io
from nodeday.core.errors import SettingsError
from nodeday.layouts.recorded_nodes import addresses_of
from nodeday.layouts.recording import RecordingFormat

ONE_NODE = ""
"""In place of what a file calls its node, where it has no column for it."""
NO_PLACEMENT = "unstated"


@dataclass
class NodeRow:
    """A node of the study: its name, address and placement, and the sessions in which it sends."""

    name: str
    address: int
    placement: str
    sessions: set[str] = field(default_factory=set)


@dataclass
class Draft:
    """A study to be: files, what each measured, its nodes by what the files call them, settings.

    ``participants`` are by session, in the order of the files.
    """

    study: str
    title: str
    zone: str
    zone_given: bool
    proposals: list[Proposal]
    nodes: dict[str, NodeRow]
    participants: dict[str, str]

    @property
    def sessions(self) -> list[str]:
        """Codes of the sessions, a file each."""
        return list(self.participants)


def measured(paths: Sequence[Path], given: Given) -> list[Proposal]:
    """Return a proposal for each file; raise SettingsError where one cannot be read."""
    for path in paths:
        if set("{}<>;|") & set(str(path)):
            raise SettingsError("its name holds one of {}<>;|", str(path), "a name without them")
    return [propose(open_source(path), given) for path in paths]


def draft(
    study: str,
    title: str,
    zone: str,
    proposals: list[Proposal],
    placed: Mapping[str, tuple[str, str]],
) -> Draft:
    """Return a study of a session for each file; ``placed`` are names and placements by a file's names.

    Raises SettingsError for a name in ``placed`` that no file has, ContractError where two names of the files
    are one address.
    """
    sessions = [f"S{number:02}" for number in range(1, len(proposals) + 1)]
    participants = {session: f"P{session[1:]}" for session in sessions}
    taken = {HUB, *(name for name, _ in placed.values())}
    nodes: dict[str, NodeRow] = {}
    by_session = [(each.all_rows.nodes or {ONE_NODE: each.all_rows.rows}) for each in proposals]
    texts_seen = list(dict.fromkeys(text for found in by_session for text in found))
    addresses = addresses_of(texts_seen, ", ".join(str(each.source.path) for each in proposals))
    if unknown := sorted(set(placed) - {*texts_seen}):
        raise SettingsError(
            f"--node: no row is of {', '.join(unknown)}", "init", f"one of {', '.join(texts_seen)}"
        )
    for text in texts_seen:
        name, placement = placed.get(text, ("", NO_PLACEMENT))
        wanted = text if text[:1].isalpha() else f"node{text}"
        where = {session for session, found in zip(sessions, by_session, strict=True) if text in found}
        nodes[text] = NodeRow(name or free_name(wanted, taken), addresses[text], placement, where)
    return Draft(study, title, zone or "UTC", bool(zone), proposals, nodes, participants)


def study_files(folder: Path, made: Draft) -> dict[str, str]:
    """Return the text of each file by its path in ``config/``."""
    # A recording may call a node by its name or its address; what else it calls it stands in the format.
    names = {
        text: row.name
        for text, row in made.nodes.items()
        if text not in (ONE_NODE, row.name, str(row.address))
    }
    shapes: list[Proposal] = []
    layout_of = []
    for proposal in made.proposals:
        at = next((at for at, each in enumerate(shapes) if _alike(each, proposal)), len(shapes))
        shapes[at : at + 1] = [_joined(shapes[at], proposal) if at < len(shapes) else proposal]
        layout_of.append("recording" if not at else f"recording{at + 1}")
    files = {}
    for at, proposal in enumerate(shapes):
        name = "recording" if not at else f"recording{at + 1}"
        files[f"recorded/{name}.yaml"] = form_text(name, proposal, names)
    forms = [yaml_io.parse(text, RecordingFormat, name) for name, text in files.items()]
    layouts = [form.layout for form in forms]
    sessions = [
        {
            "session": session,
            "participant": made.participants[session],
            "captures": _relative(proposal.source.path, folder),
            "layout": layout,
        }
        for session, proposal, layout in zip(made.sessions, made.proposals, layout_of, strict=True)
    ]
    people = dict.fromkeys(made.participants.values())
    return files | {
        "study.yaml": texts.study_text(made.study, made.title, made.zone, layouts),
        "participants.tsv": sheet("participants", ({"participant": code} for code in people)),
        "sessions.tsv": sheet("sessions", sessions),
        "nodes.tsv": sheet("nodes", _node_rows(made, forms)),
        "events.tsv": sheet("events", []),
    }


def _node_rows(made: Draft, forms: list[RecordingFormat]) -> Iterator[dict[str, object]]:
    if any(form.time and form.time.is_utc for form in forms):
        taken = {row.address for row in made.nodes.values()}
        address = 0 if 0 not in taken else max(taken) + 1
        yield {"session": "*", "node": HUB, "address": address, "placement": HUB}
    for row in made.nodes.values():
        for session in ["*"] if len(row.sessions) == len(made.sessions) else sorted(row.sessions):
            yield {
                "session": session,
                "node": row.name,
                "address": row.address,
                "placement": row.placement,
            }


def _relative(path: Path, folder: Path) -> str:
    return Path(os.path.relpath(path.resolve(), folder.resolve())).as_posix()


def _key(proposal: Proposal) -> tuple[object, ...]:
    time, text = proposal.time, proposal.source.text
    form = (text.separator, proposal.source.decimal) if text else None
    streams = [
        (
            each.name,
            each.label,
            each.type,
            each.samples,
            each.rate_hz,
            [c.columns.column for c in each.channels],
        )
        for each in proposal.streams
    ]
    kind = (time.unit, time.since, time.needs_zone, time.zone, proposal.time_of)
    return form, sorted(proposal.columns.roles.items()), kind, proposal.is_frames, streams


def _alike(one: Proposal, other: Proposal) -> bool:
    """Whether one format serves both files."""
    bits = {width for width in (one.sequence.bits, other.sequence.bits) if width is not None}
    greatest = max(one.all_rows.sequence.most, other.all_rows.sequence.most)
    return _key(one) == _key(other) and len(bits) < 2 and all(greatest >> width == 0 for width in bits)


def _joined(one: Proposal, other: Proposal) -> Proposal:
    """Return what both files measured: the finer steps, and the width that either shows."""
    streams = [
        replace(a, channels=[_finer(x, y) for x, y in zip(a.channels, b.channels, strict=True)])
        for a, b in zip(one.streams, other.streams, strict=True)
    ]
    all_rows = replace(one.all_rows, rows=one.all_rows.rows + other.all_rows.rows)
    time = replace(one.time, resolution_ns=min(one.time.resolution_ns, other.time.resolution_ns))
    ticks = one.ticks
    if one.ticks and other.ticks:
        ticks = one.ticks._replace(width=_wider(one.ticks.width, other.ticks.width))
    return replace(
        one,
        streams=streams,
        all_rows=all_rows,
        time=time,
        ticks=ticks,
        sequence=_wider(one.sequence, other.sequence),
    )


def _wider(one: Width, other: Width) -> Width:
    return one if one.bits is not None else other


def _finer(one: ProposedChannel, other: ProposedChannel) -> ProposedChannel:
    """Return a channel whose step serves both: a rounded one where either is, the finer one otherwise."""
    a, b = one.step, other.step
    if a.exact and b.exact:
        return replace(one, step=min(a, b))
    rounded = [step for step in (a, b) if not step.exact]
    return replace(one, step=StepFound(max(s.size for s in rounded), False, max(s.worst for s in rounded)))


def measured_lines(proposal: Proposal) -> list[str]:
    """Return what a file measured, in lines for a person."""
    source, roles = proposal.source, proposal.columns.roles
    form = "Parquet"
    if source.text is not None:
        encoding = source.text.encoding.removesuffix("-sig").upper()
        separator = {"\t": "tab", ",": "comma", ";": "semicolon"}[source.text.separator]
        decimal = "comma" if source.decimal == "," else "point"
        form = f"{encoding} text, {separator} between cells, decimal {decimal}"
    lines = [f"{source.path.name}: {proposal.all_rows.rows:,} rows; {form}"]
    nodes = ", ".join(f"{text} ({count:,} rows)" for text, count in proposal.all_rows.nodes.items())
    words = {
        "node": f"node: {nodes}",
        "stream": "stream",
        "sequence": f"sequence number; {proposal.sequence.words}",
        "time": f"time; {proposal.time.how}, in steps of {proposal.time.resolution_ns / 1e6:g} ms",
    }
    if proposal.ticks:
        words["ticks"] = f"ticks, {proposal.ticks.rate_hz:g} a second; {proposal.ticks.width.words}"
    lines += [f"  {name:<14} {words.get(role, role)}" for role, name in roles.items()]
    for stream in proposal.streams:
        lines += _stream_lines(stream)
    if proposal.columns.ignored:
        lines.append(f"  not read: {', '.join(proposal.columns.ignored)}")
    return lines


def _stream_lines(stream: ProposedStream) -> list[str]:
    measure = stream.measure
    frame = f", {stream.samples} samples in a frame" if stream.samples > 1 else ""
    rate = f"{stream.rate_hz:g} Hz (measured {stream.samples / measure.period_s:.7g})"
    lines = [f"  stream {stream.name}: {rate}{frame}; over {measure.units:,} frames that follow one another"]
    for each in stream.channels:
        exact = "every number" if each.step.exact else f"rounded, by {each.step.worst:.2g} at most"
        unit = each.unit.unit if each.unit.sure else "an unknown unit"
        lines.append(f"    {each.columns.column}: {unit}, steps of {each.step.size:g} ({exact})")
    return lines


def to_check(made: Draft, files: Mapping[str, str]) -> list[str]:
    """Return what a person must check, each with its file and line."""
    found = []
    for name, text in files.items():
        for number, line in enumerate(text.splitlines(), 1):
            if CHECK in line:
                found.append(f"{name} line {number}: {line.partition(CHECK)[2]}")
    if unplaced := [row.name for row in made.nodes.values() if row.placement == NO_PLACEMENT]:
        found.append(f"nodes.tsv: where {', '.join(unplaced)} {'is' if len(unplaced) == 1 else 'are'} worn")
    if not made.zone_given:
        found.append("study.yaml: zone, the time zone of your notes")
    several = f"{made.sessions[0]} to {made.sessions[-1]}" if len(made.sessions) > 1 else made.sessions[0]
    found.append(f"sessions.tsv: whose recording {several} is")
    if any(proposal.time.since == "start" for proposal in made.proposals):
        found.append("sessions.tsv: start of each session, since the times count from some start")
    return found + _overlaps(made)


def _overlaps(made: Draft) -> list[str]:
    instants = [each for each in made.proposals if each.time.since != "start"]
    spans = sorted((each.all_rows.span_ns, each.source.path.name) for each in instants)
    for (one, name), (other, later) in pairwise(spans):
        if other[0] < one[1]:
            return [
                f"sessions.tsv: {name} and {later} overlap in time and are a session each; nodes of one "
                "session must stand in one file, in order of time"
            ]
    return []
