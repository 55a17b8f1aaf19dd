"""A bench capture whose truth is known: steps of a patient simulator, six positions, faulty devices."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
from pydantic import Field as Setting

from nodeday.config import writer
from nodeday.config.bench_plan import BenchNode, BenchPlan, Position, load_bench
from nodeday.config.models import Node
from nodeday.config.study import HUB, Study
from nodeday.core.arrays import Floats, Ints
from nodeday.core.errors import SettingsError
from nodeday.core.yaml_io import Strict
from nodeday.layouts import Kind, Layout, load_layout
from nodeday.stages.simulate import ecg, motion
from nodeday.stages.simulate.nodes import Source
from nodeday.stages.simulate.scenario import (
    Crystal,
    NodePlan,
    PlannedPhase,
    RadioChannel,
    Scenario,
    Sensor,
    SessionPlan,
)
from nodeday.stages.simulate.transmit import transmit
from nodeday.stages.simulate.truth import Truth

AFTER_S = 5.0
TURN_S = 1.0
"""A node is turned over within this time around the start of the next position."""
IDLE_BPM = 60.0
ROOM_C = 22.0


class Device(Strict):
    """Faults of a device."""

    ppm: float = Setting(default=0.0, ge=-500, le=500)
    noise_uv: float = Setting(default=4.0, ge=0)
    mains_uv: float = Setting(default=0.0, ge=0, description="RMS")
    rate_factor: float = Setting(default=1.0, gt=0, description="the simulator's rates are off by it")
    sensor: Sensor = Sensor()
    noise_mg: float = Setting(default=3.0, ge=0)


def simulate_bench(
    plan: BenchPlan,
    layout: Layout,
    devices: Mapping[str, Device],
    zone: ZoneInfo,
    channel: RadioChannel,
    seed: int = 0,
) -> tuple[bytes, Truth]:
    """Return capture and truth of a bench in ``zone``; a node without a device has no faults.

    Raises SettingsError where a node has steps or positions and the layout has no stream for them.
    """
    nodes = {plan.hub_address: Node(session="*", node=HUB, address=plan.hub_address, placement=HUB)}
    sources: dict[tuple[str, str], Source] = {}
    nodes_plan = {HUB: NodePlan(crystal=_steady(3.0))}
    for name, node in plan.nodes.items():
        device = devices.get(name, Device())
        rng = np.random.default_rng([seed, node.address])
        kind = _kind(layout, node, name)
        nodes[node.address] = Node(session="*", node=name, address=node.address, placement="bench")
        nodes_plan[name] = NodePlan(streams=(kind.stream,), crystal=_steady(device.ppm))
        sources[name, kind.stream] = _source(plan, node, device, kind, rng)
    minutes = (plan.end_s + AFTER_S) / 60
    start = plan.start if plan.start.tzinfo else plan.start.replace(tzinfo=zone)
    session = SessionPlan(
        name=plan.bench,
        seed=seed,
        start=start,
        phases=(PlannedPhase(phase="bench", minutes=minutes),),
        nodes=nodes_plan,
        channel=channel,
        stagger_s=1,
    )
    return transmit(session, layout, nodes, sources)


def _steady(ppm: float) -> Crystal:
    """Return a crystal at the turnover of its curve, so that its skew is ``ppm`` throughout."""
    return Crystal(ppm=ppm, start_c=25, worn_c=25)


def _kind(layout: Layout, node: BenchNode, name: str) -> Kind:
    unit = "mV" if node.steps else "g" if node.positions else "degC"
    for kind in layout.kinds:
        if kind.channels and kind.channels[0].unit == unit:
            return kind
    raise SettingsError(f"node {name} needs a stream in {unit}", f"layout {layout.layout}", "one")


def _source(plan: BenchPlan, node: BenchNode, device: Device, kind: Kind, rng: np.random.Generator) -> Source:
    width = len(kind.channels)
    if node.steps:
        signal = simulator_signal(plan, node, device, rng)
        return lambda _, seconds: np.repeat(signal(seconds)[:, None], width, axis=1)
    if node.positions:

        def at_rest(_: Ints, seconds: Floats) -> Floats:
            still = true_g(seconds, node.positions)
            noise = device.noise_mg / 1000 * rng.standard_normal(still.shape)
            return (motion.sensed(still, device.sensor) + noise)[:, :width]

        return at_rest
    return lambda _, seconds: ROOM_C + 0.02 * rng.standard_normal((len(seconds), width))


def simulator_signal(
    plan: BenchPlan, node: BenchNode, device: Device, rng: np.random.Generator
) -> Callable[[Floats], Floats]:
    """Return the voltage in mV of a patient simulator at the device, as a function of seconds (n,)."""
    fine = np.arange(-AFTER_S, plan.end_s + 2 * AFTER_S, 1 / ecg.FINE_HZ)
    bpm, level = np.full(len(fine), IDLE_BPM), np.ones(len(fine))
    for step in node.steps:
        inside = (fine >= step.at_s) & (fine < step.end_s)
        bpm[inside] = IDLE_BPM if step.bpm is None else step.bpm * device.rate_factor
        level[inside] = 0.0 if step.flat else 1.0
    heart = ecg.synthesise(bpm, np.zeros(len(fine)), float(fine[0]), rng)

    def voltage(seconds: Floats) -> Floats:
        mains = np.sqrt(2) * device.mains_uv * np.sin(2 * np.pi * plan.mains_hz * seconds + 0.7)
        noise = device.noise_uv * rng.standard_normal(len(seconds))
        clean = heart.at(seconds) * np.interp(seconds, fine, level)
        return np.asarray(clean + 1e-3 * (mains + noise), np.float64)

    return voltage


def true_g(seconds: Floats, positions: tuple[Position, ...]) -> Floats:
    """Return gravity (n, 3) in g on the axes of a node that lies in one position after the other."""
    knots = np.array([edge for one in positions for edge in (one.at_s - TURN_S / 2, one.at_s + TURN_S / 2)])
    directions = np.array([direction(one.up, index) for index, one in enumerate(positions)])
    before = np.concatenate([directions[:1], directions[:-1]])
    turning = np.stack([before, directions], axis=1).reshape(-1, 3)
    gravity = np.stack([np.interp(seconds, knots, turning[:, axis]) for axis in range(3)], axis=1)
    norm = np.linalg.norm(gravity, axis=1, keepdims=True)
    return np.asarray(gravity / np.maximum(norm, 0.2), np.float64)


def direction(up: str | None, number: int = 0) -> Floats:
    """Return the unit vector (3,) of a position; where no axis points up, a tilted one by its number."""
    if up is None:
        tilted = np.array([[1.0, 1.0, 1.0], [-1.0, 1.0, 0.5], [0.5, -1.0, -1.0]])[number % 3]
        return np.asarray(tilted / np.linalg.norm(tilted), np.float64)
    out = np.zeros(3)
    out["xyz".index(up[1])] = 1.0 if up[0] == "+" else -1.0
    return out


DEMO = {
    "heart": Device(ppm=21, noise_uv=4, mains_uv=3),
    "trunk": Device(
        ppm=-13, sensor=Sensor(offset_mg=(30, -20, 50), gain=(1.03, 0.98, 1.01), cross_axis=0.003)
    ),
    "wrist": Device(
        ppm=35, sensor=Sensor(offset_mg=(-15, 40, 10), gain=(0.99, 1.02, 1.0), cross_axis=-0.002)
    ),
    "ankle": Device(ppm=-27, sensor=Sensor(offset_mg=(5, -10, 126), gain=(1.01, 1.0, 0.97))),
    "skin": Device(ppm=8),
}
"""Faults of the demo's devices; the ankle's z axis is worse than its bench plan allows."""


def make_demo(root: Path, plan_path: Path) -> None:
    """Write the bench capture that the plan at ``plan_path`` names, of the demo's devices.

    The scenario of the study at ``root`` gets the same devices. Raises SettingsError where the
    capture exists already.
    """
    study, plan = Study(root), load_bench(plan_path)
    target = plan_path.parent / plan.captures
    if target.exists():
        raise SettingsError("exists", str(target), "a free name", "A raw capture is never overwritten.")
    layout = load_layout(root / "config" / "layouts" / f"{plan.layout}.yaml")
    data, truth = simulate_bench(
        plan, layout, DEMO, ZoneInfo(study.file.zone), RadioChannel(loss=0.002), seed=7
    )
    text = study.scenario.read_text(encoding="utf-8")
    for name, device in DEMO.items():
        sensor = device.sensor.model_dump(mode="json", exclude_defaults=True)
        text = text.replace(
            f"  {name}: {{streams: [acc],", f"  {name}: {{streams: [acc], sensor: {json.dumps(sensor)},"
        )
    writer.write_yaml(study.scenario, text, Scenario, replace=True)
    truth.save(target.with_suffix(".truth.npz"))
    target.write_bytes(data)
