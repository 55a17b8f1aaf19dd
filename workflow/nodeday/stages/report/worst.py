"""Which gaps to show up close, and what was done with each: arrays and counts in, sentences out."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from nodeday.config.models import Fill
from nodeday.config.study import Study
from nodeday.core.arrays import Floats, Ints
from nodeday.layouts import Kind
from nodeday.stages.report.words import number
from nodeday.storage import samples

Span = tuple[int, int]
"""[from, to) in UTC."""


@dataclass(frozen=True)
class ChannelStretch:
    """Samples of a channel in the order of time: instants in UTC, values (NaN where missing) and
    origins, (n,) each.
    """

    utc_ns: Ints
    value: Floats
    origin: NDArray[np.object_]


def stretches(
    study: Study, session: str, node: str, kind: Kind, channel: str, wanted: list[list[Span]]
) -> list[ChannelStretch]:
    """What the table holds of a channel in the spans of each stretch, looked up in one pass; raise
    ContractError where the session has none.
    """
    inside = [[("utc_ns", ">=", first), ("utc_ns", "<", last)] for spans in wanted for first, last in spans]
    columns = ["utc_ns", "value", "origin"]
    rows = samples.read(study.results, session, node, kind, columns, inside, channel)
    rows = rows.sort_values("utc_ns", kind="stable")
    utc_ns, value = rows["utc_ns"].to_numpy(np.int64), rows["value"].to_numpy(np.float64)
    origin, found = rows["origin"].to_numpy(object), []
    for spans in wanted:
        own = np.concatenate([np.arange(*np.searchsorted(utc_ns, span)) for span in spans])
        found.append(ChannelStretch(utc_ns[own], value[own], origin[own]))
    return found


SECOND = 1_000_000_000
HOLES, FILLS = 6, 3
"""How many of the longest holes that no fill may close, and of the longest that one may."""
SLACK_NS = 2_000_000
"""Gaps are placed by the node's clock, so a length may be off by a jitter of stamps."""


def chosen(start_ns: Ints, end_ns: Ints, beats: Ints, fill_ms: float, apart_ns: int) -> Ints:
    """Indices of the gaps (m,) to show, in the order of time: the longest that are longer than
    ``fill_ms``, and the longest of the others. Of equals the one with most ``beats`` (m,), those that a
    fill carries, then the first to come; none comes within ``apart_ns`` of one that is shown already,
    so that two pictures never show the same place.
    """
    length = end_ns - start_ns
    order = np.lexsort((start_ns, -beats, -np.round(length / SLACK_NS)))
    shown: list[int] = []
    for fillable, most in ((False, HOLES), (True, FILLS)):
        own = [i for i in order.tolist() if length[i] > 0 and _fits(int(length[i]), fill_ms) == fillable]
        found = 0
        for index in own:
            near = any(
                start_ns[index] < end_ns[k] + apart_ns and start_ns[k] < end_ns[index] + apart_ns
                for k in shown
            )
            if found < most and not near:
                shown.append(index)
                found += 1
    return np.array(sorted(shown, key=lambda i: int(start_ns[i])), dtype=np.int64)


def _fits(length_ns: int, fill_ms: float) -> bool:
    return length_ns <= fill_ms * 1e6 + SLACK_NS


def told(
    length_ns: int, extent: str, counts: Mapping[str, int], beats: int, policy: Fill | None
) -> tuple[str, str]:
    """(a few words, a sentence) on what was done with a gap.

    ``counts`` are the gap's samples by origin; ``beats`` the R peaks that lie on computed ones.
    """
    filled, missing = counts.get("interpolated", 0), counts.get("missing", 0)
    if filled:
        on_them = (
            "no beat lies on them"
            if not beats
            else (
                f"{beats} beat{'s' if beats > 1 else ''} on them count{'' if beats > 1 else 's'} for rate, "
                "not for variability"
            )
        )
        short = f"{filled} samples computed" + (f", {missing} left missing" if missing else "")
        how = f" by {policy.method}" if policy else ""
        return short, f"{filled} samples computed{how}; {on_them}" + (
            f"; {missing} more left missing." if missing else "."
        )
    if extent == "unknown":
        return "left missing", "left missing; how many samples were lost is not known."
    if policy is None or policy.method == "none" or not policy.max_ms:
        return "left missing", "left missing; the study fills nothing in this stream."
    limit = f"{number(policy.max_ms, 0)} ms"
    if not _fits(length_ns, policy.max_ms):
        return "left missing", f"left missing; longer than the {limit} that may be filled."
    if not missing:
        return "nothing stored", "no sample of it stands in the tables."
    return "left missing", f"left missing; within {limit}, but too little was received around it."
