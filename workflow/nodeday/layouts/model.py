"""What a layout file may say, and everything about it that can be refused before a byte is read.

A frame as the layout lists it, first byte on the air to the left::

    | sync | fields before the payload | payload of the kind | fields after the payload |
"""

from __future__ import annotations

from functools import cached_property
from pathlib import Path
from typing import Literal, Self

from pydantic import Field as Setting
from pydantic import field_validator, model_validator

from nodeday import yamlfile
from nodeday.errors import SettingsError
from nodeday.layouts import crc
from nodeday.yamlfile import NAME, SNAKE, Strict, placed

Order = Literal["big", "little"]
Role = Literal[
    "length", "node", "kind", "sequence", "ticks", "boot", "hub_time", "rssi", "lqi", "battery",
    "utc", "payload", "checksum", "other",
]  # fmt: skip


class Field(Strict):
    """An integer of any width. Value in its unit = integer x scale + offset.

    ``big`` fields number bits from the most significant of each byte, ``little`` fields from
    the least significant; a run of fields in one order must fill whole bytes.
    """

    name: str = Setting(pattern=SNAKE)
    role: Role = "other"
    bits: int = Setting(default=8, ge=1, le=64)
    order: Order | None = None
    signed: bool = False
    scale: float = 1.0
    offset: float = 0.0
    rate_hz: float | None = Setting(default=None, gt=0, description="of ticks")
    unit_ns: int | None = Setting(default=None, gt=0, description="of hub_time and utc")
    plus: int = Setting(default=0, description="frame bytes = length field + plus")
    crc: str | None = None
    over: tuple[str, str] | None = Setting(default=None, description="first and last field covered")

    @model_validator(mode="after")
    def _what_the_role_needs(self) -> Self:
        if self.role == "ticks" and self.rate_hz is None:
            raise ValueError("a ticks field needs rate_hz")
        if self.role in ("hub_time", "utc") and self.unit_ns is None:
            raise ValueError(f"a {self.role} field needs unit_ns")
        if self.role == "checksum":
            if self.crc is None or self.over is None:
                raise ValueError("a checksum field needs crc and over")
            width = crc.model(self.crc).width
            if width != self.bits or width % 8:
                raise ValueError(f"{self.crc} is {width} bits wide, the field {self.bits}")
        return self


class Channel(Strict):
    """One measured quantity: value = counts x scale + offset, in ``unit``."""

    name: str = Setting(pattern=NAME)
    unit: str
    scale: float = 1.0
    offset: float = 0.0
    rails: tuple[int, int] | None = Setting(default=None, description="least and most count")


class Kind(Strict):
    """A kind of frame: a stream's samples, or plain fields (host marks)."""

    kind: int = Setting(ge=0)
    stream: str = Setting(pattern=NAME)
    rate_hz: float | None = Setting(default=None, gt=0)
    samples: int = Setting(default=0, ge=0, description="sample instants in a frame")
    channels: tuple[Channel, ...] = ()
    bits: Literal[8, 12, 16, 24, 32] = 16
    signed: bool = False
    order: Order = "little"
    stamp: Literal["first", "last"] = "first"
    every_s: float | None = Setting(default=None, gt=0, description="between frames of plain fields")
    fields: tuple[Field, ...] = ()

    @model_validator(mode="after")
    def _samples_or_fields(self) -> Self:
        if bool(self.channels) != bool(self.samples) or bool(self.channels) != bool(self.rate_hz):
            raise ValueError("channels, samples and rate_hz go together")
        if bool(self.channels) == bool(self.fields):
            raise ValueError("give either channels or fields")
        if bool(self.fields) != bool(self.every_s):
            raise ValueError("fields and every_s go together")
        if (self.counts * self.bits) % 8:
            raise ValueError(f"{self.counts} samples of {self.bits} bits do not fill whole bytes")
        if self.channels and self.bits == 32 and not self.signed:
            raise ValueError("samples of 32 bits must be signed")  # `raw` is an int32
        if sum(field.bits for field in self.fields) % 8:
            raise ValueError("fields do not fill whole bytes")
        return self

    @property
    def counts(self) -> int:
        """Integers in a frame's payload: sample instants times channels."""
        return self.samples * len(self.channels)

    @property
    def period_s(self) -> float:
        """Nominal seconds from one frame to the next."""
        return self.every_s or self.samples / (self.rate_hz or 1.0)

    @property
    def payload_bytes(self) -> int:
        return (self.counts * self.bits + sum(field.bits for field in self.fields)) // 8


