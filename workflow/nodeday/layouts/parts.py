"""The parts of a layout: integer fields, checksums, channels, and kinds of frame."""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import Field as Setting
from pydantic import model_validator

from nodeday.core.refusals import NAME, SNAKE
from nodeday.core.yaml_io import Strict, error_at
from nodeday.layouts.crc import Sum, named
from nodeday.schemas.signals import SAMPLES

Order = Literal["big", "little"]
Rounding = Literal["down", "up", "nearest"]
TimeSource = Literal["node", "network"]
Role = Literal[
    "length",
    "node",
    "kind",
    "sequence",
    "ticks",
    "boot",
    "hub_time",
    "rssi",
    "lqi",
    "battery",
    "utc",
    "payload",
    "checksum",
    "other",
]


MAX_FRAME_BYTES = 65_536
MAX_CHANNELS = 256
MAX_RATE_HZ = 100_000.0
HOUR_NS = 3_600_000_000_000
"""Limits of a layout. Body-worn nodes stay far below; without them one zero too many in a layout would
ask for all memory of the machine."""

Count = Annotated[int, Setting(ge=-(2**31), lt=2**31)]


class Parameters(Strict):
    """A checksum that the public catalogue does not name, by the catalogue's parameters."""

    width: int = Setting(ge=8, le=64)
    poly: int = Setting(ge=0)
    init: int = Setting(default=0, ge=0)
    refin: bool = False
    refout: bool = False
    xorout: int = Setting(default=0, ge=0)

    @model_validator(mode="after")
    def _fit(self) -> Self:
        for name in ("poly", "init", "xorout"):
            if getattr(self, name) >= 1 << self.width:
                raise ValueError(f"{name} is wider than {self.width} bits")
        return self

    def __str__(self) -> str:
        return f"a checksum of polynomial {self.poly:#x}"


class Field(Strict):
    """An integer of any width; the value in its unit is integer x scale + offset.

    ``unit`` is that of a field of role ``other``; all other roles have theirs.
    ``big`` fields number bits from the most significant of each byte, ``little`` fields from
    the least significant; fields of one order in a row must fill whole bytes.
    """

    name: str = Setting(pattern=SNAKE)
    role: Role = "other"
    bits: int = Setting(default=8, ge=1, le=64)
    order: Order | None = None
    signed: bool = False
    scale: float = 1.0
    offset: float = 0.0
    unit: str = Setting(default="", description="of a field of role other")
    rate_hz: float | None = Setting(default=None, gt=0, le=1e9, description="of ticks")
    time_source: TimeSource = Setting(
        default="node", description="of ticks: the node's own clock, or the one time of its network"
    )
    unit_ns: int | None = Setting(default=None, gt=0, le=HOUR_NS, description="of hub_time and utc")
    rounding: Rounding | None = Setting(default=None, description="of utc to its unit: up, down or nearest")
    read: Literal["before", "after"] | None = Setting(
        default=None, description="of utc: whether the host reads its clock before or after the hub's stamp"
    )
    plus: int = Setting(
        default=0, ge=-MAX_FRAME_BYTES, le=MAX_FRAME_BYTES, description="frame bytes = length field + plus"
    )
    crc: str | Parameters | None = Setting(default=None, description="name in the catalogue, or parameters")
    over: tuple[str, str] | None = Setting(default=None, description="first and last field covered")

    @model_validator(mode="after")
    def _what_the_role_needs(self) -> Self:
        if self.role == "ticks" and self.rate_hz is None:
            raise ValueError("a ticks field needs rate_hz")
        if self.role != "ticks" and self.time_source != "node":
            raise ValueError("only a ticks field has a time_source")
        if self.role in ("hub_time", "utc") and self.unit_ns is None:
            raise ValueError(f"a {self.role} field needs unit_ns")
        if self.unit and self.role != "other":
            raise ValueError(f"only a field of role other has a unit; that of {self.role} is known")
        if self.role != "utc" and (self.rounding or self.read):
            raise ValueError("only a utc field has rounding or read")
        if self.role == "checksum":
            if self.crc is None or self.over is None:
                raise ValueError("a checksum field needs crc and over")
            width = self.sum.width
            if width != self.bits or width % 8:
                raise ValueError(f"{self.crc} is {width} bits wide, the field {self.bits}")
        return self

    @property
    def is_scaled(self) -> bool:
        """Whether its value differs from its integer."""
        return self.scale != 1.0 or self.offset != 0.0

    @property
    def sum(self) -> Sum:
        """Checksum of a checksum field; raise ValueError where the catalogue has no such name."""
        if isinstance(self.crc, Parameters):
            given = self.crc
            return Sum(given.width, given.poly, given.init, given.refin, given.refout, given.xorout)
        return named(self.crc or "")


