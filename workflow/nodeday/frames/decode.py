"""Frames found in a block to rows of the table ``frames``, in order of their offset."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as arrow
from numpy.typing import NDArray

from nodeday import tables
from nodeday.arrays import Bools, Ints
from nodeday.frames.scan import Block, Found, Reject
from nodeday.frames.unwrap import NodeClock, StreamCounter, digests, hub_steps
from nodeday.layouts import Field, Kind, Layout, decode_fields
from nodeday.layouts.dealing import stamped_instant
from nodeday.schemas import TABLES

Columns = dict[str, NDArray[Any]]
FALSE_STAMP_NS = 5_000_000_000
"""A single stamp that jumps further than this, and back, is false. A choice of this project."""
RADIO = {"rssi": "rssi_dbm", "lqi": "lqi", "battery": "battery_v"}


@dataclass(frozen=True)
class Decoded:
    """A block's frames as a valid ``frames`` table, and all of its rejects in order."""

    frames: pd.DataFrame
    rejects: list[Reject]


@dataclass
class Decoder:
    """Turns the blocks of one capture into rows, carrying each node's counters from block to block.

    ``names`` are the session's nodes by address; ``layouts`` are all that the capture holds.
    """

    layouts: Sequence[Layout]
    names: Mapping[int, str]
    capture: int = 0
    found: int = 0
    _hub_ns: int | None = None
    _hub_raw: int = 0
    _clocks: dict[tuple[int, int], NodeClock] = field(default_factory=dict)
    _counters: dict[tuple[int, int], StreamCounter] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.slots: list[tuple[Layout, Kind]] = [
            (layout, kind) for layout in self.layouts for kind in layout.kinds
        ]

    def decode(self, block: Block) -> Decoded:
        """Rows of the block's frames. A frame that no neighbour of its node bears out is set aside:
        see :meth:`NodeClock.lone`."""
        self.found += sum(len(each.start) for each in block.frames)
        if not block.frames:
            return Decoded(tables.empty(TABLES["frames"]), block.rejects)
        parts = [_columns(each, self._slot(each)) for each in block.frames]
        order = np.argsort(np.concatenate([part["offset"] for part in parts]))
        columns = {key: np.concatenate([part[key] for part in parts])[order] for key in parts[0]}
        lone = self._unwrap(columns)
        payload = arrow.array([p for each in block.frames for p in _payloads(each)], arrow.binary())
        kept = np.flatnonzero(~lone)
        rows = self._table({key: values[kept] for key, values in columns.items()},
                           payload.take(arrow.array(order[kept])))  # fmt: skip
        return Decoded(rows, _with_lone(block.rejects, columns, lone))

    def _slot(self, found: Found) -> int:
        return next(
            slot for slot, (layout, kind) in enumerate(self.slots)
            if layout is found.layout and kind is found.kind
        )  # fmt: skip

    def _unwrap(self, columns: Columns) -> Bools:
        """Add the unwrapped counters to ``columns``; return which frames (n,) are set aside."""
        columns["hub_ns"], false_stamp = self._hub_time(columns["hub_time"])
        n = len(columns["offset"])
        for name in ("boot", "tick_total", "seq"):
            columns[name] = np.zeros(n, np.int64)
        columns["status"] = np.full(n, "good", "<U12")
        lone = np.zeros(n, bool)
        for node in np.unique(columns["node"]).tolist():
            rows = np.flatnonzero(columns["node"] == node)
            lone[rows] = self._unwrap_node(node, rows, columns)
        columns["status"][false_stamp & (columns["status"] == "good")] = "inconsistent"
        return lone

    def _unwrap_node(self, node: int, rows: Ints, columns: Columns) -> Bools:
        layout = self.slots[int(columns["slot"][rows[0]])][0]
        lone = np.zeros(len(rows), bool)
        streams = [columns["slot"][rows] == slot for slot in np.unique(columns["slot"][rows])]
        # Ticks are a node's, and sequence numbers a stream's.
        for part in [np.ones(len(rows), bool)] if layout.has_ticks else streams:
            lone[part] = self._unwrap_ticks(node, rows[part], columns)
        rows = rows[~lone]
        for slot in np.unique(columns["slot"][rows]).tolist():
            own = rows[columns["slot"][rows] == slot]
            counter = self._counters.setdefault((node, slot), self._counter(slot))
            columns["seq"][own], columns["status"][own] = counter.unwrap(
                columns["sequence"][own], columns["tick_total"][own], columns["boot"][own],
                columns["digest"][own],
            )  # fmt: skip
        return lone

    def _unwrap_ticks(self, node: int, rows: Ints, columns: Columns) -> Bools:
        """Boot and ticks of a node's next frames, or of one stream's; which are set aside, (n,)."""
        slot = int(columns["slot"][rows[0]])
        layout, kind = self.slots[slot]
        own = layout.has_ticks
        hz = layout.tick_hz(kind.stream) if own else 1.0 / kind.period_s
        modulus = layout.tick_range(kind.stream) if own else self._modulus(layout)
        clock = self._clocks.setdefault((node, -1 if own else slot), NodeClock(hz, modulus))
        told = [columns["ticks"], columns["hub_ns"], *([columns["boot_id"]] if layout.field("boot") else [])]
        lone = clock.lone(*(each[rows] for each in told))
        rows = rows[~lone]
        if len(rows):
            columns["boot"][rows], total = clock.unwrap(*(each[rows] for each in told))
            columns["tick_total"][rows] = total if own else stamped_instant(kind, total)
            columns["ticks"][rows] *= 1 if own else max(kind.samples, 1)
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

    def _table(self, columns: Columns, payload: arrow.Array) -> pd.DataFrame:
        slot = columns["slot"]
        streams = {index: kind.stream for index, (_, kind) in enumerate(self.slots)}
        numbers = np.array([kind.kind for _, kind in self.slots], np.int32)
        samples = np.array([kind.samples for _, kind in self.slots], np.int32)
        return tables.build(
            TABLES["frames"],
            {
                "capture": np.full(len(payload), self.capture, np.int16),
                "offset": columns["offset"],
                "length": columns["length"],
                "node": _named(self.names, columns["node"]),
                "stream": _named(streams, slot),
                "kind": numbers[slot],
                "boot": columns["boot"].astype(np.int32),
                "seq_raw": columns["sequence"],
                "seq": columns["seq"],
                "ticks_raw": columns["ticks"],
                "ticks": columns["tick_total"],
                "hub_ns": columns["hub_ns"],
                "mark_utc_ns": pd.arrays.IntegerArray(columns["utc_ns"], columns["utc_ns"] < 0),
                **{name: columns[role].astype(np.float32) for role, name in RADIO.items()},
                "samples": samples[slot],
                "payload": pd.arrays.ArrowExtensionArray(arrow.chunked_array([payload])),
                "status": columns["status"],
            },
        )


