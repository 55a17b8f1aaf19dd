"""Columns of a decoded recording that are of no channel: node, counters, times, measures of the radio."""

from __future__ import annotations

from typing import Annotated, Literal, Self
from zoneinfo import available_timezones

from pydantic import Field as Setting
from pydantic import model_validator

from nodeday.core.errors import did_you_mean
from nodeday.core.refusals import NAME
from nodeday.core.yaml_io import Strict, error_at
from nodeday.layouts.parts import Rounding

UNITS_NS = {"s": 1_000_000_000, "ms": 1_000_000, "us": 1_000, "ns": 1}
UNWRAPPED_BITS = 48
"""Width of a counter that never wraps: at 100,000 a second it lasts 89 years."""
ISO_RESOLUTION_MS = 1.0
"""Step of times in ISO 8601 where no other is declared. A choice of this project."""

ColumnName = Annotated[str, Setting(min_length=1)]
Of = Literal["sample", "first", "last"]


class NodeColumn(Strict):
    """The column that says which node a row is of; ``names`` are nodes of nodes.tsv by what stands there."""

    column: ColumnName
    names: dict[str, Annotated[str, Setting(pattern=NAME)]] = Setting(default_factory=dict)


class PlainColumn(Strict):
    """A column whose numbers or words are taken as they are."""

    column: ColumnName


class CounterColumn(Strict):
    """The sequence number: it counts the frames of a stream, and wraps after 2 to the power of ``bits``.

    ``bits`` is null where it never wraps.
    """

    column: ColumnName
    bits: int | None = Setting(ge=1, le=UNWRAPPED_BITS)


class TicksColumn(CounterColumn):
    """The node's own clock, ``rate_hz`` ticks a second; ``of`` which sample of a frame they are."""

    rate_hz: float = Setting(gt=0, le=1e9)
    of: Of | None = None


class TimeColumn(Strict):
    """When a row was recorded.

    ``unit`` is that of numbers, which count ``since`` 1970-01-01 UTC or the start of something; ``iso`` are
    ISO 8601 texts or the timestamps of Parquet, those without an offset from UTC local times of ``zone``.
    ``resolution_ms`` is the step of the times. ``of`` is the sample of a frame that they belong to: the row's
    own, the first, or the last; a time of arrival counts as that of the last, with the constant ``delay_ms``.
    ``rounding`` says which way times were rounded to their step; None where nobody knows.
    """

    column: ColumnName
    unit: Literal["s", "ms", "us", "ns", "iso"]
    since: Literal["utc", "start"] | None = None
    zone: str | None = None
    resolution_ms: float | None = Setting(default=None, ge=1e-6, le=3_600_000)
    rounding: Rounding | None = None
    of: Of | None = None
    delay_ms: float = Setting(default=0.0, ge=0)

    @model_validator(mode="after")
    def _kind_of_time(self) -> Self:
        if (self.unit == "iso") == (self.since is not None):
            raise error_at(
                "ISO 8601 says by itself since when it counts; leave since out"
                if self.since
                else f"times in {self.unit} need since: utc (since 1970-01-01 UTC) or start",
                "since",
            )
        if self.zone and self.unit != "iso":
            raise error_at("only ISO 8601 times without an offset need a zone", "zone")
        if self.zone and self.zone not in available_timezones():
            hint = did_you_mean(self.zone, available_timezones())
            raise error_at(f"no time zone is named {self.zone}{hint}", "zone")
        return self

    @property
    def resolution_ns(self) -> int:
        """Step of the times in nanoseconds."""
        default = ISO_RESOLUTION_MS if self.unit == "iso" else UNITS_NS[self.unit] / 1e6
        return max(round((self.resolution_ms or default) * 1e6), 1)

    @property
    def is_utc(self) -> bool:
        """Whether the times are instants, and not seconds since an unknown start."""
        return self.since != "start"


class MeasureColumn(Strict):
    """A measure of the radio or the battery: written x scale + offset is in dBm, volts or without a unit."""

    column: ColumnName
    scale: float = 1.0
    offset: float = 0.0
