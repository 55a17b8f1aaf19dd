"""From physical signals to a capture and its truth: sampling, frames, radio channel, hub."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import uniform_filter1d

from nodeday.config.models import Node
from nodeday.config.study import HUB
from nodeday.core.arrays import Bools, Floats, Ints
from nodeday.layouts import Kind, Layout, encode_frames, pack_counts
from nodeday.stages.simulate import channel, nodes
from nodeday.stages.simulate.capture import Copies, write_frames
from nodeday.stages.simulate.crystal import CrystalClock, clock
from nodeday.stages.simulate.motion import placement_of
from nodeday.stages.simulate.nodes import Sent, Source
from nodeday.stages.simulate.outcome import HUB_OUTAGE, RADIO, frame_outcome, session_truth
from nodeday.stages.simulate.scenario import SessionPlan, check_plan
from nodeday.stages.simulate.truth import Truth

HOST_JITTER_S = 0.0015
"""Mean delay of the host when it makes a mark."""
NEAR_FRAMES = 8
"""Frames on each side whose loss lowers the signal strength of a frame."""


@dataclass(frozen=True)
class SendingStream:
    """Stream of a node, with what determines the contents and the fate of its frames."""

    node: Node
    kind: Kind
    clock: CrystalClock
    runs: list[tuple[float, float]]
    phase: float
    death_s: float | None
    rng: np.random.Generator

    @property
    def key(self) -> str:
        return f"{self.node.node}/{self.kind.stream}"


@dataclass(frozen=True)
class SimulatedHub:
    """Clock of the hub in nanoseconds, from an arbitrary start; ``unit_ns`` is the unit of its stamps."""

    clock: CrystalClock
    start_ns: int
    unit_ns: int
    steps: tuple[tuple[float, int], ...] = ()
    """Steps (second, ns) of the clock, forward if positive."""

    def ns(self, true_s: Floats) -> Ints:
        """Return what the clock shows (n,), in ns, at true seconds."""
        out = self.start_ns + np.rint(self.clock.to_clock(true_s) * 1e9).astype(np.int64)
        for at, step_ns in self.steps:
            out += np.where(np.asarray(true_s) >= at, step_ns, 0)
        return out


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
    hub = _hub(plan, layout)
    senders = _senders(plan, layout, addresses, hub)
    sent = [nodes.schedule(s.clock, s.runs, s.kind, layout.tick_hz(s.kind.stream), s.phase) for s in senders]
    parts, causes = [], []
    for sender, frames in zip(senders, sent, strict=True):
        lost, cause = _on_the_air(plan, sender, frames, strides)
        copies = _copies(plan, layout, hub, sender, frames, lost, sources)
        kept = ~_within(copies.arrival_s, plan)
        parts.append(Copies(*(column[kept] for column in vars(copies).values())))
        causes.append(cause)
    written = write_frames(parts, layout, plan.junk, plan.truncated, plan.hub_rng("capture"))
    streams = {
        sender.key: frame_outcome(number, frames, part, cause, written, plan.start_ns, hub.ns(frames.sent_s))
        for number, (sender, frames, part, cause) in enumerate(zip(senders, sent, parts, causes, strict=True))
    }
    skews = {HUB: hub.clock.skew_ppm} | {sender.node.node: sender.clock.skew_ppm for sender in senders}
    return written.data, session_truth(plan, streams, skews, written, beats_s, taps_s)


def _hub(plan: SessionPlan, layout: Layout) -> SimulatedHub:
    stamp = layout.field("hub_time")
    if stamp is None or stamp.unit_ns is None:  # a layout without it is refused
        raise ValueError(f"layout {layout.layout} has no hub time")
    start_s = plan.hub_start_s
    if start_s is None:
        half_s = (1 << (stamp.bits - 1)) * stamp.unit_ns / 1e9 / 2
        start_s = float(plan.rng(plan.hub, "start").uniform(60, half_s))
    hub = SimulatedHub(_clock(plan, plan.hub), round(start_s * 1e9), stamp.unit_ns)
    moves: list[tuple[float, float, float | None]]
    moves = [(60 * step.at_min, step.step_ms, None) for step in plan.hub_steps]
    moves += [(60 * restart.at_min, 0.0, restart.from_s) for restart in plan.hub_restarts]
    for at, step_ms, from_s in sorted(moves, key=lambda move: move[0]):
        step_ns = (
            round(step_ms * 1e6) if from_s is None else round(from_s * 1e9) - int(hub.ns(np.array([at]))[0])
        )
        hub = replace(hub, steps=(*hub.steps, (at, step_ns)))
    return hub


def _clock(plan: SessionPlan, node: str) -> CrystalClock:
    crystal = plan.crystal(node)
    profile = (
        crystal.start_c,
        crystal.worn_c,
        crystal.settle_min * 60,
        crystal.swing_c,
        crystal.swing_min * 60,
    )
    moves = tuple((60 * move.at_min, move.worn_c) for move in crystal.moves)
    return clock(crystal.ppm, plan.seconds, profile, moves)


def _senders(
    plan: SessionPlan, layout: Layout, addresses: Mapping[int, Node], hub: SimulatedHub
) -> list[SendingStream]:
    out = []
    for _, node in sorted(addresses.items()):
        is_hub = node.node == HUB
        node_clock = hub.clock if is_hub else _clock(plan, node.node)
        death = next((60 * one.at_min for one in plan.deaths if one.node == node.node), None)
        restarts = [(60 * one.at_min, one.silent_s) for one in plan.restarts if one.node == node.node]
        start = 0.0 if is_hub else float(plan.rng(node.node, "start").uniform(0, plan.stagger_s))
        runs = nodes.boots(start, plan.seconds, restarts, death)
        names = [k.stream for k in layout.kinds if k.fields] if is_hub else plan.nodes[node.node].streams
        for stream in names:
            rng = plan.rng(node.node, stream, "channel")
            in_phase = is_hub or not layout.has_ticks  # without ticks, samples lie at whole periods
            phase = 0.0 if in_phase or not plan.stagger_s else float(rng.random())
            if plan.hub != HUB:
                rng = plan.hub_rng(node.node, stream, "channel")
            out.append(SendingStream(node, layout.stream(stream), node_clock, runs, phase, death, rng))
    return out


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
    cause = np.where(outage, HUB_OUTAGE, RADIO).astype(np.int8)
    if sender.node.node == HUB:
        return outage, cause
    lost = channel.gilbert(len(sent), plan.channel.loss, plan.channel.burst, sender.rng)
    if strides is not None and plan.channel.fade:
        shadow = placement_of(sender.node.placement).shadow
        lost = lost | channel.faded(strides(sent.sent_s), plan.channel.fade, shadow, sender.rng)
    return lost | outage, cause


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
    arrival = channel.arrivals(sent.sent_s, delay, late, rng)
    twin = np.zeros(n, bool) if is_hub else rng.random(n) < air.duplicates
    row = np.concatenate([np.flatnonzero(~lost), np.flatnonzero(~lost & twin)])
    again = np.arange(len(row)) >= int((~lost).sum())
    arrival_s = arrival[row] + again * rng.uniform(*channel.TWIN_S, len(row))
    fields = _fields(plan, layout, hub, sender, sent, row, arrival_s, _near_loss(lost))
    payload = _payload(sender, sent, sources)
    frames = encode_frames(layout, sender.kind, fields, None if payload is None else payload[row])
    damaged = rng.random(len(row)) < air.corrupt
    if damaged.any():
        frames[damaged] = channel.damage(frames[damaged], layout, sender.kind, rng)
    return Copies(frames, row, arrival_s, damaged)


def _near_loss(lost: Bools) -> Floats:
    """Return the share (n,) of lost frames around each frame, which lowers its signal strength."""
    return uniform_filter1d(lost.astype(np.float64), 2 * NEAR_FRAMES + 1) if len(lost) else np.zeros(0)


def _payload(
    sender: SendingStream, sent: Sent, sources: Mapping[tuple[str, str], Source]
) -> NDArray[np.uint8] | None:
    if not sender.kind.channels:
        return None
    times = nodes.sample_times(sent, sender.clock, sender.kind, sender.phase)
    source = sources[sender.node.node, sender.kind.stream]
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
        late_s = channel.delays(sent.sent_s, 0.0, HOST_JITTER_S, plan.channel.stall_s * 5, rng)
        # Round up to the field's unit: the host is never early.
        out["utc"] = -(-(true_ns + np.rint(late_s * 1e9).astype(np.int64)) // utc.unit_ns)[row]
    return out
