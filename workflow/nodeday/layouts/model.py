"""What a layout file may say, and everything about it that can be refused before a byte is read.

A frame as the layout lists it, first byte on the air to the left::

    | sync | fields before the payload | payload of the kind | fields after the payload |

Framing by sync word finds frames by their first bytes; COBS, SLIP and HDLC-like framing put a
delimiter between frames and keep it out of them, and then the layout has no sync word.
"""

from __future__ import annotations

from functools import cached_property
from pathlib import Path
from typing import Literal, Self

from pydantic import Field as Setting
from pydantic import field_validator, model_validator

from nodeday.core import yaml_io
from nodeday.core.errors import SettingsError
from nodeday.core.yaml_io import Strict, error_at
from nodeday.layouts.parts import Field, Kind, Order, Role

Framing = Literal["sync", "cobs", "slip", "hdlc"]


class Layout(Strict):
    """A layout file. ``at`` of a field is its first bit in the frame of a kind."""

    layout: str
    about: str = ""
    framing: Framing = "sync"
    sync: str = Setting(default="", description="bytes that open each frame, in hex")
    order: Order = "little"
    delay_ms: float = Setting(default=0.0, ge=0, description="airtime plus handler time, constant part")
    frame: tuple[Field, ...]
    kinds: tuple[Kind, ...]

    @field_validator("sync")
    @classmethod
    def _hex(cls, text: str) -> str:
        try:
            bytes.fromhex(text)
        except ValueError:
            raise ValueError(f"{text} is not hex, such as D3 91") from None
        return text

    @model_validator(mode="after")
    def _sync_or_delimiters(self) -> Self:
        if self.framing == "sync" and not self.sync_bytes:
            raise error_at("framing by sync word needs at least one byte", "sync")
        if self.framing != "sync" and self.sync_bytes:
            raise error_at(f"{self.framing} framing has delimiters and no sync word", "sync")
        return self

    @model_validator(mode="after")
    def _names_and_roles(self) -> Self:
        names = [field.name for field in self.frame]
        roles = [field.role for field in self.frame if field.role != "other"]
        doubles = sorted({x for x in names if names.count(x) > 1} | {x for x in roles if roles.count(x) > 1})
        if doubles:
            raise ValueError(f"twice in the frame: {', '.join(doubles)}")
        needed = [
            "node",
            "sequence",
            "hub_time",
            "payload",
            *(["kind"] if len(self.kinds) > 1 else []),
        ]
        for role in needed:
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
                raise error_at(f"the {role} field must come before the payload", "frame", roles.index(role))
        first_after = len(self.before) + 1
        for part, side, at in ((self.before, "before", 0), (self.after, "after", first_after)):
            if sum(field.bits for field in part) % 8:
                raise error_at(f"the fields {side} the payload do not fill whole bytes", "frame", at)
            _whole_runs(part, self.order, "frame", start=at)
        return self

    @model_validator(mode="after")
    def _kinds_fit_the_frame(self) -> Self:
        number = self.field("kind")
        width = number.bits if number else 64
        sequence = self.field("sequence")
        for index, kind in enumerate(self.kinds):
            _whole_runs(kind.fields, self.order, "kinds", index, "fields")
            if kind.kind >= 1 << width:
                raise error_at(f"kind {kind.kind} does not fit {width} bits", "kinds", index, "kind")
            if sequence and (1 << sequence.bits) % kind.interleave:
                found = f"{kind.interleave} does not divide the range of the sequence number"
                raise error_at(found, "kinds", index, "interleave")
            if taken := {field.name for field in kind.fields} & {field.name for field in self.frame}:
                found = f"{', '.join(sorted(taken))} is a field of every frame already"
                raise error_at(found, "kinds", index, "fields")
        return self

    @model_validator(mode="after")
    def _checksum(self) -> Self:
        checksum = self.field("checksum")
        if checksum is None or checksum.over is None:
            return self
        names = [field.name for field in self.frame]
        place, key = names.index(checksum.name), ("frame", names.index(checksum.name))
        if checksum in self.before:
            raise error_at("the checksum must come after the payload", *key)
        if missing := set(checksum.over) - set(names):
            raise error_at(f"the checksum covers {', '.join(sorted(missing))}, which is no field", *key)
        first, last = (names.index(name) for name in checksum.over)
        if not first <= last < place:
            covered = " to ".join(checksum.over)
            raise error_at(f"the checksum must cover {covered}, fields before it in order", *key)
        if sum(field.bits for field in self.after[: self.after.index(checksum)]) % 8:
            raise error_at("the checksum must begin on a whole byte", *key)
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

    @property
    def has_ticks(self) -> bool:
        """Whether frames carry the node's ticks; else each stream's sequence number stands in."""
        return self.field("ticks") is not None

    def tick_hz(self, stream: str) -> float:
        """Nominal ticks a second. Without a field of ticks, a tick is a sample instant of the stream."""
        ticks, kind = self.field("ticks"), self.stream(stream)
        return (ticks.rate_hz if ticks else None) or kind.rate_hz or 1.0 / kind.period_s

    def tick_range(self, stream: str) -> int:
        """After how many ticks the count begins anew."""
        ticks, sequence, kind = self.field("ticks"), self.field("sequence"), self.stream(stream)
        if ticks is not None:
            return 1 << ticks.bits
        return (1 << (sequence.bits if sequence else 62)) * max(kind.samples, 1)

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
            raise error_at(f"{field.name} changes the bit order inside a byte", *key, index)
        if at % 8 + field.bits > 64:
            raise error_at(f"{field.name} lies across more than eight bytes", *key, index)
        at, order = at + field.bits, own


def load_layout(path: Path) -> Layout:
    """Read a layout file; raise SettingsError with key and line where it cannot be used."""
    layout = yaml_io.load(path, Layout)
    sizes = {layout.frame_bytes(kind) for kind in layout.kinds}
    length = layout.field("length")
    if length and max(sizes) - length.plus >= 1 << length.bits:
        raise SettingsError(f"a frame of {max(sizes)} bytes does not fit the length field", str(path))
    return layout