class Layout(Strict):
    """A layout file. ``at`` of a field is its first bit in the frame of a kind."""

    layout: str
    about: str = ""
    sync: str = Setting(description="bytes that open each frame, in hex")
    order: Order = "little"
    delay_ms: float = Setting(default=0.0, ge=0, description="airtime plus handler time, constant part")
    frame: tuple[Field, ...]
    kinds: tuple[Kind, ...]

    @field_validator("sync")
    @classmethod
    def _hex(cls, text: str) -> str:
        try:
            if not bytes.fromhex(text):
                raise ValueError("at least one byte")
        except ValueError as error:
            message = "at least one byte" if not text.strip() else f"{text} is not hex, such as D3 91"
            raise ValueError(message) from error
        return text

    @model_validator(mode="after")
    def _names_and_roles(self) -> Self:
        names = [field.name for field in self.frame]
        roles = [field.role for field in self.frame if field.role != "other"]
        doubles = sorted({x for x in names if names.count(x) > 1} | {x for x in roles if roles.count(x) > 1})
        if doubles:
            raise ValueError(f"twice in the frame: {', '.join(doubles)}")
        for role in ("node", "kind", "sequence", "ticks", "hub_time", "payload"):
            if role not in roles:
                raise ValueError(f"no field has the role {role}")
        for what, seen in (
            ("kind", [str(kind.kind) for kind in self.kinds]),
            ("stream", [kind.stream for kind in self.kinds]),
            ("channel", [channel.name for kind in self.kinds for channel in kind.channels]),
        ):
            if twice := sorted({name for name in seen if seen.count(name) > 1}):
                raise ValueError(f"{what} {', '.join(twice)} is there twice")
        return self

    @model_validator(mode="after")
    def _places(self) -> Self:
        roles = [field.role for field in self.frame]
        before = [field.role for field in self.before]
        for role in ("length", "node", "kind"):
            if role in roles and role not in before:
                raise placed(f"the {role} field must come before the payload", "frame", roles.index(role))
        first_after = len(self.before) + 1
        for part, side, at in ((self.before, "before", 0), (self.after, "after", first_after)):
            if sum(field.bits for field in part) % 8:
                raise placed(f"the fields {side} the payload do not fill whole bytes", "frame", at)
            _whole_runs(part, self.order, "frame", start=at)
        return self

    @model_validator(mode="after")
    def _kinds_fit_the_frame(self) -> Self:
        width = next(field.bits for field in self.frame if field.role == "kind")
        for index, kind in enumerate(self.kinds):
            _whole_runs(kind.fields, self.order, "kinds", index, "fields")
            if kind.kind >= 1 << width:
                raise placed(f"kind {kind.kind} does not fit {width} bits", "kinds", index, "kind")
            if taken := {field.name for field in kind.fields} & {field.name for field in self.frame}:
                found = f"{', '.join(sorted(taken))} is a field of every frame already"
                raise placed(found, "kinds", index, "fields")
        return self

    @model_validator(mode="after")
    def _checksum(self) -> Self:
        checksum = self.field("checksum")
        if checksum is None or checksum.over is None:
            return self
        names = [field.name for field in self.frame]
        place, key = names.index(checksum.name), ("frame", names.index(checksum.name))
        if checksum in self.before:
            raise placed("the checksum must come after the payload", *key)
        if missing := set(checksum.over) - set(names):
            raise placed(f"the checksum covers {', '.join(sorted(missing))}, which is no field", *key)
        first, last = (names.index(name) for name in checksum.over)
        if not first <= last < place:
            covered = " to ".join(checksum.over)
            raise placed(f"the checksum must cover {covered}, fields before it in order", *key)
        if sum(field.bits for field in self.after[: self.after.index(checksum)]) % 8:
            raise placed("the checksum must begin on a whole byte", *key)
        return self

    @cached_property
    def sync_bytes(self) -> bytes:
        return bytes.fromhex(self.sync)

    @cached_property
    def before(self) -> tuple[Field, ...]:
        return self.frame[: [f.role for f in self.frame].index("payload")]

    @cached_property
    def after(self) -> tuple[Field, ...]:
        return self.frame[[f.role for f in self.frame].index("payload") + 1 :]

    @cached_property
    def by_kind(self) -> dict[int, Kind]:
        return {kind.kind: kind for kind in self.kinds}

    @cached_property
    def payload_at(self) -> int:
        """First byte of the payload."""
        return len(self.sync_bytes) + sum(field.bits for field in self.before) // 8

    def field(self, role: Role) -> Field | None:
        return next((field for field in self.frame if field.role == role), None)

    def order_of(self, field: Field) -> Order:
        return field.order or self.order

    def frame_bytes(self, kind: Kind) -> int:
        return self.overhead_bytes + kind.payload_bytes

    def positions(self, kind: Kind) -> dict[str, tuple[Field, int]]:
        """First bit of each field in a frame of ``kind``, the kind's own fields included."""
        places: dict[str, tuple[Field, int]] = {}
        at = 8 * len(self.sync_bytes)
        for field in (*self.before, *kind.fields):
            places[field.name] = (field, at)
            at += field.bits
        at = 8 * (self.payload_at + kind.payload_bytes)
        for field in self.after:
            places[field.name] = (field, at)
            at += field.bits
        return places

    def covered(self, payload_bytes: int) -> tuple[int, int] | None:
        """Half-open byte range that the checksum covers in a frame with so long a payload."""
        checksum = self.field("checksum")
        if checksum is None or checksum.over is None:
            return None
        edges, at = {}, 8 * len(self.sync_bytes)
        for field in self.frame:
            bits = 8 * payload_bytes if field.role == "payload" else field.bits
            edges[field.name] = (at // 8, (at + bits + 7) // 8)
            at += bits
        first, last = checksum.over
        return edges[first][0], edges[last][1]

    def checksum_at(self, frame_bytes: int) -> int:
        """First byte of the checksum in a frame of that length."""
        bits = sum(field.bits for field in self.after[self.after_names.index("checksum") :])
        return frame_bytes - bits // 8

    @cached_property
    def after_names(self) -> list[Role]:
        return [field.role for field in self.after]

    @property
    def overhead_bytes(self) -> int:
        """Bytes of a frame beside its payload."""
        return self.payload_at + sum(field.bits for field in self.after) // 8

    def stream(self, name: str) -> Kind:
        return next(kind for kind in self.kinds if kind.stream == name)


def _whole_runs(fields: tuple[Field, ...], default: Order, *key: str | int, start: int = 0) -> None:
    """A change of bit order inside a byte would give one bit to two fields."""
    at, order = 0, None
    for index, field in enumerate(fields, start):
        own = field.order or default
        if own != order and at % 8:
            raise placed(f"{field.name} changes the bit order inside a byte", *key, index)
        if at % 8 + field.bits > 64:
            raise placed(f"{field.name} lies across more than eight bytes", *key, index)
        at, order = at + field.bits, own


def load_layout(path: Path) -> Layout:
    """Read a layout file; raise SettingsError with key and line where it cannot be used."""
    layout = yamlfile.load(path, Layout)
    sizes = {layout.frame_bytes(kind) for kind in layout.kinds}
    length = layout.field("length")
    if length and max(sizes) - length.plus >= 1 << length.bits:
        raise SettingsError(f"a frame of {max(sizes)} bytes does not fit the length field", str(path))
    return layout
