"""What was received of a session, and when: its streams, its span in UTC, and how long its hub was on."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from nodeday.config.study import HUB, Study
from nodeday.core import timeline
from nodeday.core.arrays import groups
from nodeday.core.errors import ContractError
from nodeday.stages.study.phases import SECOND
from nodeday.storage import frames, shares
from nodeday.storage.frames import Key, columns_of, first_capture, frame_stamps
from nodeday.storage.session_cut import SessionCut


@dataclass(frozen=True)
class Received:
    """Distinct frames of a stream: how many, and the time in seconds that the samples in them fill.

    ``ticks`` are the first and the last by boot and kind of frame.
    """

    frames: int
    sample_s: float
    ticks: dict[tuple[int, int], tuple[int, int]]


Streams = Mapping[Key, Received]
"""What was received of each stream of the sensor nodes."""


def received(study: Study, session: str, cut: SessionCut | None) -> dict[Key, Received]:
    """Return what a session has of each stream of the sensor nodes, a stream in memory at a time."""
    found = {}
    for key, columns in columns_of(study.results, session).items():
        stamps = frame_stamps(columns, cut.of(key).hold if cut else None)
        if key[0] != HUB and len(stamps.boot):
            kinds = study.layout_of(session, key[0]).kinds_of(key[1])
            ticks = {
                (boot, kind.kind): (int(own.min()), int(own.max()))
                for boot, at in groups(stamps.boot).items()
                for kind in kinds
                if len(own := stamps.ticks[at[stamps.kind[at] == kind.kind]])
            }
            found[key] = Received(len(stamps.boot), shares.sample_seconds(stamps, kinds), ticks)
    return found


def span(
    study: Study,
    session: str,
    streams: Streams,
    clock: pd.DataFrame,
    gaps: pd.DataFrame,
    cut: SessionCut | None = None,
) -> tuple[int, int] | None:
    """Return the first sample instant of all nodes, and one sample period past the last, in ns UTC.

    Frames that a transmit list has before and after those received belong to it, by the rows of ``gaps``.
    In their places stand the session's start and end where these are written. Where no frame holds samples,
    frames stand for them; None where none of these has a map. Raises ContractError where there are samples
    and none could be placed in time.
    """
    with_samples = {key: own for key, own in streams.items() if own.sample_s}
    edges, listed = [], _listed(gaps)
    for (node, stream), own in (with_samples or streams).items():
        kinds = {kind.kind: kind for kind in study.layout_of(session, node).kinds_of(stream)}
        maps = clock[(clock["node"] == node) & clock["stream"].isin(["*", stream])]
        knots = timeline.knots_by_boot(*(maps[name].to_numpy() for name in ("boot", "ticks", "utc_ns")))
        for (boot, number), ticks in own.ticks.items():
            if boot in knots:
                utc = timeline.ticks_to_utc(np.array(ticks, dtype=np.int64), *knots[boot])
                first, last = (int(each) - kinds[number].stamp_lag_ns for each in utc)
                before, after = (
                    round(count * kinds[number].period_s * SECOND)
                    for count in listed.get((node, stream, boot), (0, 0))
                )
                edges.append((first - before, last + kinds[number].length_ns + after))
    if not edges and with_samples:
        raise ContractError("no sample could be placed in time", f"session {session}", "frames and a clock")
    if not edges:
        return None
    start, end = min(first for first, _ in edges), max(last for _, last in edges)
    if cut is not None:
        start = start if cut.start_ns is None else cut.start_ns
        end = end if cut.end_ns is None else cut.end_ns
    return start, end


def _listed(gaps: pd.DataFrame) -> dict[tuple[str, str, int], tuple[int, int]]:
    """Return how many frames a transmit list has before and after a boot, by node, stream and boot."""
    known = gaps[gaps["extent"] == "known"].astype({"node": str, "stream": str})
    rows = known.assign(
        before=known["frames"].where(known["before_hub_ns"].isna(), 0),
        after=known["frames"].where(known["after_hub_ns"].isna(), 0),
    )
    sums = rows.groupby(["node", "stream", "boot"])[["before", "after"]].sum()
    return {
        key: (int(before), int(after))
        for key, (before, after) in zip(sums.index, sums.to_numpy(), strict=True)
    }


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
