"""Checkpoints between the bytes of a capture and the stored tables, counted without the code of the stages.

Deriving every table anew shows that nothing was altered since, but it would repeat a fault of the stages. So
the checkpoints are counted once more in plain steps: each byte of a capture is in one frame or reject, each
payload and checksum is what the bytes hold, each raw count is what the payload holds, and origins are as many
as the ledger counts.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from heapq import merge
from operator import attrgetter
from typing import Any

import numpy as np
import pandas as pd
import pyarrow.compute as compute

from nodeday.config.study import Study
from nodeday.core.arrays import Ints
from nodeday.layouts import Layout, unpack_counts
from nodeday.layouts.codec import payload_matrix
from nodeday.products.lineage.capture import open_capture
from nodeday.schemas.codes import DISTINCT, ORIGIN
from nodeday.storage import frames, samples, tables

MOST = 5
"""Sentences about one checkpoint."""
NONE = -1 << 40
"""Stands for no count: below any that 32 bits hold."""
RECEIVED = ("measured", "recovered")
PIECE = 1024
"""Frames of a stream in memory at a time."""
FRAMES = ["row", "capture", "offset", "length", "node", "stream", "kind", "payload"]


@dataclass(frozen=True)
class Checkpoint:
    """One checkpoint: what was counted there, in words, and a sentence for each fault."""

    name: str
    passed: str
    wrong: list[str]


def of_session(study: Study, session: str) -> list[Checkpoint]:
    """Count at every checkpoint of a session's stored tables.

    Raises ContractError where a table is absent or a capture cannot be read.
    """
    span = ["capture", "offset", "length"]
    rejected = tables.path(study.results, "rejects", session)
    spans = [frames.table(study.results, session, span), tables.read(rejected, "rejects", span)]
    out = []
    for number, paths in enumerate(study.captures_of(session)):
        received, rejects = (rows[rows["capture"] == number] for rows in spans)
        source = open_capture(study, session, paths)
        out.append(_bytes(f"capture {number}", received, rejects, source.pieces() if source else None))
        if source and (checkpoint := _contents(study, session, number, source.pieces())):
            out.append(checkpoint)
    return [*out, _samples(study, session)]


def _bytes(
    name: str, frames: pd.DataFrame, rejects: pd.DataFrame, stream: Iterable[bytes] | None
) -> Checkpoint:
    """Every byte of a capture is in one frame or reject, from the first byte to the last.

    ::

        offset   0        40 43         90
                 |  frame  | |  frame    |      each begins where the one before ends
    """
    spans = pd.concat([rows[["offset", "length"]] for rows in (frames, rejects)]).sort_values("offset")
    start, end = spans["offset"].to_numpy(np.int64), (spans["offset"] + spans["length"]).to_numpy(np.int64)
    size = int(end[-1]) if stream is None and len(end) else sum(map(len, stream or ()))
    starts, due = np.append(start, size), np.concatenate([[0], end])
    if stream is None:
        passed = f"{name}: {len(frames):,} frames, made of the rows of a decoded recording"
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


def _contents(study: Study, session: str, number: int, stream: Iterable[bytes]) -> Checkpoint | None:
    """Payload and checksum of each frame are what the bytes at its offset hold.

    None where bytes are stuffed, for then an offset in the capture is no offset in a frame.
    """
    layouts = {node.node: study.layout_of(session, node.node) for node in study.nodes_of(session).values()}
    if any(layout.framing != "sync" for layout in layouts.values()):
        return None
    wrong: list[str] = []
    count = 0
    for row, raw in _with_bytes(stream, _frames(study, session, number)):
        count += 1
        fault = _fault(row, raw, layouts[str(row.node)])
        if fault and len(wrong) < MOST:
            wrong.append(f"capture {number}: {fault} of the frame at byte {row.offset}")
    return Checkpoint(
        "frames", f"capture {number}: {count:,} payloads and checksums read from the bytes", wrong
    )


def _fault(row: Any, raw: bytes, layout: Layout) -> str:
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
            of_capture = rows.filter(compute.equal(rows["capture"], number))
            yield from of_capture.to_pandas().itertuples(index=False)

    yield from merge(*map(of_stream, frames.streams(study.results, session)), key=attrgetter("row"))


def _with_bytes(stream: Iterable[bytes], rows: Iterator[Any]) -> Iterator[tuple[Any, bytes]]:
    """Each frame with its bytes, in one pass over the capture; without any where it has no such offset."""
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
    """Read table ``samples`` a stretch of a channel at a time; only this function knows its columns."""
    for node in study.nodes_of(session).values():
        for kind in study.layout_of(session, node.node).streams:
            raws = [f"{channel.name}{samples.ENDS['raw']}" for channel in kind.channels]
            columns = ["boot", "seq", "position", "origin", *raws]
            for rows in samples.pieces(study.results, session, node.node, kind, columns) if raws else ():
                frame = rows.to_pandas()
                boot, seq, position = (frame[name].to_numpy(np.int64) for name in ("boot", "seq", "position"))
                for channel, name in zip(kind.channels, raws, strict=True):
                    raw = frame[name].astype("Float64").fillna(NONE).to_numpy(np.int64)
                    yield StoredSamples(
                        node.node, kind.stream, channel.name, boot, seq, position, raw, frame["origin"]
                    )


def _samples(study: Study, session: str) -> Checkpoint:
    """Raw counts are what the payloads of the stored frames hold; origins are as the ledger counts them."""
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
            raw, held = ("no count" if value == NONE else str(value) for value in (piece.raw[at], due[at]))
            wrong.append(
                f"{scope} {piece.channel}, boot {piece.boot[at]}, frame {piece.seq[at]}, position "
                f"{piece.position[at]}: raw is {raw}, the payload has {held}"
            )
    in_ledger = _ledger_origins(study, session)
    for (scope, channel), counted in origins.items():
        ledger, present = in_ledger.get(scope, {}), {name: n for name, n in counted.items() if n}
        if present != {name: n for name, n in ledger.items() if n and name in ORIGIN}:
            wrong.append(f"{scope} {channel}: origins are {present}, the ledger says {ledger}")
    return Checkpoint("samples", f"{checked:,} raw counts read from the payloads", wrong)


def _ledger_origins(study: Study, session: str) -> dict[str, dict[str, int]]:
    """Samples by origin in the ledger of stage repair, for each node and stream."""
    ledger = tables.read(tables.path(study.results, "ledger", session, "repair"), "ledger")
    rows = ledger[ledger["quantity"].astype(str) == "samples"]
    return {
        str(scope): {name: int(count) for name, count in re.findall(r"(\w+) (\d+)", detail)}
        for scope, detail in zip(rows["scope"], rows["detail"], strict=True)
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
        for kind, key, counts in zip(self.kinds, self.keys, self.counts, strict=True):
            at = np.searchsorted(key, wanted).clip(max=max(len(key) - 1, 0))
            fits = np.flatnonzero(piece.position < kind.samples) if len(key) else at[:0]
            fits = fits[key[at[fits]] == wanted[fits]]
            channel = [channel.name for channel in kind.channels].index(piece.channel)
            out[fits] = counts[at[fits], piece.position[fits], channel]
        return out

    def _load(self, node: str, stream: str) -> None:
        path = frames.path(self.study.results, self.session, (node, stream))
        rows = tables.read(path, "frames", ["kind", "boot", "seq", "status", "payload"])
        rows = rows[rows["status"].isin(DISTINCT)]
        self.kinds = self.study.layout_of(self.session, node).kinds_of(stream)
        self.keys, self.counts = list[Ints](), list[Any]()
        for kind in self.kinds:
            own = rows[rows["kind"] == kind.kind]
            key = _key(own["boot"].to_numpy(np.int64), own["seq"].to_numpy(np.int64))
            order = np.argsort(key, kind="stable")
            self.keys.append(key[order])
            self.counts.append(unpack_counts(payload_matrix(own["payload"], kind.payload_bytes)[order], kind))
        self.of = node, stream


def _key(boot: Ints, seq: Ints) -> Ints:
    """A number for each frame of a stream: boots and sequence numbers are far below these bounds."""
    return boot * (1 << 44) + seq + (1 << 43)
