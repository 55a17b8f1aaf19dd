"""Recordings that come decoded already: CSV or Parquet files with sequence numbers.

A row is a frame (columns ``ecg_0`` to ``ecg_19`` for a channel ``ecg`` of 20 samples) or a sample
(a column ``ecg``; consecutive rows of one sequence number are a frame). Either way the columns are

    node        name or address; may be left out where the session has one node
    stream      as the layout names it; may be left out where the layout has one
    kind        number of the kind of frame, where the layout has several of the stream
    sequence    as the node counted, within the width that the layout gives it
    ticks       the node's; without them the time stands in
    time        when the frame came: numbers, or ISO 8601 instants with their offset from UTC; without
                it the ticks stand in, where there is one node

and, if known, boot, battery (V), rssi (dBm) and lqi. Of these three an empty cell, NaN and infinity
are null; in any other column they are an error, which names the line. A row that comes again is a
duplicate. A text file is UTF-8, or UTF-16 with a byte order mark, and its separator is that of comma,
semicolon and tab which separates the column names. ``config/recorded/<layout>.yaml`` declares the
rest: see :class:`.reading.ColumnNames`::

    sequence: packet             # a column of another name
    channels: {ecg: potential}   # the same for a channel
    fields: {hops: hop_count}    # the same for a field of role other; without its column it is null
    values: physical             # in the channel's unit, not in counts
    decimal: ","
    time_unit_ns: 1000000        # times in milliseconds, with or without decimals
    time_utc: true               # since 1970; instants without an offset are UTC, too

Where the session names a format of decoded recordings and no layout, that format declares all of it: see
:mod:`nodeday.layouts.recording`.

The rows become frames of the layout, as its nodes would have sent them, and all that follows treats
them as such. Where the times are UTC and the layout has host marks, marks that say so are made, for
the hub's clock then is UTC.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from nodeday.config.study import HUB
from nodeday.core.arrays import Bools, Ints
from nodeday.core.errors import ContractError
from nodeday.layouts import Kind, Layout, encode_frames, pack_counts
from nodeday.layouts.recorded_nodes import addresses_of
from nodeday.layouts.recording import RecordedLayout
from nodeday.stages.frames import rowfile
from nodeday.stages.frames.containers import FileFacts, refuse_moving
from nodeday.stages.frames.reading import Reading
from nodeday.stages.frames.rowcolumns import RowColumns
from nodeday.stages.frames.rowfile import RowBatch
from nodeday.stages.frames.rowparts import Part, joined
from nodeday.stages.frames.scan import FoundFrames, ScannedBlock
from nodeday.storage import frame_fields

Made = tuple[int, Ints, NDArray[np.uint8], dict[str, Bools]]
"""Number of a kind, last row of each frame, the frames' bytes, and by role what they do not know."""


def form_of(path: Path, reading: Reading) -> str:
    """Return ``csv``, ``parquet`` or nothing, by what the file begins with and not by its name."""
    with path.open("rb") as file:
        if file.read(4) == b"PAR1":
            return "parquet"
    return "csv" if rowfile.text_form(path, reading.sequence, reading.separator) else ""


def nodes_in(paths: list[Path], reading: Reading) -> dict[int, str]:
    """Return what the column of nodes calls each node, by its address of :func:`addresses_of`.

    One node ``node`` where there is no such column. Raises ContractError where a file is no recording, and
    where two texts are one address.
    """
    name, texts = reading.columns.get("node", ""), dict[str, None]()
    for path in paths:
        text = rowfile.text_form(path, reading.sequence, reading.separator)
        if text is None and form_of(path, reading) != "parquet":
            raise ContractError("is no recording", str(path), f"a column {reading.sequence}")
        for rows in rowfile.read(path, text, reading.decimal):
            if not rows.has(name):
                return {1: "node"}
            texts |= dict.fromkeys(np.unique(rows.text(name)).tolist())
    listed = ", ".join(str(path) for path in paths)
    return {address: text for text, address in addresses_of(texts, listed).items()}


