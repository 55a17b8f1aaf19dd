"""The report's only look at table ``samples``: a stretch of one channel, never a day of it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from nodeday import samples
from nodeday.arrays import Floats, Ints
from nodeday.layouts import Kind
from nodeday.settings import Study


@dataclass(frozen=True)
class Stretch:
    """Samples of a channel in the order of time: instants in UTC, values (NaN where missing) and
    origins, (n,) each."""

    utc_ns: Ints
    value: Floats
    origin: NDArray[np.object_]


def stretch(
    study: Study, session: str, node: str, kind: Kind, channel: str, from_ns: int, to_ns: int
) -> Stretch:
    """What the table holds of a channel in [from, to); raise ContractError where the session has none."""
    rows = samples.read(
        study.results, session, node, kind, ["utc_ns", "value", "origin"],
        [("utc_ns", ">=", from_ns), ("utc_ns", "<", to_ns)], channel,
    ).sort_values("utc_ns", kind="stable")  # fmt: skip
    return Stretch(
        rows["utc_ns"].to_numpy(np.int64), rows["value"].to_numpy(np.float64), rows["origin"].to_numpy(object)
    )