RESERVED = ("session", *SAMPLES.names)
"""Columns of a sample that are of no channel; ``session`` is in the path."""


class Channel(Strict):
    """One measured quantity: value = counts x scale + offset, in ``unit``."""

    name: str = Setting(pattern=NAME)
    unit: str
    scale: float = 1.0
    offset: float = 0.0
    rails: tuple[Count, Count] | None = Setting(default=None, description="least and most count")

    @model_validator(mode="after")
    def _free_name(self) -> Self:
        if self.name in RESERVED:
            raise error_at(f"{self.name} is a column of every sample; choose another name", "name")
        return self


class Kind(Strict):
    """A kind of frame: samples of a stream, plain fields (host marks), or counters alone.

    The payload holds instant after instant, for each the counts of its channels. With
    ``delta_bits`` only the first instant is complete; each later count is its difference from the
    instant before. With ``interleave`` D, D frames share D x ``samples`` instants as players share
    cards, so that a lost frame costs every D-th sample and not a stretch::

        instants    0 1 2 3 4 5      frame 0 (sequence 0 modulo 2): 0 2 4
        D = 2                        frame 1 (sequence 1 modulo 2): 1 3 5

    ``timing`` declares whether time tells how many frames were sent; left out, it is measured.
    ``type`` declares what the samples are; left out, names and units tell. Several kinds may hold one
    stream, where a node changes its rate or its packing: they share its sequence number.
    """

    kind: int = Setting(ge=0)
    stream: str = Setting(pattern=NAME)
    type: Literal["ecg", "acceleration", "temperature", "other"] | None = None
    timing: Literal["regular", "irregular"] | None = None
    rate_hz: float | None = Setting(default=None, gt=0, le=MAX_RATE_HZ)
    samples: int = Setting(default=0, ge=0, le=MAX_FRAME_BYTES, description="sample instants in a frame")
    channels: tuple[Channel, ...] = Setting(default=(), max_length=MAX_CHANNELS)
    bits: Literal[8, 12, 16, 24, 32] = 16
    signed: bool = False
    order: Order = "little"
    delta_bits: Literal[4, 8, 12, 16] | None = None
    interleave: int = Setting(default=1, ge=1, le=16)
    stamp: Literal["first", "last"] = "first"
    converter_ms: float = Setting(
        default=0.0, ge=0, description="how much later than the signal its converter's filter gives a sample"
    )
    every_s: float | None = Setting(default=None, ge=0.001, description="between frames without samples")
    fields: tuple[Field, ...] = ()

    @model_validator(mode="after")
    def _within_limits(self) -> Self:
        bits = self.counts * (self.delta_bits or self.bits) + sum(field.bits for field in self.fields)
        if bits > 8 * MAX_FRAME_BYTES:
            raise ValueError(f"a frame of {bits // 8} bytes; {MAX_FRAME_BYTES} is the limit")
        return self

    @model_validator(mode="after")
    def _samples_or_fields(self) -> Self:
        if bool(self.channels) != bool(self.samples) or bool(self.channels) != bool(self.rate_hz):
            raise ValueError("channels, samples and rate_hz go together")
        if self.channels and self.fields:
            raise ValueError("give either channels or fields")
        if bool(self.fields) > bool(self.every_s) or (self.channels and self.every_s):
            raise ValueError("fields and every_s go together")
        if not self.channels and not self.every_s:
            raise ValueError("give channels, or fields, or for frames of counters alone every_s")
        if (self.counts * self.bits) % 8 and self.delta_bits is None:
            raise ValueError(f"{self.counts} samples of {self.bits} bits do not fill whole bytes")
        if sum(self.widths) % 8:
            raise ValueError("the samples do not fill whole bytes")
        if self.channels and self.bits == 32 and not self.signed:
            raise ValueError("samples of 32 bits must be signed")  # `raw` is an int32
        if sum(field.bits for field in self.fields) % 8:
            raise ValueError("fields do not fill whole bytes")
        return self

    @model_validator(mode="after")
    def _type_fits(self) -> Self:
        if self.type is None or self.type == "other":
            return self
        units = [channel.unit for channel in self.channels]
        fits, expected = {
            "ecg": (units == ["mV"], "one channel in mV"),
            "acceleration": (self._three_axes, "the channels x, y and z in g"),
            "temperature": (set(units) == {"degC"}, "channels in degC"),
        }[self.type]
        if not fits:
            raise error_at(f"{self.type} needs {expected}; another scale makes another unit", "type")
        return self

    @property
    def _three_axes(self) -> bool:
        return sorted((channel.name, channel.unit) for channel in self.channels) == [
            (axis, "g") for axis in "xyz"
        ]

    @property
    def is_ecg(self) -> bool:
        """Whether the samples are an ECG: as declared, else the stream ``ecg`` of one channel in mV."""
        units = [channel.unit for channel in self.channels]
        return self.type == "ecg" if self.type else self.stream == "ecg" and units == ["mV"]

    @property
    def is_acceleration(self) -> bool:
        """Whether the samples are acceleration: as declared, else the channels x, y and z in g."""
        return self.type == "acceleration" if self.type else self._three_axes

    @property
    def counts(self) -> int:
        """Integers in a frame's payload: sample instants times channels."""
        return self.samples * len(self.channels)

    @property
    def widths(self) -> list[int]:
        """Bits of each count of a payload, in order."""
        full = len(self.channels) if self.delta_bits else self.counts
        return [self.bits] * full + [self.delta_bits or 0] * (self.counts - full)

    @property
    def period_s(self) -> float:
        """Nominal seconds from one frame to the next."""
        return self.every_s or self.samples / (self.rate_hz or 1.0)

    @property
    def stamp_lag_ns(self) -> int:
        """How much later than its first sample a frame is stamped, in ns, the converter's delay included."""
        lag_s = self.converter_ms / 1e3
        if self.stamp == "last" and self.rate_hz:
            lag_s += (self.samples - 1) * self.interleave / self.rate_hz
        return round(lag_s * 1e9)

    @property
    def length_ns(self) -> int:
        """Nominal time from a frame's first sample to one period past its last, in ns."""
        if not self.rate_hz or not self.samples:
            return round(self.period_s * 1e9)
        return round(((self.samples - 1) * self.interleave + 1) / self.rate_hz * 1e9)

    @property
    def least_lag_s(self) -> float:
        """Least time from a frame's stamp to its last sample, before which it cannot be sent, in seconds."""
        if not self.samples:
            return 0.0
        after_stamp = (self.samples - 1) * self.interleave if self.stamp == "first" else 0
        return (after_stamp + self.interleave - 1) / (self.rate_hz or 1.0)

    @property
    def payload_bytes(self) -> int:
        """Length of a frame's payload."""
        return (sum(self.widths) + sum(field.bits for field in self.fields)) // 8


def apart_from(first: Kind, other: Kind) -> str:
    """Return why two kinds cannot be frames of one stream, nothing where they can.

    Rate, samples in a frame, packing, scales and rails may differ: a node may change them as it goes.
    """
    if other is first:
        return ""
    if [(each.name, each.unit) for each in first.channels] != [
        (each.name, each.unit) for each in other.channels
    ]:
        return "have other channels or units; give them streams of their own"
    for name in ("type", "timing", "converter_ms"):
        if getattr(first, name) != getattr(other, name):
            return f"differ in {name}, which one stream has once"
    if max(first.interleave, other.interleave) > 1:
        return "are dealt over several frames, which a stream of two kinds cannot be"
    return ""