def _with_lone(rejects: list[Reject], columns: Columns, lone: Bools) -> list[Reject]:
    own = [
        Reject(int(start), int(start + size), "implausible")
        for start, size in zip(columns["offset"][lone], columns["length"][lone], strict=True)
    ]
    return sorted([*rejects, *own], key=lambda each: each.start) if own else rejects


def _columns(found: Found, slot: int) -> Columns:
    """Fields by role, those that the layout lacks filled with what stands for nothing."""
    layout, kind = found.layout, found.kind
    values = decode_fields(found.frames, layout, kind)
    n = len(found.start)
    fields: dict[str, Field] = {f.role: f for f, _ in layout.positions(kind).values()}
    utc = values["utc"] * (fields["utc"].unit_ns or 1) if "utc" in fields else np.full(n, -1, np.int64)
    out: Columns = {name: values[name] for name in ("node", "sequence", "hub_time")}
    out["ticks"] = values.get("ticks", values["sequence"])
    for role in RADIO:
        out[role] = (
            values[role] * fields[role].scale + fields[role].offset if role in fields else np.full(n, np.nan)
        )
    payload = found.frames[:, layout.payload_at : layout.payload_at + kind.payload_bytes]
    return out | {
        "offset": found.start,
        "length": (found.end - found.start).astype(np.int32),
        "slot": np.full(n, slot, np.int64),
        "boot_id": values.get("boot", np.zeros(n, np.int64)),
        "utc_ns": utc,
        "digest": digests(payload),
    }


def _payloads(found: Found) -> list[bytes]:
    at, size = found.layout.payload_at, found.kind.payload_bytes
    whole = np.ascontiguousarray(found.frames[:, at : at + size]).tobytes()
    return [whole[start : start + size] for start in range(0, len(whole), size)]


def _named(names: Mapping[int, str], keys: Ints) -> pd.Categorical:
    numbers = np.array(sorted(names), np.int64)
    labels = pd.Index(sorted({names[int(number)] for number in numbers}), dtype="str")
    codes = labels.get_indexer(pd.Index([names[int(number)] for number in numbers], dtype="str"))
    return pd.Categorical.from_codes(codes[np.searchsorted(numbers, keys)], categories=labels)
