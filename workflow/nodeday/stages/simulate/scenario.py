"""Settings of ``config/scenario.yaml``: the plan of each simulated session."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Self

import numpy as np
from pydantic import Field as Setting
from pydantic import field_validator, model_validator

from nodeday.config.study import HUB
from nodeday.core import yaml_io
from nodeday.core.errors import SettingsError
from nodeday.core.refusals import CODE, NAME
from nodeday.core.yaml_io import Strict
from nodeday.stages.simulate.plan_parts import Away, HostMarks, LateBursts, Pauses, SecondDevice


class PlannedPhase(Strict):
    """Phase of a session: its length, heart rate and walking."""

    phase: str = Setting(pattern=CODE)
    minutes: float = Setting(gt=0, le=48 * 60)
    bpm: float = Setting(default=65, ge=30, le=200, description="heart rate the phase settles at")
    bpm_spread: float = Setting(default=3, ge=0, le=20, description="standard deviation of heart rate")
    gait: float = Setting(default=0, ge=0, le=0.95, description="share of time spent walking")
    cadence_spm: float = Setting(default=105, ge=60, le=180, description="steps a minute")


class Move(Strict):
    """Change of a crystal's temperature to ``worn_c`` at ``at_min``, as when a node is taken off the skin."""

    at_min: float = Setting(ge=0)
    worn_c: float = Setting(ge=-40, le=85)


class Crystal(Strict):
    """Crystal of a clock and its temperature, which settles from ``start_c`` to ``worn_c``."""

    ppm: float = Setting(default=0, ge=-500, le=500, description="faster than nominal at 25 degC")
    start_c: float = Setting(default=25, ge=-40, le=85)
    worn_c: float = Setting(default=33, ge=-40, le=85)
    settle_min: float = Setting(default=20, gt=0)
    swing_c: float = Setting(default=0, ge=0, le=40, description="slow swings around worn_c")
    swing_min: float = Setting(default=40, gt=0, description="period of the swings")
    moves: tuple[Move, ...] = Setting(default=(), description="worn_c and swings hold up to the first one")


class Sensor(Strict):
    """Faults of an accelerometer: raw = offset + gain x true for each axis, plus cross-talk.

    ``cross_axis`` is the share of the true value of each other axis that is added.
    """

    offset_mg: tuple[float, float, float] = (0.0, 0.0, 0.0)
    gain: tuple[float, float, float] = (1.0, 1.0, 1.0)
    cross_axis: float = Setting(default=0.0, gt=-1, lt=1)


class NodePlan(Strict):
    """Streams that a node sends, its crystal and its accelerometer.

    It sends at the even pace of its streams, or with ``pauses`` when something happens.
    """

    streams: tuple[str, ...] = ()
    crystal: Crystal = Crystal()
    sensor: Sensor = Sensor()
    pauses: Pauses | None = None
    second: SecondDevice | None = None


class RadioChannel(Strict):
    """Radio channel between nodes and capture; shares are of frames or of copies."""

    loss: float = Setting(default=0, ge=0, lt=1, description="lost in bursts (Gilbert model)")
    burst: float = Setting(default=1, ge=1, le=1000, description="mean frames in a burst")
    fade: float = Setting(default=0, ge=0, le=1, description="lost while the body shadows a step")
    duplicates: float = Setting(default=0, ge=0, le=1)
    late: float = Setting(default=0, ge=0, le=1)
    corrupt: float = Setting(default=0, ge=0, lt=1)
    jitter_ms: float = Setting(default=2, ge=0, le=50, description="mean of the everyday delay")
    stall_s: float = Setting(default=60, gt=0, description="mean seconds between the hub's stalls")
    late_bursts: LateBursts | None = None

    @model_validator(mode="after")
    def _bursts_that_give_the_loss(self) -> Self:
        if self.burst * (1 - self.loss) < self.loss:
            least = self.loss / (1 - self.loss)
            raise ValueError(f"a loss of {self.loss:g} needs bursts of {least:.3g} frames or more")
        return self


class Restart(Strict):
    """Stop of a node at ``at_min`` and start of its next boot ``silent_s`` later."""

    node: str
    at_min: float = Setting(gt=0)
    silent_s: float = Setting(default=5, ge=3, le=3600)


