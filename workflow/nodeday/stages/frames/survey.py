"""How much of a capture its layouts decode, whoever sent it: for the person who writes a layout."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field

import numpy as np

from nodeday.core.percent import percent
from nodeday.layouts import Layout
from nodeday.layouts.codec import decode_fields
from nodeday.stages.frames.scan import ScannedBlock, scan
from nodeday.stages.frames.validate import Spoken

MOST = 100
"""Streams that are listed."""


@dataclass
class Survey:
    """Bytes in all and in frames, and what they are.

    Frames by (layout, address, kind, stream), rejected ranges and bytes by reason, and where the longest
    rejected range lies. ``absent`` are kinds without a frame.
    """

    size: int = 0
    framed: int = 0
    frames: Counter[tuple[str, int, int, str]] = field(default_factory=Counter)
    rejects: Counter[str] = field(default_factory=Counter)
    rejected: Counter[str] = field(default_factory=Counter)
    longest: tuple[int, int, str] = (0, 0, "")
    absent: list[tuple[str, int, str]] = field(default_factory=list)

    @property
    def share(self) -> float:
        return self.framed / self.size if self.size else 0.0

    @property
    def by_address(self) -> Counter[tuple[str, int]]:
        """Frames by layout and address."""
        total = Counter[tuple[str, int]]()
        for (layout, address, _, _), count in self.frames.items():
            total[layout, address] += count
        return total

    def text(self) -> str:
        """Return the figures as lines for a person, 80 columns wide at most."""
        lines = [f"{self.size} bytes, {percent(self.share, 2)} of them in {self.frames.total()} frames"]
        several = len({layout for layout, *_ in self.frames}) > 1
        shown = sorted(self.frames.items())
        if len(shown) > MOST:
            shown = sorted(self.frames.most_common(MOST))
            lines.append(f"the {MOST} streams with most frames, of {len(self.frames)}:")
        lines += [
            f"  address {address:>5}  kind {kind:>3}  {stream:<8} {count:>9} frames"
            + (f"  {layout}" if several else "")
            for (layout, address, kind, stream), count in shown
        ]
        lines += [
            f"  layout {layout}, kind {kind}, stream {stream}: no frame"
            for layout, kind, stream in self.absent
        ]
        lines += [
            f"  {reason:<12} {self.rejects[reason]:>9} ranges {size:>12} bytes"
            for reason, size in self.rejected.most_common()
        ]
        start, size, reason = self.longest
        if size:
            lines.append(f"The longest range without a frame: {size} bytes of {reason} from byte {start}.")
        return "\n".join(lines)


def survey(pieces: Iterable[bytes], *layouts: Layout) -> Survey:
    """Look through a capture with every address allowed, by all of its layouts together."""
    return survey_blocks(open_blocks(pieces, *layouts), *layouts)


def open_blocks(pieces: Iterable[bytes], *layouts: Layout) -> Iterator[ScannedBlock]:
    """Yield the frames of a capture with every address allowed."""
    return scan(pieces, [Spoken(layout, None) for layout in layouts])


def survey_blocks(blocks: Iterable[ScannedBlock], *layouts: Layout) -> Survey:
    """Count what the blocks of a capture hold."""
    found = Survey()
    for block in blocks:
        for each in block.frames:
            found.framed += int((each.end - each.start).sum())
            addresses = decode_fields(each.frames, each.layout, each.kind, ["node"])["node"]
            nodes, counts = np.unique(addresses, return_counts=True)
            for node, count in zip(nodes.tolist(), counts.tolist(), strict=True):
                found.frames[each.layout.layout, node, each.kind.kind, each.kind.stream] += count
        for reject in block.rejects:
            size = reject.end - reject.start
            found.rejects[reject.reason] += 1
            found.rejected[reject.reason] += size
            if size > found.longest[1]:
                found.longest = (reject.start, size, reject.reason)
    found.size = found.framed + found.rejected.total()
    seen = {(layout, kind) for layout, _, kind, _ in found.frames}
    found.absent = [
        (layout.layout, kind.kind, kind.stream)
        for layout in layouts
        for kind in layout.kinds
        if (layout.layout, kind.kind) not in seen
    ]
    return found
