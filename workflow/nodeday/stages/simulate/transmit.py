"""From physical signals to a capture and its truth: sampling, frames, radio channel, hub."""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import uniform_filter1d

from nodeday.config.models import Node
from nodeday.config.study import HUB
from nodeday.core.arrays import Bools, Floats, Ints
from nodeday.layouts import Layout, encode_frames, pack_counts
from nodeday.schemas.numbers import GapCause
from nodeday.stages.simulate import channel, nodes
from nodeday.stages.simulate.capture import Copies, write_frames
from nodeday.stages.simulate.motion import placement_of
from nodeday.stages.simulate.nodes import Sent, Source
from nodeday.stages.simulate.outcome import FrameOutcome, frame_outcome, joined, session_truth
from nodeday.stages.simulate.plan_check import check_plan
from nodeday.stages.simulate.plan_parts import HostMarks
from nodeday.stages.simulate.scenario import SessionPlan
from nodeday.stages.simulate.senders import SendingStream, SimulatedHub, frames_sent, hub_of, senders_of
from nodeday.stages.simulate.truth import Truth

HOST_JITTER_S = 0.0015
"""Mean delay of the host when it makes a mark."""
NEAR_FRAMES = 8
"""Frames on each side whose loss lowers the signal strength of a frame."""


def transmit(
    plan: SessionPlan,
    layout: Layout,
    addresses: Mapping[int, Node],
    sources: Mapping[tuple[str, str], Source],
    strides: Callable[[Floats], Floats] | None = None,
    beats_s: Floats | None = None,
    taps_s: Floats | None = None,
) -> tuple[bytes, Truth]:
    """Return the capture and the truth of a session.

    ``sources`` by (node, stream) give physical values at true seconds since the session's start.
    ``strides`` gives the strides walked, since the body blocks the radio during a part of each.
    ``beats_s`` and ``taps_s`` are instants for the truth. Raises SettingsError if plan, layout and
    nodes do not fit together.
    """
    check_plan(plan, layout, dict(addresses))
    hub = hub_of(plan, layout)
    senders = senders_of(plan, layout, addresses, hub)
    sent = [frames_sent(plan, layout, sender) for sender in senders]
    parts, causes = [], []
    for sender, frames in zip(senders, sent, strict=True):
        lost, cause = _on_the_air(plan, sender, frames, strides)
        copies = _copies(plan, layout, hub, sender, frames, lost, sources)
        kept = ~_within(copies.arrival_s, plan)
        cause[copies.row[~kept]] = GapCause.HUB_OUTAGE
        parts.append(Copies(*(column[kept] for column in vars(copies).values())))
        causes.append(cause)
    written = write_frames(parts, layout, plan.junk, plan.truncated, plan.hub_rng("capture"))
    outcomes: dict[str, list[FrameOutcome]] = {}
    for number, (sender, frames, part, cause) in enumerate(zip(senders, sent, parts, causes, strict=True)):
        outcome = frame_outcome(number, frames, part, cause, written, plan.start_ns, hub.ns(frames.sent_s))
        outcomes.setdefault(sender.key, []).append(outcome)
    streams = {key: joined(devices) for key, devices in outcomes.items()}
    skews = {HUB: hub.clock.skew_ppm} | {sender.device: sender.clock.skew_ppm for sender in senders}
    return written.data, session_truth(plan, streams, skews, written, beats_s, taps_s)


def _within(seconds: Floats, plan: SessionPlan) -> Bools:
    """Return which instants (n,) lie in an outage of the hub."""
    out = np.zeros(len(seconds), bool)
    for begin, end in plan.silences:
        out |= (seconds >= begin) & (seconds < end)
    return out


def _on_the_air(
    plan: SessionPlan, sender: SendingStream, sent: Sent, strides: Callable[[Floats], Floats] | None
) -> tuple[Bools, NDArray[np.int8]]:
    """Return which frames (n,) are lost on the air, and the cause (n,) of each if it is lost."""
    outage = _within(sent.sent_s, plan)
    cause: NDArray[np.int8] = np.where(outage, GapCause.HUB_OUTAGE, GapCause.RADIO).astype(np.int8)
    if sender.node.node == HUB:
        return outage, cause
    lost = np.empty(len(sent), bool)
    bad = channel.gilbert(len(sent), plan.channel.loss, plan.channel.burst, sender.rng)
    lost[np.argsort(sent.sent_s, kind="stable")] = bad
    if strides is not None and plan.channel.fade:
        shadow = placement_of(sender.node.placement).shadow
        lost = lost | channel.faded(strides(sent.sent_s), plan.channel.fade, shadow, sender.rng)
    ends = np.array([end for _, end in sender.runs])
    unsent = sent.sent_s >= ends[sent.boot - sender.boot0]  # it waited until its node stopped
    cause[unsent] = GapCause.UNKNOWN
    return lost | outage | unsent, cause


