"""Table ``steps``: steps of clocks and restarts, each with its position, its size and who shows it."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from typing import Any, NamedTuple

import numpy as np
import pandas as pd

from nodeday.config.study import HUB
from nodeday.core.arrays import Ints
from nodeday.schemas import TABLES
from nodeday.stages.clock.hub import MARKS, RunStarts, Steady
from nodeday.stages.clock.maps import Map
from nodeday.stages.clock.network import NETWORK
from nodeday.storage import tables

Span = tuple[tuple[str, str, int], int, int]
"""Node, stream and boot, and the first and the last row of its frames."""

SILENT_MS = 100.0
"""Half width of the 95 % band of how long a restarted node was silent: delays of both frames. Choice of
this project."""


class StepEvent(NamedTuple):
    """A row of table ``steps``, but for its instants: rows of table ``frames`` before and after it."""

    node: str
    kind: str
    before: int
    after: int
    size_ms: float = np.nan
    band_ms: float = np.nan
    witnesses: int = 0


def step_rows(
    stamps_at: Callable[[Ints], Ints], boots: list[Span], steady: Steady, hubs: Mapping[int, Map]
) -> pd.DataFrame:
    """Return table ``steps``, in order of the hub's stamps; ``stamps_at`` gives those of rows in order."""
    found = [*_steps(steady), *_hub_restarts(steady.runs), *_restarts(boots, steady.runs)]
    rows = np.unique(np.array([(each.before, each.after) for each in found], np.int64))
    hub_ns = dict(zip(rows.tolist(), stamps_at(rows).tolist(), strict=True))
    sized = [_sized(each, hub_ns, steady.runs, hubs) for each in found]
    columns: dict[str, Any] = {
        "node": [each.node for each in sized],
        "kind": [each.kind for each in sized],
        "before_hub_ns": np.array([hub_ns[each.before] for each in sized], np.int64),
        "after_hub_ns": np.array([hub_ns[each.after] for each in sized], np.int64),
        "utc_ns": pd.array([_utc(each.before, hub_ns, steady, hubs) for each in sized], "Int64"),
        "size_ms": np.array([each.size_ms for each in sized], np.float64),
        "uncertainty_ms": np.array([each.band_ms for each in sized], np.float64),
        "witnesses": np.array([each.witnesses for each in sized], np.int32),
    }
    table = tables.build(TABLES["steps"], columns)
    return table.sort_values("before_hub_ns", kind="stable", ignore_index=True)


def _steps(steady: Steady) -> Iterator[StepEvent]:
    for each in steady.shared:
        step, seen = each.step, len(each.witnesses)
        yield StepEvent(
            HUB, "hub_step", step.before, step.after, step.size_ms, 1.96 * step.deviation_ms, seen
        )
    for node, steps in steady.own.items():
        kind, name = {MARKS: ("host_step", HUB), NETWORK: ("network_step", NETWORK)}.get(
            node, ("node_step", node)
        )
        for step in steps:  # where the hub seems to move forward, the other clock moved back
            yield StepEvent(name, kind, step.before, step.after, -step.size_ms, 1.96 * step.deviation_ms, 1)


def _hub_restarts(runs: RunStarts) -> Iterator[StepEvent]:
    for first in runs.first[1:].tolist():
        yield StepEvent(HUB, "hub_restart", first - 1, first)


def _restarts(boots: list[Span], runs: RunStarts) -> Iterator[StepEvent]:
    """Give each new boot of a node that the hub's own restart does not explain."""
    seen: set[tuple[str, int]] = set()
    last: dict[tuple[str, str], int] = {}
    for (node, stream, boot), first, stop in sorted(boots):
        before = last.get((node, stream), first)
        known = before >= first or (node, boot) in seen
        if not known and runs.at(before) == runs.at(first):
            seen.add((node, boot))
            yield StepEvent(node, "node_restart", before, first)
        last[node, stream] = stop


def _sized(each: StepEvent, hub_ns: Mapping[int, int], runs: RunStarts, hubs: Mapping[int, Map]) -> StepEvent:
    """Return a restart with its size and band, and any other event as it is.

    Size of a node's restart is how long it was silent. That of the hub's is how far its clock jumped between
    two runs that are both tied to UTC, not a number for others.
    """
    before_ns, after_ns = hub_ns[each.before], hub_ns[each.after]
    if each.kind == "node_restart":
        return each._replace(size_ms=(after_ns - before_ns) / 1e6, band_ms=SILENT_MS, witnesses=1)
    one, two = (hubs.get(runs.at(row)) for row in (each.before, each.after))
    if each.kind != "hub_restart" or one is None or two is None:
        return each
    edges = np.array([before_ns]), np.array([after_ns])
    passed = int(two(edges[1])[0]) - int(one(edges[0])[0])
    band = float(np.hypot(one.uncertainty(edges[0])[0], two.uncertainty(edges[1])[0]))
    return each._replace(size_ms=(after_ns - before_ns - passed) / 1e6, band_ms=band, witnesses=1)


def _utc(row: int, hub_ns: Mapping[int, int], steady: Steady, hubs: Mapping[int, Map]) -> int | None:
    """Return the UTC of a row; None where its run of the hub is not tied to UTC."""
    at = hubs.get(steady.runs.at(row))
    return None if at is None else int(at(steady.steady_ns(np.array([row]), np.array([hub_ns[row]])))[0])
