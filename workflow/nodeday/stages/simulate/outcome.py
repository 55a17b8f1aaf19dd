"""Truth about each frame: received or lost and why, from what was sent and what the capture holds."""

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
    """Truth about a stream with counts of frames and bytes."""

    stream: StreamTruth
    duplicates: int
    late: int
    damaged: int
    good_bytes: int
    damaged_bytes: int


def frame_outcome(
    number: int,
    sent: Sent,
    part: Copies,
    cause: NDArray[np.int8],
    written: WrittenCapture,
    start_ns: int,
    hub_ns: Ints,
) -> FrameOutcome:
    """Return the truth about stream ``number`` of a capture.

    ``cause`` (n,) is the cause of loss of each frame if it is lost. A frame is received if the
    capture holds a complete, undamaged copy. A frame that the end of the capture cuts off is lost
    for an unknown cause.
    """
    cut = written.cut[1] if written.cut and written.cut[0] == number else None
    intact = ~part.damaged
    if cut is not None:
        intact[cut] = False
    order = written.copy[written.stream == number]
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
    size = written.sizes[number]
    complete = np.ones(len(size), bool)
    if cut is not None:
        complete[cut] = False
    return FrameOutcome(
        stream,
        len(good) - len(first),
        behind,
        damaged,
        int(size[intact].sum()),
        int(size[part.damaged & complete].sum()),
    )


def joined(outcomes: list[FrameOutcome]) -> FrameOutcome:
    """Return the outcome of several devices that send one stream with one address, one after the other."""
    columns = [vars(one.stream) for one in outcomes]
    stream = StreamTruth(**{name: np.concatenate([one[name] for one in columns]) for name in columns[0]})
    counts = [[n for name, n in vars(one).items() if name != "stream"] for one in outcomes]
    return FrameOutcome(stream, *(sum(column) for column in zip(*counts, strict=True)))


def session_truth(
    plan: SessionPlan,
    outcomes: Mapping[str, FrameOutcome],
    skews: dict[str, float],
    written: WrittenCapture,
    beats_s: Floats | None,
    taps_s: Floats | None,
) -> Truth:
    """Return the truth about a session from the outcomes of its streams, by "node/stream"."""
    start = plan.start_ns
    return Truth(
        streams={key: one.stream for key, one in outcomes.items()},
        beat_utc_ns=utc(start, _inside(plan, beats_s)),
        tap_utc_ns=utc(start, _inside(plan, taps_s)),
        restart_utc_ns=utc(start, np.array([60 * restart.at_min for restart in plan.restarts])),
        restart_node=np.array([restart.node for restart in plan.restarts], np.str_),
        death_utc_ns=utc(start, np.array([60 * death.at_min for death in plan.deaths])),
        death_node=np.array([death.node for death in plan.deaths], np.str_),
        outage_utc_ns=utc(start, np.array(plan.silences).reshape(-1, 2)),
        skew_ppm=skews,
        duplicates={key: one.duplicates for key, one in outcomes.items()},
        late={key: one.late for key, one in outcomes.items()},
        damaged={key: one.damaged for key, one in outcomes.items()},
        start_utc_ns=start,
        capture_bytes=len(written.data),
        good_bytes=sum(one.good_bytes for one in outcomes.values()),
        damaged_bytes=sum(one.damaged_bytes for one in outcomes.values()),
        junk_bytes=written.junk_bytes,
        truncated_bytes=written.truncated_bytes,
    )


def _inside(plan: SessionPlan, seconds: Floats | None) -> Floats:
    at = np.empty(0) if seconds is None else seconds
    return at[(at >= 0) & (at < plan.seconds)]


def utc(start_ns: int, seconds: Floats) -> Ints:
    """Return the nanoseconds UTC of seconds since the session's start."""
    return start_ns + np.rint(np.asarray(seconds, np.float64) * 1e9).astype(np.int64)
