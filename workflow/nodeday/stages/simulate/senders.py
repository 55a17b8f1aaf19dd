"""Devices of a simulated session, by clock and stream: the hub, the nodes, and what they send when."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from nodeday.config.models import Node
from nodeday.config.study import HUB
from nodeday.core.arrays import Floats, Ints
from nodeday.layouts import Kind, Layout
from nodeday.stages.simulate import channel, nodes
from nodeday.stages.simulate.crystal import CrystalClock, clock
from nodeday.stages.simulate.nodes import Sent
from nodeday.stages.simulate.plan_parts import SecondDevice
from nodeday.stages.simulate.scenario import SessionPlan


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
    second: SecondDevice | None = None
    """The device is the second one with the node's address."""
    boot0: int = 0
    """Number of its first boot."""

    @property
    def key(self) -> str:
        return f"{self.node.node}/{self.kind.stream}"

    @property
    def device(self) -> str:
        return f"{self.node.node}/second" if self.second else self.node.node


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


def hub_of(plan: SessionPlan, layout: Layout) -> SimulatedHub:
    """Return the hub of a plan, with the steps and restarts of its clock."""
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


def senders_of(
    plan: SessionPlan, layout: Layout, addresses: Mapping[int, Node], hub: SimulatedHub
) -> list[SendingStream]:
    """Return the streams that the hub and the nodes send, a second device behind its node."""
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
            kind = layout.stream(stream)
            out.append(SendingStream(node, kind, node_clock, runs, phase, death, rng))
            second = None if is_hub else plan.nodes[node.node].second
            if second is not None:
                out.append(_second(plan, out[-1], second))
    return out


def _second(plan: SessionPlan, first: SendingStream, device: SecondDevice) -> SendingStream:
    """Return the stream of a second device with the address of the ``first``."""
    names = first.node.node, first.kind.stream, "second"
    phase = float(plan.rng(*names).random()) if first.phase else 0.0
    start = float(plan.rng(first.node.node, "second").uniform(0, plan.stagger_s))
    return SendingStream(
        first.node,
        first.kind,
        clock(device.ppm, plan.seconds, (25.0, 25.0, 60.0, 0.0, 60.0)),
        [(start, plan.seconds)],
        phase,
        None,
        plan.hub_rng(*names, "channel"),
        device,
        len(first.runs),
    )


def frames_sent(plan: SessionPlan, layout: Layout, sender: SendingStream) -> Sent:
    """Return the frames of a stream with the instants at which its node sends them."""
    tick_hz, name, second = layout.tick_hz(sender.kind.stream), sender.node.node, sender.second
    pauses = plan.nodes[name].pauses if name in plan.nodes else None
    if pauses is None:
        sent = nodes.schedule(sender.clock, sender.runs, sender.kind, tick_hz, sender.phase)
    else:
        rng = plan.rng(sender.device, sender.kind.stream, "pauses")
        sent = nodes.event_driven(sender.clock, sender.runs, tick_hz, pauses, rng)
    if second is not None:
        boot, seq, ticks = sent.boot + sender.boot0, sent.seq + second.count_from, sent.ticks
        return replace(sent, boot=boot.astype(np.int32), seq=seq, ticks=ticks + second.ticks_from)
    at = sent.sent_s.copy()
    for away in [one for one in plan.away if one.node == name]:
        stretch = 60 * away.at_min, 60 * away.at_min + away.seconds
        for number in range(len(sender.runs)):
            rows = sent.boot == number
            at[rows] = channel.queued(at[rows], stretch, away.mixed, away.flush_s)
    return replace(sent, sent_s=at)
