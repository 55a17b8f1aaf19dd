"""Table ``steps``: what befell clocks, each with its place, its size and who shows it."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from nodeday.config.study import HUB
from nodeday.core.arrays import Ints
from nodeday.schemas import TABLES
from nodeday.stages.clock.hub import MARKS, Steady
from nodeday.stages.clock.maps import Map
from nodeday.storage import tables

Span = tuple[tuple[str, str, int], int, int]
"""Node, stream and boot, and the first and the last row of its frames."""

SILENT_MS = 100.0
"""Half width of the 95 % band of how long a restarted node was silent: delays of both frames. Choice of
this project."""


def step_rows(
    hub_ns: Ints, run: NDArray[np.int32], boots: list[Span], steady: Steady, hubs: dict[int, Map]
) -> pd.DataFrame:
    """Rows of table ``steps`` in order of capture, of which ``hub_ns`` (n,) are the stamps."""
    found: list[dict[str, Any]] = []

    def add(node: str, kind: str, rows: tuple[int, int], size: float, band: float, seen: int) -> None:
        at, before = hubs.get(int(run[rows[0]])), rows[0]
        utc = None if at is None else int(at(steady.steady_ns[[before]])[0])
        found.append(
            {
                "node": node,
                "kind": kind,
                "before_hub_ns": hub_ns[before],
                "after_hub_ns": hub_ns[rows[1]],
                "utc_ns": utc,
                "size_ms": size,
                "uncertainty_ms": band,
                "witnesses": seen,
            }
        )

    for each in steady.shared:
        step = each.step
        band, rows = 1.96 * step.deviation_ms, (step.before, step.after)
        add(HUB, "hub_step", rows, step.size_ms, band, len(each.witnesses))
    for node, steps in steady.own.items():
        kind, name = ("host_step", HUB) if node == MARKS else ("node_step", node)
        for step in steps:  # where the hub seems to move forward, the other clock moved back
            add(name, kind, (step.before, step.after), -step.size_ms, 1.96 * step.deviation_ms, 1)
    for at in np.flatnonzero(np.diff(run)).tolist():
        size, band = _hub_jump(at, hub_ns, run, hubs)
        add(HUB, "hub_restart", (at, at + 1), size, band, int(np.isfinite(size)))
    for node, before, after in _restarts(boots, run):
        silent = (hub_ns[after] - hub_ns[before]) / 1e6
        add(node, "node_restart", (before, after), float(silent), SILENT_MS, 1)
    columns: dict[str, Any] = {name: [row[name] for row in found] for name in TABLES["steps"].names}
    columns |= {name: np.array(columns[name], np.float64) for name in ("size_ms", "uncertainty_ms")}
    columns |= {name: np.array(columns[name], np.int64) for name in ("before_hub_ns", "after_hub_ns")}
    columns |= {
        "utc_ns": pd.array(columns["utc_ns"], "Int64"),
        "witnesses": np.array(columns["witnesses"], np.int32),
    }
    table = tables.build(TABLES["steps"], columns)
    return table.sort_values("before_hub_ns", kind="stable", ignore_index=True)


def _hub_jump(at: int, hub_ns: Ints, run: NDArray[np.int32], hubs: dict[int, Map]) -> tuple[float, float]:
    """How far the hub's clock jumped (ms) between two runs that are both tied to UTC, and its band;
    not a number for others.
    """
    one, two = hubs.get(int(run[at])), hubs.get(int(run[at + 1]))
    if one is None or two is None:
        return np.nan, np.nan
    edge = hub_ns[at : at + 2]
    passed = int(two(edge[1:])[0]) - int(one(edge[:1])[0])
    band = float(np.hypot(one.uncertainty(edge[:1])[0], two.uncertainty(edge[1:])[0]))
    return (int(edge[1] - edge[0]) - passed) / 1e6, band


def _restarts(boots: list[Span], run: NDArray[np.int32]) -> Iterator[tuple[str, int, int]]:
    """Last and first rows around each new boot of a node that the hub's own restart does not explain."""
    seen: set[tuple[str, int]] = set()
    last: dict[tuple[str, str], tuple[int, int]] = {}
    for (node, stream, boot), first, stop in sorted(boots):
        if (node, stream) in last and (node, boot) not in seen:
            before = last[node, stream][1]
            if run[before] == run[first] and before < first:
                seen.add((node, boot))
                yield node, before, first
        last[node, stream] = (first, stop)
