"""The worst gaps of a channel: which to show up close, the samples around them, what was done with each."""

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

HOLES, FILLS = 6, 3
"""How many of the longest gaps that no fill may close, and of the longest that one may."""
SLACK_NS = 2_000_000
"""The clock of the node dates both ends of a gap, so its length may be off by a jitter of stamps."""
Span = tuple[int, int]
"""[from, to) in UTC."""


def choose(start_ns: Ints, end_ns: Ints, beats: Ints, fill_ms: float, apart_ns: int) -> Ints:
    """Return indices of the gaps (m,) to show, in order of time.

    These are the longest of the gaps longer than ``fill_ms``, and the longest of the others. Among equals
    the one with most ``beats`` (m,) on its fill is taken, then the first. Two chosen gaps are at least
    ``apart_ns`` apart, so that two panels never show the same stretch.
    """
    length = end_ns - start_ns
    order = np.lexsort((start_ns, -beats, -np.round(length / SLACK_NS)))
    shown: list[int] = []
    for fillable, most in ((False, HOLES), (True, FILLS)):
        candidates = [
            index
            for index in order.tolist()
            if length[index] > 0 and _fits(int(length[index]), fill_ms) == fillable
        ]
        count = 0
        for index in candidates:
            near = any(
                start_ns[index] < end_ns[k] + apart_ns and start_ns[k] < end_ns[index] + apart_ns
                for k in shown
            )
            if count < most and not near:
                shown.append(index)
                count += 1
    return np.array(sorted(shown, key=lambda index: int(start_ns[index])), dtype=np.int64)


def _fits(length_ns: int, fill_ms: float) -> bool:
    return length_ns <= fill_ms * 1e6 + SLACK_NS


@dataclass(frozen=True)
class ChannelStretch:
    """Samples (n,) of a channel in order of time: instants in UTC, values (NaN: missing), origins."""

    utc_ns: Ints
    value: Floats
    origin: NDArray[np.object_]


def stretches(
    study: Study, session: str, node: str, kind: Kind, channel: str, wanted: list[list[Span]]
) -> list[ChannelStretch]:
    """Read the samples of a channel in the spans of each ``wanted`` stretch, in one pass over the table.

    Raises ContractError where the session has no samples of it.
    """
    inside = [[("utc_ns", ">=", first), ("utc_ns", "<", last)] for spans in wanted for first, last in spans]
    columns = ["utc_ns", "value", "origin"]
    rows = samples.read(study.results, session, node, kind, columns, inside, channel)
    rows = rows.sort_values("utc_ns", kind="stable")
    utc_ns, value = rows["utc_ns"].to_numpy(np.int64), rows["value"].to_numpy(np.float64)
    origin, found = rows["origin"].to_numpy(object), []
    for spans in wanted:
        index = np.concatenate([np.arange(*np.searchsorted(utc_ns, span)) for span in spans])
        found.append(ChannelStretch(utc_ns[index], value[index], origin[index]))
    return found


def treatment(
    length_ns: int, extent: str, counts: Mapping[str, int], beats: int, policy: Fill | None
) -> tuple[str, str]:
    """Return (a few words, a sentence) on what was done with a gap.

    ``counts`` are the samples in the gap by origin, ``beats`` the R peaks on computed ones.
    """
    filled, missing = counts.get("interpolated", 0), counts.get("missing", 0)
    if filled:
        return _filled(filled, missing, beats, policy)
    if extent == "unknown":
        return "left missing", "left missing; how many samples were lost is not known."
    if policy is None or policy.method == "none" or not policy.max_ms:
        return "left missing", "left missing; the study fills nothing in this stream."
    limit = f"{number(policy.max_ms, 0)} ms"
    if not _fits(length_ns, policy.max_ms):
        return "left missing", f"left missing; longer than the {limit} that may be filled."
    if not missing:
        return "nothing stored", "no sample of it stands in the tables."
    unsure = ", or no fill was sure enough" if policy.method == "pattern" else ""
    return "left missing", f"left missing; within {limit}, but too little was received around it{unsure}."


def _filled(filled: int, missing: int, beats: int, policy: Fill | None) -> tuple[str, str]:
    several = beats > 1
    on_them = (
        f"{beats} beat{'s' if several else ''} on them count{'' if several else 's'} for rate, "
        "not for variability"
        if beats
        else "no beat lies on them"
    )
    computed = f"{filled} samples computed"
    how = f" by {policy.method}" if policy else ""
    rest = f"; {missing} more left missing." if missing else "."
    return computed + (f", {missing} left missing" if missing else ""), f"{computed}{how}; {on_them}{rest}"
