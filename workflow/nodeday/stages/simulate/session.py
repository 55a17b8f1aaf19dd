"""A whole simulated session: invented signals through nodes, channel and hub."""

from __future__ import annotations

import numpy as np

from nodeday.config.models import Node
from nodeday.config.study import HUB
from nodeday.core.arrays import Floats, Ints
from nodeday.layouts import Kind, Layout
from nodeday.stages.simulate import ecg, motion
from nodeday.stages.simulate.activity import Activity, activity
from nodeday.stages.simulate.nodes import Source
from nodeday.stages.simulate.scenario import SessionPlan, check_plan
from nodeday.stages.simulate.transmit import transmit
from nodeday.stages.simulate.truth import Truth

MARGIN_S = 3.0
STILL_MV, WALKING_MV = 0.008, 0.02
"""Noise of the electrodes, standing and walking: plausible, no source."""


def simulate_session(plan: SessionPlan, layout: Layout, nodes: dict[int, Node]) -> tuple[bytes, Truth]:
    """Capture and truth of a planned session; the same plan always gives the same bytes.

    Raises SettingsError where plan, layout and nodes do not fit.
    """
    check_plan(plan, layout, nodes)
    acting = plan_activity(plan)
    heart = heart_of(plan, acting)
    sources = {
        (node.node, stream): _source(plan, node, layout.stream(stream), acting, heart)
        for node in nodes.values()
        if node.node != HUB
        for stream in plan.nodes[node.node].streams
    }
    return transmit(plan, layout, nodes, sources, acting.strides, heart.r_s, acting.taps_s)


def plan_activity(plan: SessionPlan) -> Activity:
    """The plan's phases as an activity."""
    each = plan.phases
    return activity(
        [p.minutes for p in each],
        [p.bpm for p in each],
        [p.bpm_spread for p in each],
        [p.gait for p in each],
        [p.cadence_spm for p in each],
        plan.taps_min,
        plan.rng("activity"),
    )


def heart_of(plan: SessionPlan, acting: Activity) -> ecg.Ecg:
    """The heart's ECG over the session, 3 s longer on both sides."""
    seconds = np.arange(-MARGIN_S, plan.seconds + MARGIN_S, 1 / ecg.FINE_HZ)
    rng = plan.rng("heart-signal")
    return ecg.synthesise(acting.heart_rate(seconds), acting.spread(seconds), float(seconds[0]), rng)


def _source(plan: SessionPlan, node: Node, kind: Kind, acting: Activity, heart: ecg.Ecg) -> Source:
    """What a stream measures follows from its unit: mV an ECG, g acceleration, else temperature."""
    rng = plan.rng(node.node, kind.stream, "signal")
    unit, width = kind.channels[0].unit, len(kind.channels)

    def potential(_: Ints, seconds: Floats) -> Floats:
        noise = np.where(np.isfinite(acting.strides(seconds)), WALKING_MV, STILL_MV)
        clean = heart.at(seconds) + noise * rng.standard_normal(len(seconds))
        return np.repeat(clean[:, None], width, axis=1)

    def movement(_: Ints, seconds: Floats) -> Floats:
        true = motion.acceleration(seconds, acting, motion.placement_of(node.placement), rng)
        return motion.sensed(true, plan.nodes[node.node].sensor)[:, :width]

    def warmth(_: Ints, seconds: Floats) -> Floats:
        return np.repeat(motion.skin_temperature(seconds, acting, rng)[:, None], width, axis=1)

    return {"mV": potential, "g": movement}.get(unit, warmth)
