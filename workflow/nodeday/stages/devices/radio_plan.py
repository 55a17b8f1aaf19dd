"""The settings of a radio plan, of which `nodeday plan` makes a session's budget."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Literal, Self

from pydantic import Field as Setting
from pydantic import model_validator

from nodeday.core import refusals, yaml_io
from nodeday.core.refusals import CODE
from nodeday.core.yaml_io import Strict, error_at


class Radio(Strict):
    """The radio link from nodes to hub. Bytes are what the radio adds to a frame's own."""

    frequency_mhz: float | None = Setting(default=None, gt=0)
    bit_rate_kbps: float = Setting(gt=0)
    preamble_bytes: int = Setting(default=4, ge=0)
    sync_bytes: int = Setting(default=4, ge=0)
    length_bytes: int = Setting(default=1, ge=0)
    crc_bytes: int = Setting(default=2, ge=0)
    access: Literal["unslotted", "slots"] = "unslotted"
    beacon_s: float = Setting(default=1.0, gt=0, le=3600)
    beacon_bytes: int = Setting(default=8, ge=0, description="of a beacon, without what the radio adds")
    crystal_ppm: float = Setting(default=50.0, ge=0, le=1000)
    jitter_us: float = Setting(default=0.0, ge=0)

    @property
    def overhead_bytes(self) -> int:
        """Bytes that the radio adds to each frame."""
        return self.preamble_bytes + self.sync_bytes + self.length_bytes + self.crc_bytes


class PlannedBattery(Strict):
    """The battery of a node: its capacity, the usable share of it, and currents.

    ``base_ma`` flows without sending, ``tx_ma`` is added while sending.
    """

    capacity_mah: float = Setting(gt=0)
    usable: float = Setting(default=0.85, gt=0, le=1)
    base_ma: float = Setting(gt=0)
    tx_ma: float = Setting(gt=0)


class PlannedNode(Strict):
    """A node of the plan; its ``base_ma`` overrides that of the battery."""

    streams: tuple[str, ...] = Setting(min_length=1)
    placement: str = Setting(default="elsewhere", pattern=CODE)
    base_ma: float | None = Setting(default=None, gt=0)


class Loss(Strict):
    """Frames lost on the air in bursts, collisions not included."""

    share: float = Setting(default=0.0, ge=0, lt=1)
    burst: float = Setting(default=1.0, ge=1, le=1000)

    @model_validator(mode="after")
    def _check_burst(self) -> Self:
        """Check that bursts of this length can give this share of loss."""
        if self.burst * (1 - self.share) < self.share:
            least = self.share / (1 - self.share)
            raise error_at(f"a loss of {self.share:g} needs bursts of {least:.3g} frames or more", "burst")
        return self


class RadioPlan(Strict):
    """A radio plan of a session of ``hours``; ``layout`` is one of the study's."""

    layout: str = Setting(pattern=CODE)
    hours: float = Setting(gt=0, le=24 * 31)
    radio: Radio
    battery: PlannedBattery
    nodes: dict[str, PlannedNode] = Setting(min_length=1)
    loss: Loss = Loss()

    @model_validator(mode="after")
    def _check_names(self) -> Self:
        """Check the names of the nodes."""
        for name in self.nodes:
            if not re.fullmatch(refusals.NAME, name) or name == "hub":
                raise error_at(
                    f"no node's name, which is {refusals.RULES[refusals.NAME]}, and not hub", "nodes", name
                )
        return self


def load_plan(path: Path) -> RadioPlan:
    """Read a radio plan; raise SettingsError naming file, line and key of each problem."""
    return yaml_io.load(path, RadioPlan)
