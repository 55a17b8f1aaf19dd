"""Simulated session: synthetic signals through nodes, radio channel and hub."""

from __future__ import annotations

import numpy as np

from nodeday.config.models import Node
from nodeday.config.study import HUB
from nodeday.core.arrays import Floats, Ints
from nodeday.layouts import Kind, Layout
from nodeday.stages.simulate import ecg, motion
from nodeday.stages.simulate.activity import Activity, activity
from nodeday.stages.simulate.nodes import Source
from nodeday.stages.simulate.plan_check import check_plan
from nodeday.stages.simulate.scenario import SessionPlan
from nodeday.stages.simulate.transmit import transmit
from nodeday.stages.simulate.truth import Truth

MARGIN_S = 3.0
STILL_MV, WALKING_MV = 0.008, 0.02
"""Electrode noise, standing and walking (plausible, no source)."""


def simulate_session(plan: SessionPlan, layout: Layout, nodes: dict[int, Node]) -> tuple[bytes, Truth]:
    """Return capture and truth of a planned session; a plan always gives the same bytes.

    ``nodes`` are the nodes of the study by address. Raises SettingsError if plan, layout and nodes
    do not fit together.
    """
    check_plan(plan, layout, nodes)
    acting = plan_activity(plan)
    kinds = {
        (node.node, stream): (node, layout.stream(stream))
        for node in nodes.values()
        if node.node != HUB
        for stream in plan.nodes[node.node].streams
    }
    has_ecg = any(_unit(kind) == "mV" for _, kind in kinds.values())
    heart = plan_heart(plan, acting) if has_ecg else ecg.NO_ECG  # of a day it needs gigabytes
    sources = {key: _source(plan, *one, acting, heart) for key, one in kinds.items()}
    return transmit(plan, layout, nodes, sources, acting.strides, heart.r_s, acting.taps_s)


def _unit(kind: Kind) -> str:
    return kind.channels[0].unit


def plan_activity(plan: SessionPlan) -> Activity:
    """Return the activity of the plan's phases."""
    phases = plan.phases
    return activity(
        [p.minutes for p in phases],
        [p.bpm for p in phases],
        [p.bpm_spread for p in phases],
        [p.gait for p in phases],
        [p.cadence_spm for p in phases],
        plan.taps_min,
        plan.rng("activity"),
    )


def plan_heart(plan: SessionPlan, acting: Activity) -> ecg.Ecg:
    """Return the ECG of the session, with 3 s more on both sides."""
    seconds = np.arange(-MARGIN_S, plan.seconds + MARGIN_S, 1 / ecg.FINE_HZ)
    rng = plan.rng("heart-signal")
    return ecg.synthesise(acting.heart_rate(seconds), acting.spread(seconds), float(seconds[0]), rng)


def _source(plan: SessionPlan, node: Node, kind: Kind, acting: Activity, heart: ecg.Ecg) -> Source:
    """Return the signal of a stream by its unit: mV an ECG, g acceleration, else skin temperature."""
    rng = plan.rng(node.node, kind.stream, "signal")
    unit, width = _unit(kind), len(kind.channels)

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
