"""Hub stamps from ticks, for the readout of a node's memory, in which no hub stamped the frames.

Counters are unwrapped by ticks and hub time together. Where the hub's field is the same in all frames,
a time is made for each node from its ticks: it moves forward with them, and stands still where they
jump far back, as at a restart. It serves unwrapping and tells nothing about any hub's clock; frames
get real hub time when they are merged into a capture that a hub made.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from nodeday.core.arrays import Floats, Ints
from nodeday.layouts import decode_fields
from nodeday.layouts.codec import get_bits, put_bits
from nodeday.stages.frames.scan import FoundFrames, ScannedBlock

LEAST_S, LEAST_UNITS = 2.0, 4
"""Seconds by ticks, and units of hub time, over which no hub's clock stands still."""


@dataclass
class OwnTime:
    """Made hub stamps for the blocks of a capture without real ones.

    ``lacking`` tells whether it has none, None before the first frames decide it.
    """

    lacking: bool | None = None
    _last: dict[int, tuple[int, float]] = field(default_factory=dict)

    def stamped(self, block: ScannedBlock) -> ScannedBlock:
        """Return the block itself, or one with made stamps where the capture lacks real ones."""
        if (
            not block.frames
            or self.lacking is False
            or not all(part.layout.has_ticks for part in block.frames)
        ):
            return block
        fields = _BlockFields.of(block)
        if self.lacking is None:
            self.lacking = _stands_still(fields)
        if not self.lacking:
            return block
        stamps = np.empty(len(fields.order), np.int64)
        stamps[fields.order] = np.rint(self._made(fields) / fields.unit_s).astype(np.int64)
        parts = np.split(stamps, np.cumsum([len(part.start) for part in block.frames])[:-1])
        frames = [_with_stamps(frames, part) for frames, part in zip(block.frames, parts, strict=True)]
        return replace(block, frames=frames)

    def _made(self, fields: _BlockFields) -> Floats:
        """Return seconds (n,) since the first frame of each node, by its ticks."""
        out = np.empty(len(fields.node))
        for node in np.unique(fields.node).tolist():
            rows = np.flatnonzero(fields.node == node)
            modulus = int(fields.modulus[rows[0]])
            raw, total = self._last.get(node, (int(fields.ticks[rows[0]]), 0.0))
            step = np.diff(fields.ticks[rows], prepend=raw) % modulus
            seconds = np.where(step < modulus // 2, step, step - modulus) / fields.rate[rows]
            seconds[seconds < -fields.back_s] = 0.0  # a restart, not a frame out of order
            out[rows] = total + np.cumsum(seconds)
            self._last[node] = (int(fields.ticks[rows[-1]]), float(out[rows[-1]]))
        return out


@dataclass(frozen=True)
class _BlockFields:
    """Fields of the frames of a block in order of capture (n,), and ``order`` that puts them there.

    ``rate`` and ``modulus`` are those of the ticks; ``unit_s`` is the unit of hub time. Frames of a node may
    be up to ``back_s`` out of the order of their ticks: streams are stamped differently.
    """

    order: Ints
    node: Ints
    ticks: Ints
    hub: Ints
    rate: Floats
    modulus: Ints
    unit_s: float
    back_s: float

    @classmethod
    def of(cls, block: ScannedBlock) -> _BlockFields:
        """Decode the fields of a block with at least one kind of frame."""
        roles = "node", "ticks", "hub_time"
        fields = [decode_fields(each.frames, each.layout, each.kind, roles) for each in block.frames]
        order = np.argsort(np.concatenate([each.start for each in block.frames]), kind="stable")
        sizes = [len(each.start) for each in block.frames]
        ticks = [each.layout.field("ticks") for each in block.frames]
        hub = block.frames[0].layout.field("hub_time")
        node, raw, stamps = (np.concatenate([each[role] for each in fields])[order] for role in roles)
        return cls(
            order,
            node,
            raw,
            stamps,
            np.repeat([(each.rate_hz if each else None) or 1.0 for each in ticks], sizes)[order],
            np.repeat([1 << (each.bits if each else 32) for each in ticks], sizes)[order],
            ((hub.unit_ns if hub else None) or 1) / 1e9,
            2 * max(kind.period_s for each in block.frames for kind in each.layout.kinds),
        )


def _stands_still(fields: _BlockFields) -> bool:
    """Return whether every node's hub stamps stay the same while the ticks of some node move on."""
    moved = False
    for node in np.unique(fields.node).tolist():
        rows = np.flatnonzero(fields.node == node)
        if (fields.hub[rows] != fields.hub[rows[0]]).any():
            return False
        steps = np.diff(fields.ticks[rows]) % int(fields.modulus[rows[0]])
        seconds = float(steps.sum() / fields.rate[rows[0]])
        moved |= seconds > max(LEAST_S, LEAST_UNITS * fields.unit_s)
    return moved


def _with_stamps(found: FoundFrames, stamps: Ints) -> FoundFrames:
    """Return the frames with other hub stamps."""
    hub, at = next(
        (field, at) for field, at in found.layout.positions(found.kind).values() if field.role == "hub_time"
    )
    order, frames = found.layout.order_of(hub), found.frames
    changed = np.zeros_like(frames)
    put_bits(changed, at, hub.bits, order, get_bits(frames, at, hub.bits, order) ^ stamps)
    return replace(found, frames=frames ^ changed)
