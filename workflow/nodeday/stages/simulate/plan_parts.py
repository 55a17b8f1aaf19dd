"""Plan keys for senders without an even pace, frames that wait or come late, and the host's marks."""

from __future__ import annotations

from typing import Literal, Self

from pydantic import Field as Setting
from pydantic import model_validator

from nodeday.core.yaml_io import Strict


class Pauses(Strict):
    """Pauses between the frames of a sender that sends when something happens: log-normal, within limits.

    Such a sender needs streams of one sample a frame.
    """

    median_s: float = Setting(gt=0)
    spread: float = Setting(default=1.5, ge=0, le=5, description="standard deviation of ln(pause)")
    least_s: float = Setting(default=0.05, gt=0)
    most_s: float = Setting(default=240, gt=0)

    @model_validator(mode="after")
    def _median_within_limits(self) -> Self:
        if not self.least_s <= self.median_s <= self.most_s:
            raise ValueError(f"median_s must lie between {self.least_s:g} and {self.most_s:g}")
        return self


class SecondDevice(Strict):
    """Second device that sends a node's streams with its address; the truth has it as further boots.

    ``count_from`` and ``ticks_from`` are what its counters and its ticks show when the node is switched on.
    Restarts, deaths and absences of the node are not its own.
    """

    ppm: float = Setting(default=0, ge=-500, le=500, description="its clock, at 25 degC")
    count_from: int = Setting(default=0, ge=0, lt=2**40)
    ticks_from: int = Setting(default=0, ge=0, lt=2**50)


class Away(Strict):
    """Time in which a node is out of reach: it queues its frames and sends them on return.

    Frames made meanwhile wait behind the queue, or with ``mixed`` go out at once, between queued ones.
    What still waits when the node restarts, dies or is switched off is never sent.
    """

    node: str
    at_min: float = Setting(gt=0)
    seconds: float = Setting(gt=0)
    mixed: bool = False
    flush_s: float = Setting(default=0.02, gt=0, description="from one queued frame to the next")


class LateBursts(Strict):
    """Stretches of a stream whose frames come much later than the frames behind them, in any order."""

    every_min: float = Setting(default=5, gt=0, description="mean time between stretches")
    lasting_s: float = Setting(default=3, gt=0, description="mean length of a stretch")
    delay_s: tuple[float, float] = Setting(default=(5, 30), description="range of a stretch's delay")

    @model_validator(mode="after")
    def _range_of_delays(self) -> Self:
        if not 0 < self.delay_s[0] <= self.delay_s[1]:
            raise ValueError("delay_s must be two positive numbers, the smaller one first")
        return self


class HostMarks(Strict):
    """How the host writes its marks: rounding to the mark's unit, and when it reads its clock."""

    rounding: Literal["up", "down", "nearest"] = "up"
    read: Literal["after", "before"] = Setting(default="after", description="relative to the hub's stamp")
