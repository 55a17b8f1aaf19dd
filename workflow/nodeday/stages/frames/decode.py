"""Frames found in a block to rows of the table ``frames``, in order of their offset."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import pyarrow as arrow

from nodeday.core.arrays import Bools, Bytes, Ints, Singles
from nodeday.layouts import Field, Kind, Layout, decode_fields
from nodeday.schemas import TABLES
from nodeday.schemas.compile import arrow_schema
from nodeday.stages.frames.columns import digests
from nodeday.stages.frames.counters import Columns, Counters
from nodeday.stages.frames.rejects import Reject
from nodeday.stages.frames.scan import FoundFrames, ScannedBlock
from nodeday.stages.frames.unwrap import hub_steps
from nodeday.storage import contract, frame_fields

FALL_NS = 5_000_000_000
"""A hub clock that falls back by more has started anew. The stages loss and clock both say 5 s."""
FALSE_STAMP_NS = 5_000_000_000
"""A single stamp that jumps further than this, and back, is false. A choice of this project."""
RADIO = {"rssi": "rssi_dbm", "lqi": "lqi", "battery": "battery_v"}
ROLES = ("node", "sequence", "ticks", "hub_time", "boot", "utc", *RADIO)
"""What a row tells of a frame; the rest has done its service once the frame is found."""


@dataclass(frozen=True)
class Decoded:
    """A block's frames as rows of table ``frames``, and all of its rejects in order."""

    frames: arrow.Table
    rejects: list[Reject]