@dataclass
class DecodedRecording:
    """The decoded files of one capture, read in order as blocks of frames; counted afterwards."""

    paths: list[Path]
    reading: Reading
    layouts: list[Layout]
    names: Mapping[int, str]
    facts: list[FileFacts] = field(default_factory=list)
    rows: int = 0
    in_frames: int = 0
    marks: int = 0
    size: int = 0
    _marked: int | None = None
    _held: dict[tuple[int, int], Part] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.columns = RowColumns(self.reading, self.layouts, self.names)

    def blocks(self) -> Iterator[ScannedBlock]:
        """Frames of the rows; raise ContractError with the line of a row that does not fit the layout."""
        for path in self.paths:
            form = form_of(path, self.reading)
            if not form:
                expected = f"a column {self.reading.sequence}"
                raise ContractError("is no recording as the files before it are", str(path), expected)
            before = path.stat()
            with path.open("rb") as file:
                digest = hashlib.file_digest(file, "sha256").hexdigest()
            self.facts.append(FileFacts(path.name, before.st_size, digest, read=before.st_size))
            text = None
            if form == "csv":
                text = rowfile.text_form(path, self.reading.sequence, self.reading.separator)
            for rows in rowfile.read(path, text, self.reading.decimal):
                yield self._block(rows)
            refuse_moving(path, before, before.st_size)
        for (address, slot), part in self._held.items():
            kind = self.columns.slots[slot][1]
            name, number = f"{self.names[address]}/{kind.stream}", int(part.fields["sequence"][0])
            raise ContractError(
                f"the last frame of {name}, number {number}, has {len(part.at)} rows",
                str(self.paths[-1]),
                f"{kind.samples}, the samples of a frame",
            )

    def _block(self, rows: RowBatch) -> ScannedBlock:
        """Frames that end in these rows, laid one after the other in the order of their last rows."""
        is_frames = self.columns.is_frames(rows)
        address, (time_ns, utc) = self.columns.nodes(rows), self.columns.times(rows)
        made: list[Made] = []
        for number, at in self.columns.streams(rows):
            layout, kind = self.columns.slots[number]
            own = rows.take(at)
            part = self.columns.part(own, layout, kind, address[own.at], time_ns[own.at], is_frames)
            if not is_frames:
                part = self._grouped(rows, part, number, kind)
            if len(part.at):
                made.append((number, part.at, self._encoded(layout, kind, part, rows), part.null))
                self.in_frames += len(part.at) * (1 if is_frames else kind.samples)
            self.rows += len(at)
        return ScannedBlock(self._laid(made + (self._marks_at(time_ns) if utc else [])), [])

    def _grouped(self, rows: RowBatch, part: Part, slot: int, kind: Kind) -> Part:
        """Frames of rows that are samples; an unfinished last frame waits for the next rows."""
        done = []
        for address in np.unique(part.fields["node"]).tolist():
            own = part.take(part.fields["node"] == address)
            held = self._held.pop((address, slot), None)
            own = own if held is None else joined([held.moved(-1), own])
            last = self.reading.last_row
            frames, rest, wrong = own.framed(kind, kind.stamp == "last" if last is None else last)
            if wrong is not None:
                number, size, at = wrong
                raise ContractError(
                    f"frame {number} of {self.names[address]}/{kind.stream} has {size} rows",
                    rows.where(max(at, 0)),
                    f"{kind.samples}, the samples of a frame",
                )
            if len(rest.at):
                self._held[address, slot] = rest
            done.append(frames)
        return joined(done)

    def _encoded(self, layout: Layout, kind: Kind, part: Part, rows: RowBatch) -> NDArray[np.uint8]:
        try:
            payload = pack_counts(part.counts, kind)
        except ValueError as error:
            raise ContractError(f"stream {kind.stream}: {error}", rows.where(0)) from None
        return encode_frames(layout, kind, part.fields, payload)

    def _marks_at(self, time_ns: Ints) -> list[Made]:
        """Host marks that say what the times say of themselves: the hub's clock is UTC."""
        hub = next((address for address, name in self.names.items() if name == HUB), None)
        for slot, (layout, kind) in enumerate(self.columns.slots):
            utc = next((each for each in kind.fields if each.role == "utc"), None)
            stamp = layout.field("hub_time")
            if hub is None or utc is None or stamp is None:
                continue
            turn = time_ns // round(kind.period_s * 1e9)
            before = np.concatenate([[turn[0] - 1 if self._marked is None else self._marked], turn[:-1]])
            at = np.flatnonzero(turn > np.maximum.accumulate(before))
            if not len(at):
                return []
            self._marked = int(max(turn.max(), before[0]))
            number, unit_ns = self.marks + np.arange(len(at)), stamp.unit_ns or 1
            said = -(-time_ns[at] // (utc.unit_ns or 1))  # rounded up: a host is never early
            if isinstance(layout, RecordedLayout):
                said = time_ns[at]
            fields = {
                "node": np.full(len(at), hub),
                "sequence": number,
                "ticks": self.columns.ticks_at(time_ns[at]),
                "hub_time": time_ns[at] // unit_ns,
                "utc": said,
            }
            self.marks += len(at)
            others = map(frame_fields.column_of, (each.name for each in frame_fields.fields_of(layout, kind)))
            unknown = {name: np.ones(len(at), np.bool_) for name in others}
            return [(slot, at, encode_frames(layout, kind, fields), unknown)]
        return []

    def _laid(self, made: list[Made]) -> list[FoundFrames]:
        if not made:
            return []
        sizes = np.concatenate([np.full(len(at), frames.shape[1]) for _, at, frames, _ in made])
        order = np.argsort(np.concatenate([at for _, at, _, _ in made]), kind="stable")
        starts = np.empty(len(order), np.int64)
        starts[order] = self.size + np.cumsum(sizes[order]) - sizes[order]
        self.size += int(sizes.sum())
        self.facts[-1].taken += int(sizes.sum())
        parts = np.split(starts, np.cumsum([len(at) for _, at, _, _ in made])[:-1])
        return [
            FoundFrames(*self.columns.slots[slot], start, start + frames.shape[1], frames, null)
            for (slot, _, frames, null), start in zip(made, parts, strict=True)
        ]
