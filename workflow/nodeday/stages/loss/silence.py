"""Silences: when the hub was off by its own frames, and when several nodes fell silent together.

The hub's own frames do not go over the radio. Where they go on, the hub was on; where they stop together with
all others, it was not::

    heart   | | | | | |              | | | |
    wrist   |   |   |                |   |
    hub     |  |  |  |               |  |          hub outage
    hub     |  |  |  |  |  |  |  |  |  |  |        lost on the air
    (none)                                         joint silence, if chance cannot explain it
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import comb

import numpy as np

from nodeday.core.arrays import Bools, Floats, Ints
from nodeday.stages.loss import causes
from nodeday.stages.loss.causes import NO_STRETCH, Silences, Stretch
from nodeday.stages.loss.gaps import due_ns, missing_runs
from nodeday.stages.loss.hub import HUB
from nodeday.stages.loss.streams import SessionFrames, StreamFrames

HUB_PERIODS = 3.0
"""The hub was off where nothing came for more than three periods of its own stream: two of its frames at the
least are missing. Choice of this project."""
CHANCE = 0.01
"""Joint silences that independent losses bring about less often than this in a session are no chance. Choice
of this project."""
EDGE_PART = 0.1
"""A frame due within a tenth of its period after the last received one was not yet in the silence. Choice of
this project."""
LEAST_STREAMS, LEAST_NODES = 3, 2


@dataclass(frozen=True)
class LostParts:
    """Lost frames by stream and stretch between received frames of the session, (k,) each.

    ``frames`` of a run of ``length`` frames lie in stretch ``at``; ``begins`` says whether the run begins
    there. ``received`` are the frames of each stream, (s,), ``lost`` and ``runs`` all its losses that the
    hub's outages do not explain; ``nodes`` is the number of sensors.
    """

    stream: Ints
    node: Ints
    at: Ints
    frames: Ints
    length: Ints
    begins: Bools
    received: Ints
    lost: Ints
    runs: Ints
    nodes: int


def silences(session: SessionFrames) -> Silences:
    """Return the outages of the hub and the joint silences of a session."""
    made = HUB in session.nodes and all(own.pace.is_made for own in session.streams_of(HUB))
    hub_ns = np.zeros(0, np.int64) if made else session.of_node_ns(HUB)
    sensor_ns = session.others_ns(HUB)
    outage = hub_outages(sensor_ns, hub_ns, _hub_period_s(session))
    if len(set(session.nodes) - {HUB}) < LEAST_NODES:
        return Silences(outage, NO_STRETCH)
    at = joint_silences(_lost_parts(session, sensor_ns, outage))
    starts, ends = sensor_ns[at], sensor_ns[at + 1]
    # A frame of the hub in the middle half of a silence shows that it was on.
    quarter = (ends - starts) // 4
    heard = [np.searchsorted(hub_ns, edge) for edge in (starts + quarter, ends - quarter)]
    unexplained = heard[0] == heard[1]
    return Silences(outage, (starts[unexplained], ends[unexplained]))


def hub_outages(sensor_ns: Ints, hub_ns: Ints, period_s: float) -> Stretch:
    """Return half-open stretches in which neither the hub (h,) nor a sensor (n,) was received.

    Stamps are in order; ``period_s`` is that of the hub's own stream. Where that stream was silent for long
    while sensors were received, its silence shows nothing::

        sensor  | | | |           | | | |
        hub     |   |   [outage )   |   |
        hub     |                       |      silent for a reason of its own
    """
    if not len(hub_ns):
        return NO_STRETCH
    most_ns = HUB_PERIODS * period_s * 1e9
    stamps = np.sort(np.concatenate([sensor_ns, hub_ns]), kind="stable")
    at = np.flatnonzero(np.diff(stamps) > most_ns)
    starts, ends = stamps[at], stamps[at + 1]
    after = np.searchsorted(hub_ns, starts, side="right")
    seen = (after > 0) & (after < len(hub_ns))
    starts, ends, after = starts[seen], ends[seen], after[seen]
    close = (starts - hub_ns[after - 1] <= most_ns) & (hub_ns[after] - ends <= most_ns)
    return starts[close], ends[close]


def _hub_period_s(session: SessionFrames) -> float:
    """Return the period of the hub's quickest stream: the longer of the declared and the median one."""
    periods = [np.inf]
    for own in session.streams_of(HUB) if HUB in session.nodes else []:
        between = np.diff(np.sort(own.on_ns))
        measured = float(np.median(between)) / 1e9 if len(between) else 0.0
        periods.append(max(own.pace.period_s, measured))
    return min(periods)


def _lost_parts(session: SessionFrames, sensor_ns: Ints, outage: Stretch) -> LostParts:
    """Return the lost frames of all sensors by the stretch in which they were due."""
    parts, totals = list[tuple[Ints, ...]](), list[tuple[int, int, int]]()
    sensors = [node for node in session.nodes if node != HUB]
    for number, node in enumerate(sensors):
        for own in session.streams_of(node):
            run, due = _lost_frames(own, outage)
            of_run = np.bincount(run)
            at, frames, runs, begins = _by_stretch(run, due, sensor_ns, EDGE_PART * own.pace.period_s)
            names = np.full(len(at), len(totals)), np.full(len(at), number)
            parts.append((*names, at, frames, of_run[runs], begins.astype(np.int64)))
            totals.append((len(own.seq), len(run), int((of_run > 0).sum())))
    stream, node_number, at, frames, length, begins = (
        np.concatenate(column) for column in zip(*parts, strict=True)
    )
    received, lost, of_stream = np.array(totals, np.int64).T
    return LostParts(
        stream, node_number, at, frames, length, begins > 0, received, lost, of_stream, len(sensors)
    )


