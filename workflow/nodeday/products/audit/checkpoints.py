"""What must hold between a capture's bytes and the stored tables, checked without the stages' own means.

The stages derive every table anew, which shows that nothing was altered since, but would repeat a fault of
theirs. So the checkpoints are passed once more in plain steps: each byte of a capture in one frame or reject,
each payload and checksum as the bytes have it, each raw count as the payload has it, each origin as the
ledger counts it.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from heapq import merge
from operator import attrgetter
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow.compute as compute

from nodeday.config.study import Study
from nodeday.core.arrays import Ints
from nodeday.layouts import Layout, unpack_counts
from nodeday.layouts.codec import payload_matrix
from nodeday.schemas.codes import DISTINCT
from nodeday.storage import frames, samples, tables

MOST = 5
"""Sentences of one checkpoint."""
NONE = -1 << 40
"""Stands for no count: below any that 32 bits hold."""
RECEIVED = ("measured", "recovered")
PIECE = 1024
"""Frames of a stream in memory at a time."""
FRAMES = ["row", "capture", "offset", "length", "node", "stream", "kind", "payload"]
Opened = Callable[[str, list[Path]], Iterable[bytes] | None]
"""The bytes of a session's capture as they were counted; None where it came decoded."""


@dataclass(frozen=True)
class Checkpoint:
    """One checkpoint: what passed it, in words, and a sentence for each thing that did not."""

    name: str
    passed: str
    wrong: list[str]


def of_session(study: Study, session: str, opened: Opened) -> list[Checkpoint]:
    """Every checkpoint of a session's stored tables."""
    span = ["capture", "offset", "length"]
    rejects = tables.path(study.results, "rejects", session)
    spans = [frames.table(study.results, session, span), tables.read(rejects, "rejects", span)]
    out = []
    for number, paths in enumerate(study.captures_of(session)):
        own = [each[each["capture"] == number] for each in spans]
        out.append(_bytes(f"capture {number}", own[0], own[1], opened(session, paths)))
        if (checkpoint := _contents(study, session, number, opened(session, paths))) is not None:
            out.append(checkpoint)
    return [*out, _samples(study, session)]


def _bytes(
    name: str, frames: pd.DataFrame, rejects: pd.DataFrame, stream: Iterable[bytes] | None
) -> Checkpoint:
    """Frames and rejects side by side from the first byte to the last::

    offset   0        40 43         90
             |  frame  | |  frame    |      each begins where the one before ends
    """
    spans = pd.concat([each[["offset", "length"]] for each in (frames, rejects)]).sort_values("offset")
    start, end = spans["offset"].to_numpy(np.int64), (spans["offset"] + spans["length"]).to_numpy(np.int64)
    size = int(end[-1]) if stream is None and len(end) else sum(map(len, stream or ()))
    starts, due = np.append(start, size), np.concatenate([[0], end])
    wrong = [
        f"{name}: a stretch begins at byte {starts[at]}, the one before ends at {due[at]}"
        for at in np.flatnonzero(starts != due)[:MOST].tolist()
    ]
    inside = int(frames["length"].sum())
    passed = (
        f"{name}: {size:,} = {inside:,} in {len(frames):,} frames + {size - inside:,} in "
        f"{len(rejects):,} rejects"
    )
    return Checkpoint("bytes", passed, wrong)


def _contents(study: Study, session: str, number: int, stream: Iterable[bytes] | None) -> Checkpoint | None:
    """Payload and checksum of each frame, from the bytes at its place; None where bytes are stuffed or
    came decoded, for then a place in the capture is no place in a frame.
    """
    layouts = {node.node: study.layout_of(session, node.node) for node in study.nodes_of(session).values()}
    if stream is None or any(each.framing != "sync" for each in layouts.values()):
        return None
    wrong: list[str] = []
    count = 0
    for row, raw in _at(stream, _frames(study, session, number)):
        count += 1
        what = _unlike(row, raw, layouts[str(row.node)])
        if what and len(wrong) < MOST:
            wrong.append(f"capture {number}: {what} of the frame at byte {row.offset}")
    return Checkpoint(
        "frames", f"capture {number}: {count:,} payloads and checksums read from the bytes", wrong
    )


