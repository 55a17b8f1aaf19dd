"""How much of a capture a layout decodes, whoever sent it: for the person who writes the layout."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field

import numpy as np

from nodeday.layouts import Layout
from nodeday.layouts.codec import decode_fields
from nodeday.stages.frames.scan import scan
from nodeday.stages.frames.validate import Spoken


@dataclass
class Survey:
    """Bytes in all and in frames, frames by (address, kind, stream), rejected ranges and bytes by
    reason, and where the longest rejected range lies.
    """

    size: int = 0
    framed: int = 0
    frames: Counter[tuple[int, int, str]] = field(default_factory=Counter)
    rejects: Counter[str] = field(default_factory=Counter)
    rejected: Counter[str] = field(default_factory=Counter)
    longest: tuple[int, int, str] = (0, 0, "")

    @property
    def share(self) -> float:
        return self.framed / self.size if self.size else 0.0

    def text(self) -> str:
        """The figures as lines for a person."""
        lines = [f"{self.size} bytes, {self.share:.2%} of them in {self.frames.total()} frames"]
        lines += [
            f"  address {address:>5}  kind {kind:>3}  {stream:<8} {count:>9} frames"
            for (address, kind, stream), count in sorted(self.frames.items())
        ]
        lines += [
            f"  {reason:<12} {self.rejects[reason]:>9} ranges {size:>12} bytes"
            for reason, size in self.rejected.most_common()
        ]
        start, size, reason = self.longest
        if size:
            lines.append(f"The longest range without a frame: {size} bytes of {reason} from byte {start}.")
        return "\n".join(lines)


def survey(pieces: Iterable[bytes], layout: Layout) -> Survey:
    """Look through a capture with every address allowed."""
    found = Survey()
    for block in scan(pieces, [Spoken(layout, None)]):
        for each in block.frames:
            found.framed += int((each.end - each.start).sum())
            addresses = decode_fields(each.frames, layout, each.kind, ["node"])["node"]
            nodes, counts = np.unique(addresses, return_counts=True)
            for node, count in zip(nodes.tolist(), counts.tolist(), strict=True):
                found.frames[node, each.kind.kind, each.kind.stream] += count
        for reject in block.rejects:
            size = reject.end - reject.start
            found.rejects[reject.reason] += 1
            found.rejected[reject.reason] += size
            if size > found.longest[1]:
                found.longest = (reject.start, size, reject.reason)
    found.size = found.framed + found.rejected.total()
    return found