class Outage(Strict):
    """Outage of the hub: it records nothing, and its clock goes on."""

    at_min: float = Setting(gt=0)
    minutes: float = Setting(gt=0)


class HubStep(Strict):
    """Step of the hub's clock by ``step_ms``, forward if positive."""

    at_min: float = Setting(gt=0)
    step_ms: float


class HubRestart(Strict):
    """Restart of the hub: it records nothing for ``silent_s``, and its clock begins again at ``from_s``."""

    at_min: float = Setting(gt=0)
    silent_s: float = Setting(default=20, ge=0, le=3600)
    from_s: float = Setting(default=1, ge=0)


class Death(Strict):
    """End of the battery of ``node``."""

    node: str
    at_min: float = Setting(gt=0)


class SessionPlan(Strict):
    """Complete plan of one session, as :func:`.session.simulate_session` needs it."""

    name: str = "session"
    seed: int = Setting(default=0, ge=0)
    hub: str = Setting(
        default=HUB,
        pattern=NAME,
        description="another name is another hub: its own clock, and its own luck with the same frames",
    )
    start: datetime
    phases: tuple[PlannedPhase, ...] = Setting(min_length=1)
    nodes: dict[str, NodePlan] = Setting(default_factory=dict)
    channel: RadioChannel = RadioChannel()
    restarts: tuple[Restart, ...] = ()
    outages: tuple[Outage, ...] = ()
    hub_steps: tuple[HubStep, ...] = ()
    hub_restarts: tuple[HubRestart, ...] = ()
    deaths: tuple[Death, ...] = ()
    away: tuple[Away, ...] = ()
    marks: HostMarks = HostMarks()
    taps_min: tuple[float, ...] = Setting(default=(), description="three taps begin at these minutes")
    junk: float = Setting(default=0, ge=0, lt=1, description="share of frames with junk before them")
    truncated: bool = Setting(default=False, description="the last frame is cut off")
    hub_start_s: float | None = Setting(default=None, ge=0, description="hub clock at the start; else drawn")
    stagger_s: float = Setting(default=2, ge=0, le=60, description="nodes are switched on within this")

    @field_validator("start")
    @classmethod
    def _with_offset(cls, start: datetime) -> datetime:
        if start.tzinfo is None:
            raise ValueError("needs its UTC offset, such as 2026-07-14T05:00:00Z")
        return start

    @property
    def seconds(self) -> float:
        return 60.0 * sum(phase.minutes for phase in self.phases)

    @property
    def start_ns(self) -> int:
        since = self.start.astimezone(UTC) - datetime(1970, 1, 1, tzinfo=UTC)
        return (since.days * 86_400 + since.seconds) * 1_000_000_000 + since.microseconds * 1_000

    def minutes(self) -> list[float]:
        """Return the minutes at which something happens to a node or the hub."""
        nodes = [one.at_min for one in self.restarts] + [one.at_min for one in self.deaths]
        nodes += [one.at_min for one in self.away]
        hub = [one.at_min for one in self.hub_steps] + [one.at_min for one in self.hub_restarts]
        return nodes + hub + [one.at_min for one in self.outages] + list(self.taps_min)

    @property
    def silences(self) -> list[tuple[float, float]]:
        """Return the stretches [start, end), in seconds, in which the hub records nothing."""
        out = [(60 * one.at_min, 60 * (one.at_min + one.minutes)) for one in self.outages]
        return out + [(60 * one.at_min, 60 * one.at_min + one.silent_s) for one in self.hub_restarts]

    def crystal(self, node: str) -> Crystal:
        return self.nodes[node].crystal if node in self.nodes else Crystal()

    def rng(self, *names: str) -> np.random.Generator:
        """Return a random generator for ``names`` in this session.

        Sessions that share a seed draw apart; one more node does not change what the others draw.
        """
        key = "/".join((self.name, *names)).encode()
        return np.random.default_rng(np.random.SeedSequence([self.seed, *key]))

    def hub_rng(self, *names: str) -> np.random.Generator:
        """Return a random generator for what happens to frames on their way to the plan's hub.

        Two plans that differ in ``hub`` alone give nodes that send the same frames.
        """
        return self.rng(*names) if self.hub == HUB else self.rng(*names, self.hub)


