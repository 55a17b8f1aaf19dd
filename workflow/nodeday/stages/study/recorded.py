"""What was received of a session, and when: its streams, its span in UTC, and how long its hub was on."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from nodeday.config.study import HUB, Study
from nodeday.core import timeline
from nodeday.core.errors import ContractError
from nodeday.layouts import Kind
from nodeday.stages.study.phases import SECOND
from nodeday.storage import frames
from nodeday.storage.frames import Key, columns_of, first_capture, frame_stamps


@dataclass(frozen=True)
class Received:
    """Distinct frames of a stream: how many, and the sample instants in them.

    ``ticks`` are the first and the last by boot.
    """

    frames: int
    samples: int
    ticks: dict[int, tuple[int, int]]


Streams = Mapping[Key, Received]
"""What was received of each stream of the sensor nodes."""


def received(study: Study, session: str) -> dict[Key, Received]:
    """Return what was received of each stream of the sensor nodes, a stream in memory at a time."""
    found = {}
    for key, columns in columns_of(study.results, session).items():
        stamps = frame_stamps(columns)
        if key[0] != HUB and len(stamps.boot):
            ticks = {
                int(boot): (int(own.min()), int(own.max()))
                for boot in np.unique(stamps.boot)
                if len(own := stamps.ticks[stamps.boot == boot])
            }
            found[key] = Received(len(stamps.boot), stamps.samples, ticks)
    return found


def span(study: Study, session: str, streams: Streams, clock: pd.DataFrame) -> tuple[int, int] | None:
    """Return the first sample instant of all nodes, and one sample period past the last, in ns UTC.

    Where no frame holds samples, frames stand for them; None where none of these has a map. Raises
    ContractError where there are samples and none could be placed in time.
    """
    with_samples = {key: own for key, own in streams.items() if own.samples}
    edges = []
    for (node, stream), own in (with_samples or streams).items():
        kind = study.layout_of(session, node).stream(stream)
        maps = clock[(clock["node"] == node) & clock["stream"].isin(["*", stream])]
        for boot, ticks in own.ticks.items():
            knots = maps[maps["boot"] == boot]
            if len(knots) > 1:
                ends = np.array(ticks, dtype=np.int64)
                utc = timeline.ticks_to_utc(ends, knots["ticks"].to_numpy(), knots["utc_ns"].to_numpy())
                edges.append(_edges(kind, int(utc[0]), int(utc[1])))
    if not edges and with_samples:
        raise ContractError("no sample could be placed in time", f"session {session}", "frames and a clock")
    return (min(first for first, _ in edges), max(last for _, last in edges)) if edges else None


def _edges(kind: Kind, first_ns: int, last_ns: int) -> tuple[int, int]:
    """Return begin and end of frames of a kind of which the first and the last have these stamps."""
    period = SECOND / kind.rate_hz if kind.rate_hz else 0.0
    before = round((kind.samples - 1) * period) if kind.stamp == "last" else 0
    return first_ns - before, last_ns - before + round(kind.period_s * SECOND)


def hub_hours(study: Study, session: str) -> float:
    """Return how long the hub's clock ran from its first to its last stamp, in hours, restarts left out."""
    runs = frames.hub_runs(study.results, session)
    number = runs["hub_run"].to_numpy(np.int64)
    least = np.full(number.max(initial=0) + 1, np.iinfo(np.int64).max)
    most = np.full_like(least, np.iinfo(np.int64).min)
    for columns in columns_of(study.results, session).values():
        own = first_capture(columns)
        row, hub_ns = columns["row"][own], columns["hub_ns"][own]
        run = number[np.searchsorted(runs["row"].to_numpy(np.int64), row, side="right") - 1]
        np.minimum.at(least, run, hub_ns)
        np.maximum.at(most, run, hub_ns)
    seen = most >= least
    return float((most[seen] - least[seen]).sum()) / (3600 * SECOND)