@dataclass
class Decoder:
    """Turns the blocks of one capture into rows, carrying each node's counters from block to block.

    ``names`` are the session's nodes by address; ``layouts`` are all that the capture holds; ``row`` is that
    of the next frame in table ``frames``; ``fields`` are the columns that fields of role ``other`` of any
    layout add to it, null in frames without that field. ``measured`` and ``impossible`` count, by layout and
    role, the frames with a radio's measure and those of them whose measure cannot be: no column takes it.
    """

    layouts: Sequence[Layout]
    names: Mapping[int, str]
    capture: int = 0
    row: int = 0
    found: int = 0
    measured: Counter[tuple[str, str]] = field(default_factory=Counter)
    impossible: Counter[tuple[str, str]] = field(default_factory=Counter)
    _hub_ns: int | None = None
    _hub_raw: int = 0
    _hub_run: int = 0

    def __post_init__(self) -> None:
        self.slots: list[tuple[Layout, Kind]] = [
            (layout, kind) for layout in self.layouts for kind in layout.kinds
        ]
        self.addresses = np.array(sorted(self.names), np.int64)
        self._counters = Counters(self.slots)
        others = (each.name for slot in self.slots for each in frame_fields.fields_of(*slot))
        self.fields = list(dict.fromkeys(map(frame_fields.column_of, others)))

    def decode(self, block: ScannedBlock) -> Decoded:
        """Rows of the block's frames, in order of capture.

        A frame that fits none around it stays as ``unplaced``, for its checksum holds; only without a
        checksum it is set aside as implausible: see :meth:`.boots.NodeClock.unwrap`.
        """
        self.found += sum(len(each.start) for each in block.frames)
        if not block.frames:
            return Decoded(self._with_fields(arrow_schema(TABLES["frames"]).empty_table(), {}), block.rejects)
        payloads = [_payload(each) for each in block.frames]
        parts = [self._columns(*each) for each in zip(block.frames, payloads, strict=True)]
        # Each part is in order already, which this way of sorting makes use of.
        order = np.argsort(np.concatenate([part["offset"] for part in parts]), kind="stable")
        columns = {key: np.concatenate([part[key] for part in parts])[order] for key in parts[0]}
        columns["hub_ns"], columns["hub_run"], false_stamp = self._hub_time(columns["hub_time"])
        doubtful = self._counters.unwrap(columns, false_stamp)
        rejects = _with_doubtful(block.rejects, columns, doubtful)
        if doubtful.any():
            order, columns = order[~doubtful], {key: values[~doubtful] for key, values in columns.items()}
        return Decoded(self._table(columns, contract.bytes_column(payloads).take(order)), rejects)

    def _slot(self, found: FoundFrames) -> int:
        return next(
            slot
            for slot, (layout, kind) in enumerate(self.slots)
            if layout is found.layout and kind is found.kind
        )

    def _hub_time(self, raw: Ints) -> tuple[Ints, Ints, Bools]:
        """Hub stamps in nanoseconds, the hub's run, and which stamps are false (:func:`hub_steps`), (n,)."""
        hub = self.layouts[0].field("hub_time")  # the same in all layouts of a session
        assert hub is not None
        assert hub.unit_ns is not None
        first = int(raw[0])
        if self._hub_ns is None:
            self._hub_ns, self._hub_raw = first * hub.unit_ns, first
        steps, false = hub_steps(raw, self._hub_raw, hub.bits, FALSE_STAMP_NS // hub.unit_ns)
        total = self._hub_ns + np.cumsum(steps) * hub.unit_ns
        self._hub_ns, self._hub_raw = int(total[-1]), int(raw[np.flatnonzero(~false)[-1]])
        # A hub whose clock falls far back has restarted; late frames fall back by less.
        run = self._hub_run + np.cumsum(steps * hub.unit_ns < -FALL_NS)
        self._hub_run = int(run[-1])
        return total, run, false

    def _table(self, columns: Columns, payload: arrow.Array) -> arrow.Table:
        table, slot, n = TABLES["frames"], columns["slot"], len(payload)
        kinds = [kind for _, kind in self.slots]
        row, self.row = self.row, self.row + n
        plain: Columns = {
            "row": np.arange(row, self.row),
            "capture": np.full(n, self.capture, np.int16),
            "offset": columns["offset"],
            "length": columns["length"],
            "kind": np.array([kind.kind for kind in kinds], np.int32)[slot],
            "boot": columns["boot"].astype(np.int32),
            "seq_raw": columns["sequence"],
            "seq": columns["seq"],
            "ticks_raw": columns["ticks"],
            "ticks": columns["tick_total"],
            "hub_ns": columns["hub_ns"],
            "samples": np.array([kind.samples for kind in kinds], np.int32)[slot],
        }
        gappy = {name: (columns[role], ~np.isnan(columns[role])) for role, name in RADIO.items()}
        gappy["mark_utc_ns"] = columns["utc_ns"], columns["utc_ns"] >= 0
        nodes = [self.names[address] for address in self.addresses.tolist()]
        rows = contract.assemble(
            table,
            {
                **{name: contract.number_column(values) for name, values in plain.items()},
                **{
                    name: contract.number_column(values, contract.validity(there))
                    for name, (values, there) in gappy.items()
                },
                "node": contract.name_column(columns["node"], nodes),
                "stream": contract.name_column(slot, [kind.stream for kind in kinds]),
                "payload": payload,
                "status": contract.code_column(columns["status"], table["status"]),
            },
        )
        return self._with_fields(rows, columns)

    def _with_fields(self, rows: arrow.Table, columns: Columns) -> arrow.Table:
        """Return rows of table ``frames`` with the columns of the fields of all layouts."""
        for name in self.fields:
            known = contract.validity(columns.get(_known(name), np.zeros(0, np.bool_)))
            sent = contract.number_column(columns.get(name, np.zeros(0, np.int64)), known)
            rows = rows.append_column(name, sent)
        return rows

    def _columns(self, found: FoundFrames, payload: Bytes) -> Columns:
        """Return fields by role, those that the layout lacks filled with what stands for nothing.

        Node and slot are positions in the lists of both.
        """
        layout, kind = found.layout, found.kind
        values = decode_fields(found.frames, layout, kind, ROLES)
        n = len(found.start)
        fields: dict[str, Field] = {f.role: f for f, _ in layout.positions(kind).values()}
        utc = values["utc"] * (fields["utc"].unit_ns or 1) if "utc" in fields else np.full(n, -1, np.int64)
        out: Columns = {name: values[name] for name in ("sequence", "hub_time")}
        out["ticks"] = values.get("ticks", values["sequence"])
        for role in RADIO:
            out[role] = np.full(n, np.nan, np.float32)
            if role in fields:
                known = ~found.null.get(role, np.zeros(n, np.bool_))
                out[role][known] = self._measure(values[role][known], fields[role], layout)
        own = decode_fields(found.frames, layout, kind, ("other",))
        own = {frame_fields.column_of(name): sent for name, sent in own.items()}
        for name in self.fields:
            out[name] = own.get(name, np.zeros(n, np.int64))
            lacking = found.null.get(name, np.zeros(n, np.bool_))
            out[_known(name)] = ~lacking & (name in own)
        return out | {
            "offset": found.start,
            "length": (found.end - found.start).astype(np.int32),
            "node": np.searchsorted(self.addresses, values["node"]),
            "slot": np.full(n, self._slot(found), np.int64),
            "boot_id": values.get("boot", np.zeros(n, np.int64)),
            "utc_ns": utc,
            "digest": digests(payload),
        }

    def _measure(self, counts: Ints, of: Field, layout: Layout) -> Singles:
        """A measure (n,) in its unit; NaN where no column takes it, since nothing can have measured it."""
        values = (counts * of.scale + of.offset).astype(np.float32)
        column, key = TABLES["frames"][RADIO[of.role]], (layout.layout, of.role)
        low, high = (
            np.inf * sign if edge is None else edge for edge, sign in ((column.ge, -1), (column.le, 1))
        )
        odd = (values < low) | (values > high)
        self.measured[key] += len(values)
        self.impossible[key] += int(odd.sum())
        return np.where(odd, np.float32(np.nan), values)


def _known(field: str) -> str:
    """Return the key under which a block holds where a field is known."""
    return f"{field} known"


def _with_doubtful(rejects: list[Reject], columns: Columns, doubtful: Bools) -> list[Reject]:
    own = [
        Reject(int(start), int(start + size), "implausible")
        for start, size in zip(columns["offset"][doubtful], columns["length"][doubtful], strict=True)
    ]
    return sorted([*rejects, *own], key=lambda each: each.start) if own else rejects


def _payload(found: FoundFrames) -> Bytes:
    at = found.layout.payload_at
    return np.ascontiguousarray(found.frames[:, at : at + found.kind.payload_bytes])