def _unlike(row: Any, raw: bytes, layout: Layout) -> str:
    size = len(raw) - layout.overhead_bytes
    kind = layout.by_kind.get(row.kind)
    if kind is None or kind.stream != row.stream or kind.payload_bytes != size:
        return "kind, stream and length are not those"
    if raw[layout.payload_at : layout.payload_at + size] != row.payload:
        return "the payload is not that"
    field, covered = layout.field("checksum"), layout.covered(size)
    if field is None or covered is None:
        return ""
    at = layout.checksum_at(len(raw))
    sent = int.from_bytes(raw[at : at + field.bits // 8], layout.order_of(field))
    return "" if field.sum.of(raw[covered[0] : covered[1]]) == sent else "the checksum is not that"


def _frames(study: Study, session: str, number: int) -> Iterator[Any]:
    """Give the rows of a capture's frames in order, a piece of each stream in memory at a time."""

    def of_stream(key: frames.Key) -> Iterator[Any]:
        for rows in frames.pieces(study.results, session, key, FRAMES, PIECE):
            own = rows.filter(compute.equal(rows["capture"], number))
            yield from own.to_pandas().itertuples(index=False)

    yield from merge(*map(of_stream, frames.streams(study.results, session)), key=attrgetter("row"))


def _at(stream: Iterable[bytes], rows: Iterator[Any]) -> Iterator[tuple[Any, bytes]]:
    """Each frame with its bytes, in one pass over the capture; none where it has no such place."""
    base, held = 0, b""
    row = next(rows, None)
    for piece in stream:
        held += piece
        while row is not None and row.offset + row.length <= base + len(held):
            at = row.offset - base
            yield row, held[at : at + row.length] if at >= 0 else b""
            row = next(rows, None)
        cut = len(held) if row is None else min(max(row.offset - base, 0), len(held))
        base, held = base + cut, held[cut:]
    while row is not None:
        yield row, b""
        row = next(rows, None)


@dataclass(frozen=True)
class StoredSamples:
    """Rows (n,) of table ``samples`` of one channel; ``raw`` is :data:`NONE` where there is no count."""

    node: str
    stream: str
    channel: str
    boot: Ints
    seq: Ints
    position: Ints
    raw: Ints
    origin: pd.Series[Any]


def stored_samples(study: Study, session: str) -> Iterator[StoredSamples]:
    """Table ``samples``, a channel's stretch at a time: the one place here that knows its columns."""
    for node in study.nodes_of(session).values():
        for kind in study.layout_of(session, node.node).kinds:
            raws = [f"{channel.name}{samples.ENDS['raw']}" for channel in kind.channels]
            columns = ["boot", "seq", "position", "origin", *raws]
            for rows in samples.pieces(study.results, session, node.node, kind, columns) if raws else ():
                own = rows.to_pandas()
                boot, seq, position = (own[name].to_numpy(np.int64) for name in ("boot", "seq", "position"))
                for channel, name in zip(kind.channels, raws, strict=True):
                    raw = own[name].astype("Float64").fillna(NONE).to_numpy(np.int64)
                    yield StoredSamples(
                        node.node, kind.stream, channel.name, boot, seq, position, raw, own["origin"]
                    )


def _samples(study: Study, session: str) -> Checkpoint:
    """Raw counts against the payloads of the stored frames, origins against the stored ledger."""
    counts, checked = _Counts(study, session), 0
    origins: dict[tuple[str, str], Counter[str]] = {}
    wrong: list[str] = []
    for piece in stored_samples(study, session):
        scope = f"{piece.node}/{piece.stream}"
        for name, count in piece.origin.value_counts().items():
            origins.setdefault((scope, piece.channel), Counter())[str(name)] += int(count)
        due = np.where(piece.origin.isin(RECEIVED), counts.due(piece), NONE)
        checked += int((due != NONE).sum())
        for at in np.flatnonzero(due != piece.raw)[: max(MOST - len(wrong), 0)].tolist():
            said = ["no count" if value == NONE else str(value) for value in (piece.raw[at], due[at])]
            wrong.append(
                f"{scope} {piece.channel}, boot {piece.boot[at]}, frame {piece.seq[at]}, place "
                f"{piece.position[at]}: raw is {said[0]}, the payload has {said[1]}"
            )
    told = _told_origins(study, session)
    for (scope, channel), told_of in origins.items():
        ledger, own = told.get(scope, {}), {name: n for name, n in told_of.items() if n}
        if own != {name: n for name, n in ledger.items() if n and name != "no_clock"}:
            wrong.append(f"{scope} {channel}: origins are {own}, the ledger says {ledger}")
    return Checkpoint("samples", f"{checked:,} raw counts read from the payloads", wrong)


def _told_origins(study: Study, session: str) -> dict[str, dict[str, int]]:
    ledger = tables.read(tables.path(study.results, "ledger", session, "repair"), "ledger")
    own = ledger[ledger["quantity"].astype(str) == "samples"]
    return {
        str(scope): {name: int(count) for name, count in re.findall(r"(\w+) (\d+)", detail)}
        for scope, detail in zip(own["scope"], own["detail"], strict=True)
    }


class _Counts:
    """Counts of one stream at a time, unpacked from the payloads of its distinct frames."""

    def __init__(self, study: Study, session: str) -> None:
        self.study, self.session = study, session
        self.of: tuple[str, str] | None = None

    def due(self, piece: StoredSamples) -> Ints:
        """The count that each row of ``piece`` must have, (n,); :data:`NONE` where no frame has it."""
        if self.of != (piece.node, piece.stream):
            self._load(piece.node, piece.stream)
        out, wanted = np.full(len(piece.seq), NONE, np.int64), _key(piece.boot, piece.seq)
        if not len(self.key):
            return out
        at = np.searchsorted(self.key, wanted).clip(max=len(self.key) - 1)
        fits = (self.key[at] == wanted) & (piece.position < self.kind.samples)
        channel = [each.name for each in self.kind.channels].index(piece.channel)
        out[fits] = self.counts[at[fits], piece.position[fits], channel]
        return out

    def _load(self, node: str, stream: str) -> None:
        path = frames.path(self.study.results, self.session, (node, stream))
        rows = tables.read(path, "frames", ["boot", "seq", "status", "payload"])
        rows = rows[rows["status"].isin(DISTINCT)]
        kinds = self.study.layout_of(self.session, node).kinds
        self.kind = next(kind for kind in kinds if kind.stream == stream)
        key = _key(rows["boot"].to_numpy(np.int64), rows["seq"].to_numpy(np.int64))
        order = np.argsort(key, kind="stable")
        self.key = key[order]
        payload = payload_matrix(rows["payload"], self.kind.payload_bytes)
        self.counts = unpack_counts(payload[order], self.kind)
        self.of = node, stream


def _key(boot: Ints, seq: Ints) -> Ints:
    """A number for each frame of a stream: boots and sequence numbers are far below these bounds."""
    return boot * (1 << 44) + seq + (1 << 43)
