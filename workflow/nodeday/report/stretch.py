"""The report's only look at table ``samples``: stretches of one channel, never a day of it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from nodeday import samples
from nodeday.arrays import Floats, Ints
from nodeday.layouts import Kind
from nodeday.settings import Study

Span = tuple[int, int]
"""[from, to) in UTC."""


@dataclass(frozen=True)
class Stretch:
    """Samples of a channel in the order of time: instants in UTC, values (NaN where missing) and
    origins, (n,) each."""

    utc_ns: Ints
    value: Floats
    origin: NDArray[np.object_]


def stretches(
    study: Study, session: str, node: str, kind: Kind, channel: str, wanted: list[list[Span]]
) -> list[Stretch]:
    """What the table holds of a channel in the spans of each stretch, looked up in one pass; raise
    ContractError where the session has none."""
    inside = [[("utc_ns", ">=", first), ("utc_ns", "<", last)] for spans in wanted for first, last in spans]
    columns = ["utc_ns", "value", "origin"]
    rows = samples.read(study.results, session, node, kind, columns, inside, channel)
    rows = rows.sort_values("utc_ns", kind="stable")
    utc_ns, value = rows["utc_ns"].to_numpy(np.int64), rows["value"].to_numpy(np.float64)
    origin, found = rows["origin"].to_numpy(object), []
    for spans in wanted:
        own = np.concatenate([np.arange(*np.searchsorted(utc_ns, span)) for span in spans])
        found.append(Stretch(utc_ns[own], value[own], origin[own]))
    return found