def _lost_frames(own: StreamFrames, outage: Stretch) -> tuple[Ints, Ints]:
    """Run and due instant of each lost frame (n,) that counters count and no outage explains."""
    runs, lost_thread = missing_runs(own)
    run, due = due_ns(runs.frames, own.on_at(runs.left), own.on_at(runs.left + 1))
    kept = ~lost_thread[runs.left][run] & ~causes.within(due, *outage)
    return run[kept], due[kept]


def _by_stretch(run: Ints, due: Ints, sensor_ns: Ints, edge_s: float) -> tuple[Ints, Ints, Ints, Bools]:
    """Stretch, lost frames, their run, and whether it begins there, (k,) each, of lost frames (n,).

    Stretch k lies between the stamps k and k + 1 of all sensors. Frames due within ``edge_s`` of its start
    do not count.
    """
    # A frame due with the last stamp of all has no stretch of its own: it takes the last one.
    at = np.minimum(np.searchsorted(sensor_ns, due, side="right") - 1, len(sensor_ns) - 2)
    first = np.diff(run, prepend=-1) != 0
    heads = np.flatnonzero(first | (np.diff(at, prepend=-1) != 0))
    inside = np.append(due - sensor_ns[at] >= edge_s * 1e9, False).astype(np.int64)
    frames = np.add.reduceat(inside, heads) if len(heads) else heads
    heads, frames = heads[frames > 0], frames[frames > 0]
    return at[heads], frames, run[heads], first[heads]


def joint_silences(parts: LostParts) -> Ints:
    """Return the stretches (j,) in which independent losses cannot explain that several streams are silent.

    With the chance p of a run of losses to begin and r of it to end, a run of n frames has the chance
    p (1 - r)^(n - 1). Streams of a node are lost together where the node is out of reach, so that the least
    likely of them stands for the node. The product over nodes, times the frames with which the silence could
    have begun and the choices of so many nodes among all, is below :data:`CHANCE`. p and r are counted on
    losses that no silence found so far explains. Half a run is added to each count.
    Gilbert's model (1960), as in table ``radio``.
    """
    # A run that lies mostly elsewhere is not of this silence.
    parts = _take(parts, 2 * parts.frames >= parts.length)
    parts = _take(parts, _shared(parts))
    explained = np.zeros(len(parts.at), np.bool_)
    while len(parts.at):
        streams = parts.stream[explained]
        lost = parts.lost - np.bincount(streams, parts.frames[explained], len(parts.lost)).astype(np.int64)
        runs = parts.runs - np.bincount(streams, minlength=len(parts.runs))
        new = _unlikely(parts, np.maximum(lost, 0), np.maximum(runs, 0)) | explained
        if (new == explained).all():
            break
        explained = new
    return np.unique(parts.at[explained])


def _take(parts: LostParts, rows: Bools) -> LostParts:
    names = ("stream", "node", "at", "frames", "length", "begins")
    return replace(parts, **{name: getattr(parts, name)[rows] for name in names})


def _shared(parts: LostParts) -> Bools:
    """Which parts (k,) lie in a stretch that enough streams of enough nodes share."""
    enough = np.ones(len(parts.at), np.bool_)
    for names, least in ((parts.stream, LEAST_STREAMS), (parts.node, LEAST_NODES)):
        at = np.unique(np.stack([parts.at, names], axis=1), axis=0)[:, 0]
        stretch, count = np.unique(at, return_counts=True)
        enough &= np.isin(parts.at, stretch[count >= least])
    return enough


def _unlikely(parts: LostParts, lost: Ints, runs: Ints) -> Bools:
    """Which parts (k,) are of a stretch that chance does not explain, where streams lost so many frames.

    Half a run is added to each count, since a stream that never lost a frame may do so one day.
    """
    p, r = (runs + 0.5) / (parts.received + 1), (runs + 0.5) / (lost + 1)
    stay = np.log1p(-np.minimum(r, 1 - 1e-9))
    chance: Floats = np.where(
        parts.begins,
        np.log(np.minimum(p, 1.0))[parts.stream] + (parts.frames - 1) * stay[parts.stream],
        parts.frames * stay[parts.stream],
    )
    order = np.lexsort((parts.node, parts.at))
    at, node = parts.at[order], parts.node[order]
    heads = np.flatnonzero((np.diff(at, prepend=-1) != 0) | (np.diff(node, prepend=-1) != 0))
    of_node, at = np.minimum.reduceat(chance[order], heads), at[heads]
    first, of_session = np.flatnonzero(np.diff(at, prepend=-1)), int((parts.received + parts.lost).max())
    silent = np.diff(first, append=len(at))
    ways = np.log([of_session * comb(parts.nodes, each) for each in silent.tolist()])
    unlikely = np.add.reduceat(of_node, first) + ways < np.log(CHANCE)
    return np.isin(parts.at, at[first][unlikely])