def _copies(
    plan: SessionPlan,
    layout: Layout,
    hub: SimulatedHub,
    sender: SendingStream,
    sent: Sent,
    lost: Bools,
    sources: Mapping[tuple[str, str], Source],
) -> Copies:
    """Return every copy of the stream's frames that reaches the hub."""
    air, rng, n = plan.channel, sender.rng, len(sent)
    is_hub = sender.node.node == HUB
    delay = (
        np.zeros(n)
        if is_hub
        else channel.delays(sent.sent_s, layout.delay_ms / 1e3, air.jitter_ms / 1e3, air.stall_s, rng)
    )
    late = np.zeros(n, bool) if is_hub else rng.random(n) < air.late
    if air.late_bursts and not is_hub:
        names = sender.device, sender.kind.stream, "late"
        held = channel.held_s(sent.sent_s, air.late_bursts, plan.hub_rng(*names))
        delay, late = delay + held, late | (held > 0)
    arrival = channel.arrivals(sent.sent_s, delay, late, rng)
    twin = np.zeros(n, bool) if is_hub else rng.random(n) < air.duplicates
    row = np.concatenate([np.flatnonzero(~lost), np.flatnonzero(~lost & twin)])
    again = np.arange(len(row)) >= int((~lost).sum())
    arrival_s = arrival[row] + again * rng.uniform(*channel.TWIN_S, len(row))
    fields = _fields(plan, layout, hub, sender, sent, row, arrival_s, _near_loss(lost))
    payload = _payload(plan, sender, sent, sources)
    frames = encode_frames(layout, sender.kind, fields, None if payload is None else payload[row])
    damaged = rng.random(len(row)) < air.corrupt
    if damaged.any():
        frames[damaged] = channel.damage(frames[damaged], layout, sender.kind, rng)
    return Copies(frames, row, arrival_s, damaged)


def _near_loss(lost: Bools) -> Floats:
    """Return the share (n,) of lost frames around each frame, which lowers its signal strength."""
    return uniform_filter1d(lost.astype(np.float64), 2 * NEAR_FRAMES + 1) if len(lost) else np.zeros(0)


def _payload(
    plan: SessionPlan, sender: SendingStream, sent: Sent, sources: Mapping[tuple[str, str], Source]
) -> NDArray[np.uint8] | None:
    if not sender.kind.channels:
        return None
    source = sources[sender.node.node, sender.kind.stream]
    times = nodes.sample_times(sent, sender.clock, sender.kind, sender.phase)
    if plan.nodes[sender.node.node].pauses:
        times = sent.stamp_s[:, None]
    return pack_counts(nodes.counts(source, sent, times, sender.kind), sender.kind)


def _fields(
    plan: SessionPlan,
    layout: Layout,
    hub: SimulatedHub,
    sender: SendingStream,
    sent: Sent,
    row: Ints,
    arrival_s: Floats,
    near_loss: Floats,
) -> dict[str, Ints]:
    """Return integers by role for each copy, without roles that the layout has no field for."""
    rng = sender.rng
    out = {
        "node": np.full(len(row), sender.node.address),
        "sequence": sent.seq[row],
        "ticks": sent.ticks[row],
        "boot": sent.boot[row].astype(np.int64),
        "hub_time": hub.ns(arrival_s) // hub.unit_ns,
    }
    physical = {
        "rssi": -61.0 - 18.0 * near_loss[row] + 1.5 * rng.standard_normal(len(row)),
        "lqi": 105.0 - 60.0 * near_loss[row] + 3.0 * rng.standard_normal(len(row)),
        "battery": nodes.battery_v(sent.sent_s, plan.seconds, sender.death_s)[row],
    }
    for role, values in physical.items():
        field = next((one for one in layout.frame if one.role == role), None)
        if field is not None:
            out[role] = nodes.field_counts(field, values)
    utc = next((one for one in sender.kind.fields if one.role == "utc"), None)
    if utc is not None and utc.unit_ns is not None:
        true_ns = plan.start_ns + np.rint(sent.sent_s * 1e9).astype(np.int64)
        apart_s = channel.delays(sent.sent_s, 0.0, HOST_JITTER_S, plan.channel.stall_s * 5, rng)
        out["utc"] = _mark_units(plan.marks, true_ns, np.rint(apart_s * 1e9).astype(np.int64), utc.unit_ns)[
            row
        ]
    return out


def _mark_units(marks: HostMarks, true_ns: Ints, apart_ns: Ints, unit_ns: int) -> Ints:
    """Return what the host writes (n,), in units, if it reads its clock ``apart_ns`` from the hub's stamp."""
    read_ns = true_ns + apart_ns if marks.read == "after" else true_ns - apart_ns
    spare_ns = {"up": unit_ns - 1, "down": 0, "nearest": unit_ns // 2}[marks.rounding]
    return (read_ns + spare_ns) // unit_ns
