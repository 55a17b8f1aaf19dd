"""Stage `frames`: captures in; tables ``frames``, ``hub_runs``, ``rejects`` out, every byte accounted for."""

from __future__ import annotations

import json

import numpy as np
import pyarrow as arrow

from nodeday.config.study import Study
from nodeday.core import atomic
from nodeday.core.errors import ContractError
from nodeday.core.threads import one_thread
from nodeday.schemas import TABLES
from nodeday.stages.frames import merge
from nodeday.stages.frames.capture import Capture, captures_of
from nodeday.stages.frames.columns import REASON, FrameRows, joined
from nodeday.stages.frames.hub import FrameBlock, HubFollower
from nodeday.stages.frames.rejects import Reject
from nodeday.storage import contract, frame_fields, frame_writer, tables
from nodeday.storage.frame_writer import Fields, FrameWriter
from nodeday.storage.ledger import Ledger


@one_thread()
def run(study: Study, session: str) -> None:
    """Decode a session's captures and merge them into one.

    Raises ContractError where one holds no frame of the session's layouts.
    """
    captures = captures_of(study, session)
    ledger, hub = Ledger("frames", session), HubFollower(captures[0].tick_rates())
    with (
        frame_writer.writing(study.results, session, _fields(study, session)) as out,
        tables.writer(tables.path(study.results, "rejects", session), TABLES["rejects"]) as rejects,
    ):
        received: list[list[FrameRows]] = [[] for _ in captures]
        for each in captures:
            for decoded in each.decoded():
                rejects.write_columns(_reject_rows(decoded.rejects, each.number))
                if not each.number:
                    out.write(each.counted(decoded.frames))
                    hub.add(FrameBlock.of(decoded.frames))
                if len(captures) > 1:
                    received[each.number].append(FrameRows.of(decoded.frames, each.hub_range_ns))
            each.refuse_strange(session)
            rejects.write_columns(_reject_rows([], each.number))
        if len(captures) > 1:
            _write_merged(captures, [joined(parts) for parts in received], out)
        for each in captures:
            each.account(ledger, f"capture {each.number}" if len(captures) > 1 else "capture")
    tables.write(tables.path(study.results, "hub_runs", session), TABLES["hub_runs"], hub.table())
    _record(study, session, captures)
    ledger.close(study.results)


def _fields(study: Study, session: str) -> Fields:
    """Return the fields of role ``other`` of each stream that a node may send."""
    return {
        (node.node, kind.stream): frame_fields.fields_of(layout, kind)
        for node in study.nodes_of(session).values()
        for layout in [study.layout_of(session, node.node)]
        for kind in layout.kinds
    }


def _write_merged(captures: list[Capture], received: list[FrameRows], out: FrameWriter) -> None:
    """Write the frames of the captures after the first, placed in the first.

    They are decoded again rather than kept: their counters fit into memory where their payloads may not.
    """
    for capture, placed in zip(captures[1:], merge.merge(received, captures[0].paces())[1:], strict=True):
        done = 0
        for decoded in capture.decoded(out.rows):
            part = placed.take(slice(done, done + len(decoded.frames)))
            done += len(decoded.frames)
            rows = _placed(decoded.frames, part, capture.own_time.lacking is True)
            out.write(capture.counted(rows))


def _placed(rows: arrow.Table, part: FrameRows, memory: bool) -> arrow.Table:
    """Rows with the merged session's counters; a node's own memory knows nothing of the radio."""
    table = TABLES["frames"]
    changed: dict[str, arrow.Array] = {
        "boot": contract.number_column(part.boot.astype(np.int32)),
        "seq": contract.number_column(part.seq),
        "ticks": contract.number_column(part.ticks),
        "hub_ns": contract.number_column(part.hub_ns),
        "status": contract.code_column(part.status, table["status"]),
    }
    if memory:
        changed |= {name: arrow.nulls(len(rows), arrow.float32()) for name in ("rssi_dbm", "lqi")}
    placed = contract.assemble(table, {name: changed.get(name, rows[name]) for name in table.names})
    for name in rows.column_names[len(table.names) :]:
        placed = placed.append_column(name, rows[name])
    return placed


def _reject_rows(rejects: list[Reject], capture: int) -> dict[str, arrow.Array]:
    reason = np.array([REASON.index(each.reason) for each in rejects], np.int8)
    address = [each.address for each in rejects]
    return {
        "capture": contract.number_column(np.full(len(rejects), capture, np.int16)),
        "offset": contract.number_column(np.array([each.start for each in rejects], np.int64)),
        "length": contract.number_column(np.array([each.end - each.start for each in rejects], np.int32)),
        "reason": contract.code_column(reason, TABLES["rejects"]["reason"]),
        "address": arrow.array(address, arrow.int64()),
    }


def _record(study: Study, session: str, captures: list[Capture]) -> None:
    """Write down what the captures were at their first decoding; refuse one that changed since."""
    facts = [
        ({"capture": each.number} if len(captures) > 1 else {}) | one.written()
        for each in captures
        for one in each.facts
    ]
    target = study.results / "captures" / f"{session}.json"
    if target.exists() and json.loads(target.read_text()) != facts:
        raise ContractError(
            "the capture differs from the one first decoded",
            f"session {session}",
            f"the SHA-256 in {target}",
            "Put the original back, or remove that file to accept the new one.",
        )
    atomic.write_text(target, json.dumps(facts, indent=2) + "\n")
