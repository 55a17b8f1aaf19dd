"""Model of a bench plan: the nodes on the bench, what was done to them at what time, and the limits.

Instants are seconds from ``start``, as a stopwatch on the bench shows them::

    heart    |-- flat --|-- 80 bpm --|-- 120 bpm --|-- 180 bpm --|
    wrist    |-- x up --|-- x down --|-- y up --| ...
              ^ at_s     ^ at_s + seconds; ``settle_s`` at both ends of each is left out
"""

from __future__ import annotations

import re
from datetime import date, datetime
from itertools import pairwise
from pathlib import Path
from typing import Literal, Self

from pydantic import Field as Setting
from pydantic import model_validator

from nodeday.core import refusals, yaml_io
from nodeday.core.refusals import CODE, CODES, NAME
from nodeday.core.yaml_io import Strict, error_at

Up = Literal["+x", "-x", "+y", "-y", "+z", "-z"]
UPS: tuple[Up, ...] = ("+x", "-x", "+y", "-y", "+z", "-z")


class BenchStretch(Strict):
    """A stretch of time on the bench, from ``at_s`` for ``seconds``."""

    at_s: float = Setting(ge=0)
    seconds: float = Setting(gt=0, le=3600)

    @property
    def end_s(self) -> float:
        """End in seconds from the bench's start."""
        return self.at_s + self.seconds


class RateStep(BenchStretch):
    """A step of the patient simulator: a steady rate, or ``flat``, its output on and level."""

    bpm: float | None = Setting(default=None, ge=20, le=300)
    flat: bool = False

    @model_validator(mode="after")
    def _one_of_both(self) -> Self:
        if (self.bpm is None) != self.flat:
            raise ValueError("a step has either a rate in bpm or flat: true")
        return self


class Position(BenchStretch):
    """The node at rest in one direction: ``up`` is the axis that points up and reads +1 g (or -1 g).

    Without ``up`` the node lies in any other direction, which checks the coefficients there.
    """

    up: Up | None = None


class BenchNode(Strict):
    """A node on the bench, with ``steps`` for an ECG or ``positions`` for an accelerometer."""

    address: int = Setting(ge=0)
    layout: str | None = Setting(default=None, pattern=CODE, description="where the bench has several")
    steps: tuple[RateStep, ...] = ()
    positions: tuple[Position, ...] = ()

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        for name in ("steps", "positions"):
            rows: tuple[BenchStretch, ...] = getattr(self, name)
            for index, (one, after) in enumerate(pairwise(rows), start=1):
                if after.at_s < one.end_s:
                    raise error_at(
                        f"begins at {after.at_s:g} s, before the end of the one before it",
                        name,
                        index,
                        "at_s",
                    )
        ups = [position.up for position in self.positions if position.up]
        if twice := sorted({up for up in ups if ups.count(up) > 1}):
            raise error_at(f"{', '.join(twice)} is up twice", "positions")
        if ups and (missing := [up for up in UPS if up not in ups]):
            raise error_at(
                f"nothing is planned with {', '.join(missing)} up; six positions belong together", "positions"
            )
        return self


class BenchLimits(Strict):
    """Limits that a node must keep.

    The defaults are this project's choice, for research nodes on a bench a metre from the hub; state
    your own.
    """

    max_rate_error_bpm: float = Setting(default=1.0, gt=0)
    max_noise_uv: float = Setting(default=15.0, gt=0, description="RMS")
    max_mains_uv: float = Setting(default=10.0, gt=0, description="RMS")
    max_clipped: float = Setting(default=0.0, ge=0, le=1, description="share of samples at a rail")
    max_offset_mg: float = Setting(default=100.0, gt=0)
    max_gain_error: float = Setting(default=0.05, gt=0, lt=1)
    max_noise_mg: float = Setting(default=8.0, gt=0, description="RMS at rest")
    max_cross_axis: float = Setting(default=0.05, gt=0, lt=1)
    max_rest_error_mg: float = Setting(default=10.0, gt=0, description="from 1 g, after calibration")
    min_delivery: float = Setting(default=0.99, ge=0, le=1, description="share of frames received")
    max_skew_ppm: float = Setting(default=100.0, gt=0)


class BenchPlan(Strict):
    """A bench plan; ``captures`` are paths from the plan's folder, joined by ``;`` in order."""

    bench: str = Setting(pattern=CODE)
    start: datetime
    captures: str
    layout: str = Setting(pattern=CODES)
    hub_address: int = Setting(default=0, ge=0)
    mains_hz: Literal[50, 60] = 50
    settle_s: float = Setting(default=3.0, ge=0, le=60)
    temperature_c: float | None = Setting(default=None, ge=-40, le=85)
    nodes: dict[str, BenchNode] = Setting(min_length=1)
    limits: BenchLimits = BenchLimits()

    @model_validator(mode="after")
    def _distinct_nodes(self) -> Self:
        for name in self.nodes:
            if not re.fullmatch(NAME, name) or name == "hub":
                raise error_at(f"no node's name, which is {refusals.RULES[NAME]}, and not hub", "nodes", name)
        addresses = [self.hub_address, *(node.address for node in self.nodes.values())]
        for name, node in self.nodes.items():
            if addresses.count(node.address) > 1:
                raise error_at(f"address {node.address} is there twice", "nodes", name, "address")
        for name, node in self.nodes.items():
            for kind in ("steps", "positions"):
                for index, one in enumerate(getattr(node, kind)):
                    if one.seconds <= 2 * self.settle_s:
                        found = f"{one.seconds:g} s leave nothing after settle_s at both ends"
                        raise error_at(found, "nodes", name, kind, index, "seconds")
        return self

    @property
    def measured(self) -> date:
        """Date of the bench."""
        return self.start.date()

    @property
    def end_s(self) -> float:
        """Seconds from the start to the end of the last stretch."""
        stretches = [stretch for node in self.nodes.values() for stretch in (*node.steps, *node.positions)]
        return max((stretch.end_s for stretch in stretches), default=0.0)


def load_bench(path: Path) -> BenchPlan:
    """Return a bench plan; raise SettingsError with file, line and key of each problem."""
    return yaml_io.load(path, BenchPlan)
