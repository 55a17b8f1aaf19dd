"""What became of each frame: the truth, from what was sent and where it lies in the capture."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from nodeday.core.arrays import Floats, Ints
from nodeday.schemas.numbers import GapCause
from nodeday.stages.simulate.capture import Copies, WrittenCapture
from nodeday.stages.simulate.nodes import Sent
from nodeday.stages.simulate.scenario import SessionPlan
from nodeday.stages.simulate.truth import NOT_LOST, StreamTruth, Truth


@dataclass(frozen=True)
class FrameOutcome:
    """A stream's truth with its counts."""

    stream: StreamTruth
    duplicates: int
    late: int
    damaged: int
    good_bytes: int
    damaged_bytes: int


def outcome(
    number: int,
    sent: Sent,
    part: Copies,
    cause: NDArray[np.int8],
    laid: WrittenCapture,
    start_ns: int,
    hub_ns: Ints,
) -> FrameOutcome:
    """The truth about stream ``number`` of the capture; ``cause`` (n,) holds where a frame is lost.

    A frame is received if a whole, undamaged copy lies in the capture; one that the capture's
    end cuts off is lost for no cause that could be told.
    """
    cut = laid.cut[1] if laid.cut and laid.cut[0] == number else None
    intact = ~part.damaged
    if cut is not None:
        intact[cut] = False
    order = laid.copy[laid.stream == number]
    good = part.row[order[intact[order]]]
    received = np.zeros(len(sent), bool)
    received[good] = True
    why = np.where(received, NOT_LOST, cause).astype(np.int8)
    if cut is not None and not received[part.row[cut]]:
        why[part.row[cut]] = GapCause.UNKNOWN
    stream = StreamTruth(sent.boot, sent.seq, sent.ticks, utc(start_ns, sent.stamp_s), received, why, hub_ns)
    _, first = np.unique(good, return_index=True)
    arrived = good[np.sort(first)]
    behind = int((arrived < np.maximum.accumulate(arrived)).sum()) if len(arrived) else 0
    damaged = int(part.damaged.sum()) - int(cut is not None and bool(part.damaged[cut]))
    size = laid.sizes[number]
    whole = np.ones(len(size), bool)
    if cut is not None:
        whole[cut] = False
    return FrameOutcome(
        stream,
        len(good) - len(first),
        behind,
        damaged,
        int(size[intact].sum()),
        int(size[part.damaged & whole].sum()),
    )


def whole_truth(
    plan: SessionPlan,
    outcomes: Mapping[str, FrameOutcome],
    skews: dict[str, float],
    laid: WrittenCapture,
    beats_s: Floats | None,
    taps_s: Floats | None,
) -> Truth:
    """The session's truth from its streams' by "node/stream"."""
    start = plan.start_ns
    return Truth(
        streams={key: each.stream for key, each in outcomes.items()},
        beat_utc_ns=utc(start, _inside(plan, beats_s)),
        tap_utc_ns=utc(start, _inside(plan, taps_s)),
        restart_utc_ns=utc(start, np.array([60 * each.at_min for each in plan.restarts])),
        restart_node=np.array([each.node for each in plan.restarts], np.str_),
        death_utc_ns=utc(start, np.array([60 * each.at_min for each in plan.deaths])),
        death_node=np.array([each.node for each in plan.deaths], np.str_),
        outage_utc_ns=utc(start, np.array(plan.silences).reshape(-1, 2)),
        skew_ppm=skews,
        duplicates={key: each.duplicates for key, each in outcomes.items()},
        late={key: each.late for key, each in outcomes.items()},
        damaged={key: each.damaged for key, each in outcomes.items()},
        start_utc_ns=start,
        capture_bytes=len(laid.data),
        good_bytes=sum(each.good_bytes for each in outcomes.values()),
        damaged_bytes=sum(each.damaged_bytes for each in outcomes.values()),
        junk_bytes=laid.junk_bytes,
        truncated_bytes=laid.truncated_bytes,
    )


def _inside(plan: SessionPlan, seconds: Floats | None) -> Floats:
    at = np.empty(0) if seconds is None else seconds
    return at[(at >= 0) & (at < plan.seconds)]


def utc(start_ns: int, seconds: Floats) -> Ints:
    """Nanoseconds UTC of seconds since the session's start."""
    return start_ns + np.rint(np.asarray(seconds, np.float64) * 1e9).astype(np.int64)