class Scenario(Strict):
    """Contents of ``config/scenario.yaml``; ``nodes`` hold for every session that does not replace them."""

    seed: int = Setting(default=0, ge=0)
    nodes: dict[str, NodePlan] = Setting(default_factory=dict)
    sessions: dict[str, SessionPlan]

    def session(self, name: str) -> SessionPlan:
        """Return the plan of a session with the shared seed and nodes; raise SettingsError without one."""
        if name not in self.sessions:
            expected = f"one of {', '.join(self.sessions)}"
            raise SettingsError(f"plans no session {name}", "config/scenario.yaml", expected)
        plan = self.sessions[name]
        nodes = {**self.nodes, **plan.nodes}
        seed = plan.seed if "seed" in plan.model_fields_set else self.seed
        return plan.model_copy(update={"name": name, "nodes": nodes, "seed": seed})


def load_scenario(path: Path) -> Scenario:
    """Read a scenario file; raise SettingsError with key and line if it cannot be used."""
    return yaml_io.load(path, Scenario)


DEMO_NODES: tuple[tuple[str, str, float], ...] = (
    ("hub", "", 4.0),
    ("heart", "ecg", 21.0),
    ("trunk", "acc", -13.0),
    ("wrist", "acc", 35.0),
    ("ankle", "acc", -27.0),
    ("skin", "temp", 8.0),
)
"""Node, stream and ppm in the plans of :func:`random_scenario`."""


def random_scenario(seed: int) -> SessionPlan:
    """Return the plan of a session of 2 to 4 minutes with all faults at once, for the nodes of the demo.

    A restart and an outage never overlap, and a boot lasts 20 s or more, so that counters show every
    loss inside a boot. Everything else is random.
    """
    rng = np.random.default_rng([seed, 2003])
    minutes = float(rng.uniform(2.2, 4.0))
    crystals = {name: Crystal(ppm=ppm + float(rng.normal(0, 5))) for name, _, ppm in DEMO_NODES}
    return SessionPlan(
        name=f"random-{seed}",
        seed=seed,
        start=datetime(2026, 7, 1, 5, tzinfo=UTC),
        phases=(PlannedPhase(phase="work", minutes=minutes, bpm=float(rng.uniform(55, 140)), gait=0.5),),
        nodes={
            name: NodePlan(streams=(stream,) * bool(stream), crystal=crystals[name])
            for name, stream, _ in DEMO_NODES
        },
        channel=_random_channel(rng),
        taps_min=(0.1,),
        junk=float(rng.choice([0, 0.02, 0.1])),
        truncated=bool(rng.random() < 0.5),
        # Now and then the hub's 32-bit millisecond counter wraps within the session.
        hub_start_s=float(2**32 / 1000 - rng.uniform(10, 100)) if rng.random() < 0.2 else None,
        **_random_events(minutes, rng),
    )


def _random_channel(rng: np.random.Generator) -> RadioChannel:
    return RadioChannel(
        loss=float(rng.uniform(0, 0.2)),
        burst=float(rng.uniform(1, 12)),
        fade=float(rng.choice([0, 0.5])),
        duplicates=float(rng.uniform(0, 0.05)),
        late=float(rng.uniform(0, 0.03)),
        corrupt=float(rng.uniform(0, 0.03)),
        stall_s=20,
    )


def _random_events(minutes: float, rng: np.random.Generator) -> dict[str, Any]:
    outage = Outage(at_min=float(rng.uniform(0.5, 0.6)), minutes=float(rng.uniform(0.3, 0.7)))
    again = outage.at_min + outage.minutes + 0.35
    names = [name for name, stream, _ in DEMO_NODES if stream]
    chosen = [str(name) for name in rng.choice(names, int(rng.integers(0, 3)), replace=False)]
    restarts = [
        Restart(
            node=name,
            at_min=float(rng.uniform(again, max(minutes - 0.5, again + 0.05))),
            silent_s=float(rng.uniform(3, 8)),
        )
        for name in chosen
    ]
    dying = str(rng.choice(sorted(set(names) - set(chosen))))
    death = Death(node=dying, at_min=float(rng.uniform(again, minutes)))
    return {
        "restarts": tuple(restarts) if rng.random() < 0.7 else (),
        "outages": (outage,) if rng.random() < 0.7 else (),
        "deaths": (death,) if rng.random() < 0.3 else (),
    }
