"""Byte ranges of a capture that are no frames, each with a reason; between frames they tile every byte."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from nodeday.stages.frames.columns import NO_REASON, REASON, Reasons
from nodeday.stages.frames.validate import NO_ADDRESS, Positions


@dataclass(frozen=True)
class Reject:
    """A half-open byte range that is no frame.

    ``address`` is what it claims where it is a complete frame and its checksum holds.
    """

    start: int
    end: int
    reason: str
    address: int | None = None


def claims_of(start: Positions, end: Positions, reason: Reasons, address: Positions) -> list[Reject]:
    """Return the candidates (n,) that are no frames, by start, one whose checksum holds before others."""
    bad = np.flatnonzero(reason != NO_REASON)
    bad = bad[np.lexsort((address[bad] == NO_ADDRESS, start[bad]))]
    columns = (values[bad].tolist() for values in (start, end, reason, address))
    return [
        Reject(first, last, REASON[why], None if who == NO_ADDRESS else who)
        for first, last, why, who in zip(*columns, strict=True)
    ]


def tile_rejects(
    claims: list[Reject], start: Positions, end: Positions, cut: int, base: int, pending: Reject | None
) -> list[Reject]:
    """Return rejects that tile the bytes of ``[0, cut)`` between frames at ``start`` to ``end`` (n,).

    ``claims`` come from :func:`claims_of`; ``base`` is the byte of the capture at which the block begins.
    ``pending`` is the last reject of the block before; it goes on here where it was junk that
    junk follows, or claimed more bytes than that block had.
    """
    stops, holes = np.append(start, cut), np.append(0, end)
    open_ = stops > holes
    if pending is not None and pending.reason != "junk" and pending.end > base:
        claims = [replace(pending, start=0, end=pending.end - base), *claims]
    out: list[Reject] = []
    index = 0
    for at, stop in zip(holes[open_].tolist(), stops[open_].tolist(), strict=True):
        while index < len(claims) and claims[index].start < stop:
            claim = claims[index]
            index += 1
            if claim.start < at:
                continue
            if claim.start > at:
                out.append(Reject(base + at, base + claim.start, "junk"))
            # At the end of the block a claim may reach into the next one.
            last = min(claim.end, stop) if stop < cut else claim.end
            out.append(replace(claim, start=base + claim.start, end=base + last))
            at = min(claim.end, stop)
        if at < stop:
            out.append(Reject(base + at, base + stop, "junk"))
    return _joined(pending, out, base)


def _joined(pending: Reject | None, out: list[Reject], base: int) -> list[Reject]:
    if pending is None:
        return out
    first = out[0] if out else None
    if (
        first
        and first.start == base
        and first.reason == pending.reason
        and (pending.end > base or (pending.end == base and pending.reason == "junk"))
    ):
        return [replace(first, start=pending.start), *out[1:]]
    return [replace(pending, end=min(pending.end, base)), *out]
