"""One node's ticks to UTC: a map for each stretch between its own steps, joined boot by boot."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from nodeday.core.arrays import Floats, Ints
from nodeday.stages.clock import maps
from nodeday.stages.clock.maps import Map
from nodeday.stages.clock.rounding import Unit
from nodeday.stages.clock.steps import ObservedStep


@dataclass(frozen=True)
class Stamped:
    """Frames of one boot, (n,) each in order of ``ticks``.

    ``rows`` are those of the table, ``sent_ns`` the hub's stamps without its steps and known waits (known to
    ``band_ms``), and ``run`` the hub's. Ticks may be ``counted`` frames, not time.
    """

    rows: NDArray[np.integer]
    ticks: Ints
    sent_ns: Ints
    run: NDArray[np.integer]
    band_ms: Floats
    rate_hz: float
    counted: bool = False

    def take(self, at: Ints) -> Stamped:
        """Return the frames at ``at``."""
        columns = {name: getattr(self, name)[at] for name in ("rows", "ticks", "sent_ns", "run", "band_ms")}
        return replace(self, **columns)


def map_boot(
    own: Stamped, steps: list[ObservedStep], hubs: dict[int, Map], unit: Unit, delay_ms: float
) -> Map | None:
    """Map of a boot to UTC; None where no run of the hub in which it was heard is tied to UTC.

    ``steps`` are of the node's own clock, by rows of the table. Each stretch between steps, or in
    another run of the hub, has a map of its own; a step lies between two knots, as steep as it is.
    """
    edges = np.zeros(len(own.rows), bool)
    for step in steps:
        edges |= own.rows == step.after
    if edges.any() or (own.run != own.run[0]).any():
        piece = np.cumsum(edges) + (int(edges.sum()) + 1) * own.run.astype(np.int64)
        parts = [own.take(np.flatnonzero(piece == each)) for each in np.unique(piece)]
    else:
        parts = [own]
    found = []
    for part in parts:
        hub = hubs.get(int(part.run[0]))
        if hub is not None:
            fit = maps.fit_map(part.ticks, part.sent_ns, own.rate_hz, unit, delay_ms, own.counted)
            found.append(maps.join(maps.less_certain(fit, part.ticks, part.band_ms), hub))
    return maps.in_order(found) if found else None
