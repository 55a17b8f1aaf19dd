"""The readout of a node's own memory, in which no hub stamped the frames: the ticks stand in.

Counters are unwrapped by ticks and hub time together. Where the hub's field holds the same in all
frames, a time is made for each node from its own ticks: forward by what they moved, and standing
still where they jump far back, as at a restart. It is good for unwrapping and says nothing of any
hub's clock; frames get real hub time when they are merged into a capture that a hub made.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from nodeday.core.arrays import Floats, Ints
from nodeday.layouts import decode_fields
from nodeday.layouts.codec import get_bits, put_bits
from nodeday.stages.frames.scan import FoundFrames, ScannedBlock

LEAST_S, LEAST_UNITS = 2.0, 4
"""A hub's clock cannot stand still over so many seconds and units of ticks."""


@dataclass
class OwnTime:
    """Puts made-up hub stamps into the blocks of a capture that has none, told by its first frames."""

    lacking: bool | None = None
    _last: dict[int, tuple[int, float]] = field(default_factory=dict)

    def stamped(self, block: ScannedBlock) -> ScannedBlock:
        """The block itself, or one with made-up stamps."""
        if (
            not block.frames
            or self.lacking is False
            or not all(each.layout.has_ticks for each in block.frames)
        ):
            return block
        seen = _Seen.of(block)
        if self.lacking is None:
            self.lacking = _stands_still(seen)
        if not self.lacking:
            return block
        stamps = np.empty(len(seen.order), np.int64)
        stamps[seen.order] = np.rint(self._made(seen) / seen.unit_s).astype(np.int64)
        parts = np.split(stamps, np.cumsum([len(each.start) for each in block.frames])[:-1])
        frames = [_with(each, own) for each, own in zip(block.frames, parts, strict=True)]
        return replace(block, frames=frames)

    def _made(self, seen: _Seen) -> Floats:
        """Seconds (n,) since each node's first frame, by its ticks."""
        out = np.empty(len(seen.node))
        for each in np.unique(seen.node).tolist():
            rows = np.flatnonzero(seen.node == each)
            modulus = int(seen.modulus[rows[0]])
            raw, total = self._last.get(each, (int(seen.ticks[rows[0]]), 0.0))
            step = np.diff(seen.ticks[rows], prepend=raw) % modulus
            seconds = np.where(step < modulus // 2, step, step - modulus) / seen.rate[rows]
            seconds[seconds < -seen.back_s] = 0.0  # a restart, not a frame out of order
            out[rows] = total + np.cumsum(seconds)
            self._last[each] = (int(seen.ticks[rows[-1]]), float(out[rows[-1]]))
        return out


@dataclass(frozen=True)
class _Seen:
    """Frames of a block in order of capture (n,), and ``order`` that puts them there. Frames of a
    node may be up to ``back_s`` out of the order of their ticks: streams are stamped differently.
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
    def of(cls, block: ScannedBlock) -> _Seen:
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


def _stands_still(seen: _Seen) -> bool:
    """Whether the hub's stamps are the same throughout while the ticks of some node move on."""
    moved = False
    for each in np.unique(seen.node).tolist():
        rows = np.flatnonzero(seen.node == each)
        if (seen.hub[rows] != seen.hub[rows[0]]).any():
            return False
        steps = np.diff(seen.ticks[rows]) % int(seen.modulus[rows[0]])
        seconds = float(steps.sum() / seen.rate[rows[0]])
        moved |= seconds > max(LEAST_S, LEAST_UNITS * seen.unit_s)
    return moved


def _with(found: FoundFrames, stamps: Ints) -> FoundFrames:
    """The same frames with other hub stamps."""
    hub, at = next(
        (each, at) for each, at in found.layout.positions(found.kind).values() if each.role == "hub_time"
    )
    order, frames = found.layout.order_of(hub), found.frames
    changed = np.zeros_like(frames)
    put_bits(changed, at, hub.bits, order, get_bits(frames, at, hub.bits, order) ^ stamps)
    return replace(found, frames=frames ^ changed)
