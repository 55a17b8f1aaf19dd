"""Frames found in a block to rows of the table ``frames``, in order of their offset."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pyarrow as arrow
from numpy.typing import NDArray

from nodeday.core.arrays import Bools, Bytes, Ints
from nodeday.layouts import Field, Kind, Layout, decode_fields
from nodeday.layouts.codec import stamped_instant
from nodeday.schemas import TABLES
from nodeday.schemas.compiled import arrow_schema
from nodeday.stages.frames.columns import GOOD, INCONSISTENT, digests
from nodeday.stages.frames.scan import FoundFrames, Reject, ScannedBlock
from nodeday.stages.frames.unwrap import NodeClock, StreamCounter, hub_steps
from nodeday.storage import contract

Columns = dict[str, NDArray[Any]]
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
    of the next frame in table ``frames``.
    """

    layouts: Sequence[Layout]
    names: Mapping[int, str]
    capture: int = 0
    row: int = 0
    found: int = 0
    _hub_ns: int | None = None
    _hub_raw: int = 0
    _clocks: dict[tuple[int, int], NodeClock] = field(default_factory=dict)
    _counters: dict[tuple[int, int], StreamCounter] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.slots: list[tuple[Layout, Kind]] = [
            (layout, kind) for layout in self.layouts for kind in layout.kinds
        ]
        self.addresses = np.array(sorted(self.names), np.int64)

    def decode(self, block: ScannedBlock) -> Decoded:
        """Return rows of the block's frames.

        A frame that no neighbour of its node bears out is set aside: see :meth:`NodeClock.unwrap`.
        """
        self.found += sum(len(each.start) for each in block.frames)
        if not block.frames:
            return Decoded(arrow_schema(TABLES["frames"]).empty_table(), block.rejects)
        payloads = [_payload(each) for each in block.frames]
        parts = [self._columns(*each) for each in zip(block.frames, payloads, strict=True)]
        # Each part is in order already, which this way of sorting makes use of.
        order = np.argsort(np.concatenate([part["offset"] for part in parts]), kind="stable")
        columns = {key: np.concatenate([part[key] for part in parts])[order] for key in parts[0]}
        lone = self._unwrap(columns)
        rejects = _with_lone(block.rejects, columns, lone)
        if lone.any():
            order, columns = order[~lone], {key: values[~lone] for key, values in columns.items()}
        return Decoded(self._table(columns, contract.binary(payloads).take(order)), rejects)

    def _slot(self, found: FoundFrames) -> int:
        return next(
            slot
            for slot, (layout, kind) in enumerate(self.slots)
            if layout is found.layout and kind is found.kind
        )

    def _unwrap(self, columns: Columns) -> Bools:
        """Add the unwrapped counters to ``columns``; return which frames (n,) are set aside."""
        columns["hub_ns"], false_stamp = self._hub_time(columns["hub_time"])
        n = len(columns["offset"])
        for name in ("boot", "tick_total", "seq"):
            columns[name] = np.zeros(n, np.int64)
        columns["status"] = np.full(n, GOOD)
        lone = np.zeros(n, bool)
        for node in _present(columns["node"]):
            rows = np.flatnonzero(columns["node"] == node)
            lone[rows] = self._unwrap_node(node, rows, columns)
        columns["status"][false_stamp & (columns["status"] == GOOD)] = INCONSISTENT
        return lone

    def _unwrap_node(self, node: int, rows: Ints, columns: Columns) -> Bools:
        layout = self.slots[int(columns["slot"][rows[0]])][0]
        lone = np.zeros(len(rows), bool)
        slots = columns["slot"][rows]
        streams = [slots == slot for slot in _present(slots)]
        # Ticks are a node's, and sequence numbers a stream's.
        for part in [np.ones(len(rows), bool)] if layout.has_ticks else streams:
            lone[part] = self._unwrap_ticks(node, rows[part], columns)
        rows = rows[~lone]
        for slot in _present(columns["slot"][rows]):
            own = rows[columns["slot"][rows] == slot]
            if (node, slot) not in self._counters:
                self._counters[node, slot] = self._counter(slot)
            counter = self._counters[node, slot]
            columns["seq"][own], columns["status"][own] = counter.unwrap(
                columns["sequence"][own],
                columns["tick_total"][own],
                columns["boot"][own],
                columns["digest"][own],
            )
        return lone

    def _unwrap_ticks(self, node: int, rows: Ints, columns: Columns) -> Bools:
        """Boot and ticks of a node's next frames, or of one stream's; which are set aside, (n,)."""
        slot = int(columns["slot"][rows[0]])
        layout, kind = self.slots[slot]
        own = layout.has_ticks
        hz = layout.tick_hz(kind.stream) if own else 1.0 / kind.period_s
        modulus = layout.tick_range(kind.stream) if own else self._modulus(layout)
        clock = self._clocks.setdefault((node, -1 if own else slot), NodeClock(hz, modulus))
        counters = (columns[name][rows] for name in ("ticks", "hub_ns", "boot_id"))
        lone, boot, total = clock.unwrap(*counters)
        rows = rows[~lone]
        columns["boot"][rows] = boot
        columns["tick_total"][rows] = total if own else stamped_instant(kind, total)
        if not own:
            columns["ticks"][rows] *= max(kind.samples, 1)
        return lone

    def _counter(self, slot: int) -> StreamCounter:
        layout, kind = self.slots[slot]
        per_frame = kind.period_s * layout.tick_hz(kind.stream)
        return StreamCounter(self._modulus(layout), per_frame, kind.interleave)

    @staticmethod
    def _modulus(layout: Layout) -> int:
        sequence = layout.field("sequence")
        assert sequence is not None  # a layout without it is refused when it is read
        return 1 << sequence.bits

    def _hub_time(self, raw: Ints) -> tuple[Ints, Bools]:
        """Hub stamps in nanoseconds, and which of them are false: see :func:`hub_steps`."""
        hub = self.layouts[0].field("hub_time")  # the same in all layouts of a session
        assert hub is not None
        assert hub.unit_ns is not None
        first = int(raw[0])
        if self._hub_ns is None:
            self._hub_ns, self._hub_raw = first * hub.unit_ns, first
        steps, false = hub_steps(raw, self._hub_raw, hub.bits, FALSE_STAMP_NS // hub.unit_ns)
        total = self._hub_ns + np.cumsum(steps) * hub.unit_ns
        self._hub_ns, self._hub_raw = int(total[-1]), int(raw[np.flatnonzero(~false)[-1]])
        return total, false

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
        return contract.piece(
            table,
            {
                **{name: contract.column(values) for name, values in plain.items()},
                **{
                    name: contract.column(values, contract.bitmap(there))
                    for name, (values, there) in gappy.items()
                },
                "node": contract.named(columns["node"], nodes),
                "stream": contract.named(slot, [kind.stream for kind in kinds]),
                "payload": payload,
                "status": contract.coded(columns["status"], table["status"]),
            },
        )

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
            own = fields.get(role)
            physical = values[role] * own.scale + own.offset if own else np.full(n, np.nan)
            out[role] = physical.astype(np.float32)
        return out | {
            "offset": found.start,
            "length": (found.end - found.start).astype(np.int32),
            "node": np.searchsorted(self.addresses, values["node"]),
            "slot": np.full(n, self._slot(found), np.int64),
            "boot_id": values.get("boot", np.zeros(n, np.int64)),
            "utc_ns": utc,
            "digest": digests(payload),
        }


def _with_lone(rejects: list[Reject], columns: Columns, lone: Bools) -> list[Reject]:
    own = [
        Reject(int(start), int(start + size), "implausible")
        for start, size in zip(columns["offset"][lone], columns["length"][lone], strict=True)
    ]
    return sorted([*rejects, *own], key=lambda each: each.start) if own else rejects


def _payload(found: FoundFrames) -> Bytes:
    at = found.layout.payload_at
    return np.ascontiguousarray(found.frames[:, at : at + found.kind.payload_bytes])


def _present(numbers: Ints) -> list[int]:
    """Return the different values of ``numbers`` (n,), small and not negative, in order."""
    return np.flatnonzero(np.bincount(numbers)).tolist()
