"""Frames found in a block to rows of the table ``frames``, in order of their offset."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as arrow
from numpy.typing import NDArray

from nodeday import tables
from nodeday.frames.scan import Block
from nodeday.frames.unwrap import Ints, NodeClock, StreamCounter, digests, hub_steps
from nodeday.layouts import Field, Kind, Layout, decode_fields
from nodeday.schemas import TABLES

Columns = dict[str, NDArray[Any]]
FALSE_STAMP_NS = 5_000_000_000
"""A single stamp that jumps further than this, and back, is false. A choice of this project."""
RADIO = {"rssi": "rssi_dbm", "lqi": "lqi", "battery": "battery_v"}


@dataclass
class Decoder:
    """Turns blocks into table rows, carrying each node's counters from block to block."""

    layout: Layout
    names: Mapping[int, str]
    found: int = 0
    _hub_ns: int | None = None
    _hub_raw: int = 0
    _clocks: dict[int, NodeClock] = field(default_factory=dict)
    _counters: dict[tuple[int, int], StreamCounter] = field(default_factory=dict)

    def rows(self, block: Block) -> pd.DataFrame:
        """The block's frames as a valid ``frames`` table."""
        self.found += sum(len(at) for _, at, _ in block.frames)
        if not block.frames:
            return tables.empty(TABLES["frames"])
        parts = [_columns(self.layout, kind, at, frames) for kind, at, frames in block.frames]
        order = np.argsort(np.concatenate([part["offset"] for part in parts]))
        columns = {key: np.concatenate([part[key] for part in parts])[order] for key in parts[0]}
        self._unwrap(columns)
        payload = [p for kind, _, frames in block.frames for p in _payloads(self.layout, kind, frames)]
        return self._table(columns, arrow.array(payload, arrow.binary()).take(arrow.array(order)))

    def _unwrap(self, columns: Columns) -> None:
        columns["hub_ns"], false_stamp = self._hub_time(columns["hub_time"])
        for name in ("boot", "tick_total", "seq"):
            columns[name] = np.zeros(len(columns["offset"]), np.int64)
        columns["status"] = np.full(len(columns["offset"]), "good", "<U12")
        for node in np.unique(columns["node"]).tolist():
            rows = np.flatnonzero(columns["node"] == node)
            self._unwrap_node(node, rows, columns)
        columns["status"][false_stamp & (columns["status"] == "good")] = "inconsistent"

    def _unwrap_node(self, node: int, rows: Ints, columns: Columns) -> None:
        tick, boot = self.layout.field("ticks"), self.layout.field("boot")
        # A layout without them is refused when it is read.
        assert tick is not None
        assert tick.rate_hz is not None
        clock = self._clocks.setdefault(node, NodeClock(tick.rate_hz, 1 << tick.bits))
        boots, ticks = clock.unwrap(
            columns["ticks"][rows], columns["hub_ns"][rows], columns["boot_id"][rows] if boot else None
        )
        columns["boot"][rows], columns["tick_total"][rows] = boots, ticks
        for kind in np.unique(columns["kind"][rows]).tolist():
            own = rows[columns["kind"][rows] == kind]
            counter = self._counters.setdefault((node, kind), self._counter(kind, tick.rate_hz))
            columns["seq"][own], columns["status"][own] = counter.unwrap(
                columns["sequence"][own], columns["tick_total"][own], columns["boot"][own],
                columns["digest"][own],
            )  # fmt: skip

    def _counter(self, kind: int, tick_rate: float) -> StreamCounter:
        sequence = self.layout.field("sequence")
        assert sequence is not None
        return StreamCounter(1 << sequence.bits, self.layout.by_kind[kind].period_s * tick_rate)

    def _hub_time(self, raw: Ints) -> tuple[Ints, NDArray[np.bool_]]:
        """Hub stamps in nanoseconds, and which of them are false: see :func:`hub_steps`."""
        hub = self.layout.field("hub_time")
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
        kinds = self.layout.by_kind
        sizes = {number: self.layout.frame_bytes(kind) for number, kind in kinds.items()}
        return tables.build(
            TABLES["frames"],
            {
                "capture": np.zeros(len(payload), np.int16),
                "offset": columns["offset"],
                "length": _look_up(sizes, columns["kind"], np.int32),
                "node": _named(self.names, columns["node"]),
                "stream": _named({n: k.stream for n, k in kinds.items()}, columns["kind"]),
                "kind": columns["kind"].astype(np.int32),
                "boot": columns["boot"].astype(np.int32),
                "seq_raw": columns["sequence"],
                "seq": columns["seq"],
                "ticks_raw": columns["ticks"],
                "ticks": columns["tick_total"],
                "hub_ns": columns["hub_ns"],
                "mark_utc_ns": pd.arrays.IntegerArray(columns["utc_ns"], columns["utc_ns"] < 0),
                **{name: columns[role].astype(np.float32) for role, name in RADIO.items()},
                "samples": _look_up({n: k.samples for n, k in kinds.items()}, columns["kind"], np.int32),
                "payload": pd.arrays.ArrowExtensionArray(arrow.chunked_array([payload])),
                "status": columns["status"],
            },
        )


def _columns(layout: Layout, kind: Kind, at: Ints, frames: NDArray[np.uint8]) -> Columns:
    """Fields by role, those that the layout lacks filled with what stands for nothing."""
    values = decode_fields(frames, layout, kind)
    n = len(at)
    fields: dict[str, Field] = {f.role: f for f, _ in layout.positions(kind).values()}
    utc = values["utc"] * (fields["utc"].unit_ns or 1) if "utc" in fields else np.full(n, -1, np.int64)
    out: Columns = {name: values[name] for name in ("node", "sequence", "ticks", "hub_time")}
    for role in RADIO:
        out[role] = (
            values[role] * fields[role].scale + fields[role].offset if role in fields else np.full(n, np.nan)
        )
    payload = frames[:, layout.payload_at : layout.payload_at + kind.payload_bytes]
    return out | {
        "offset": at,
        "kind": np.full(n, kind.kind, np.int64),
        "boot_id": values.get("boot", np.zeros(n, np.int64)),
        "utc_ns": utc,
        "digest": digests(payload),
    }


def _payloads(layout: Layout, kind: Kind, frames: NDArray[np.uint8]) -> list[bytes]:
    end = layout.payload_at + kind.payload_bytes
    whole = np.ascontiguousarray(frames[:, layout.payload_at : end]).tobytes()
    size = kind.payload_bytes
    return [whole[at : at + size] for at in range(0, len(whole), size)]


def _look_up(table: Mapping[int, int], keys: Ints, dtype: type[np.integer[Any]]) -> NDArray[Any]:
    numbers = np.array(sorted(table), np.int64)
    values = np.array([table[int(number)] for number in numbers], dtype)
    return values[np.searchsorted(numbers, keys)]


def _named(names: Mapping[int, str], keys: Ints) -> pd.Categorical:
    numbers = np.array(sorted(names), np.int64)
    labels = pd.Index([names[int(number)] for number in numbers], dtype="str")
    return pd.Categorical.from_codes(np.searchsorted(numbers, keys), categories=labels)
