"""A layout file as a model, which refuses everything that can be refused before a byte is read.

A frame as the layout lists it, first byte on the air to the left::

    | sync | fields before the payload | payload of the kind | fields after the payload |

With framing by sync word, a frame is found by its first bytes. COBS, SLIP and HDLC-like framing put
a delimiter between frames and keep its value out of them; such a layout has no sync word.
"""

from __future__ import annotations

from functools import cached_property
from pathlib import Path
from typing import Literal, Self

from pydantic import Field as Setting
from pydantic import field_validator, model_validator

from nodeday.core import yaml_io
from nodeday.core.yaml_io import Strict, error_at
from nodeday.layouts.parts import Field, Kind, Order, Role, apart_from

Framing = Literal["sync", "cobs", "slip", "hdlc"]


class Layout(Strict):
    """A layout file."""

    layout: str
    about: str = ""
    framing: Framing = "sync"
    sync: str = Setting(default="", description="bytes that open each frame, in hex")
    order: Order = "little"
    delay_ms: float = Setting(default=0.0, ge=0, description="airtime plus handler time, constant part")
    frame: tuple[Field, ...]
    kinds: tuple[Kind, ...] = Setting(min_length=1)

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
                hint = f", which tells its {len(self.kinds)} kinds apart; or write a layout for each of them"
                raise ValueError(f"no field has the role {role}{hint if role == 'kind' else ''}")
        for what, seen in (
            ("kind", [str(kind.kind) for kind in self.kinds]),
            ("stream", [kind.stream for kind in self.kinds if not kind.channels]),
            ("channel", [channel.name for kind in self.streams for channel in kind.channels]),
        ):
            if twice := sorted({name for name in seen if seen.count(name) > 1}):
                raise ValueError(f"{what} {', '.join(twice)} is there twice")
        return self

    @model_validator(mode="after")
    def _order_of_fields(self) -> Self:
        roles = [field.role for field in self.frame]
        before = [field.role for field in self.before]
        for role in ("length", "node", "kind"):
            if role in roles and role not in before:
                raise error_at(f"the {role} field must come before the payload", "frame", roles.index(role))
        first_after = len(self.before) + 1
        for part, side, at in ((self.before, "before", 0), (self.after, "after", first_after)):
            if sum(field.bits for field in part) % 8:
                raise error_at(f"the fields {side} the payload do not fill whole bytes", "frame", at)
            _check_bytes(part, self.order, "frame", start=at)
        return self

    @model_validator(mode="after")
    def _kinds_fit_the_frame(self) -> Self:
        number = self.field("kind")
        width = number.bits if number else 64
        sequence = self.field("sequence")
        for index, kind in enumerate(self.kinds):
            _check_bytes(kind.fields, self.order, "kinds", index, "fields")
            names = [field.name for field in kind.fields]
            if twice := sorted({name for name in names if names.count(name) > 1}):
                raise error_at(f"field {', '.join(twice)} is there twice", "kinds", index, "fields")
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
    def _kinds_of_one_stream(self) -> Self:
        """Refuse two kinds of a stream that could not be told apart or joined in one table."""
        for index, kind in enumerate(self.kinds):
            first = self.stream(kind.stream)
            if found := apart_from(first, kind):
                twice = f"stream {kind.stream} is there twice, and its kinds {first.kind} and {kind.kind}"
                raise error_at(f"{twice} {found}", "kinds", index)
            if kind is not first and not self.has_ticks:
                found = f"stream {kind.stream} has two kinds, and only a ticks field could time its frames"
                raise error_at(found, "kinds", index, "stream")
        return self

    @model_validator(mode="after")
    def _checksum(self) -> Self:
        checksum = self.field("checksum")
        if checksum is None or checksum.over is None:
            return self
        names = [field.name for field in self.frame]
        index = names.index(checksum.name)
        key = ("frame", index)
        if checksum in self.before:
            raise error_at("the checksum must come after the payload", *key)
        if missing := set(checksum.over) - set(names):
            raise error_at(f"the checksum covers {', '.join(sorted(missing))}, which is no field", *key)
        first, last = (names.index(name) for name in checksum.over)
        if not first <= last < index:
            covered = " to ".join(checksum.over)
            raise error_at(f"the checksum must cover {covered}, fields before it in order", *key)
        if sum(field.bits for field in self.after[: self.after.index(checksum)]) % 8:
            raise error_at("the checksum must begin on a whole byte", *key)
        return self

    @model_validator(mode="after")
    def _length_fits(self) -> Self:
        largest = max(self.frame_bytes(kind) for kind in self.kinds)
        length = self.field("length")
        if length and largest - length.plus >= 1 << length.bits:
            raise ValueError(f"a frame of {largest} bytes does not fit the length field")
        return self

    @cached_property
    def sync_bytes(self) -> bytes:
        return bytes.fromhex(self.sync)

    @cached_property
    def _payload_index(self) -> int:
        return next(index for index, field in enumerate(self.frame) if field.role == "payload")

    @cached_property
    def before(self) -> tuple[Field, ...]:
        """Fields before the payload."""
        return self.frame[: self._payload_index]

    @cached_property
    def after(self) -> tuple[Field, ...]:
        """Fields after the payload."""
        return self.frame[self._payload_index + 1 :]

    @cached_property
    def by_kind(self) -> dict[int, Kind]:
        return {kind.kind: kind for kind in self.kinds}

    @cached_property
    def payload_at(self) -> int:
        """First byte of the payload."""
        return len(self.sync_bytes) + sum(field.bits for field in self.before) // 8

    def field(self, role: Role) -> Field | None:
        """Return the field of the frame that has ``role``, None where there is none."""
        return next((field for field in self.frame if field.role == role), None)

    @property
    def has_ticks(self) -> bool:
        """Whether frames hold the node's ticks; otherwise each stream's sequence number stands for them."""
        return self.field("ticks") is not None

    @property
    def network_ticks(self) -> Field | None:
        """Return the ticks field where ticks count the one time of a network, else None."""
        ticks = self.field("ticks")
        return ticks if ticks is not None and ticks.time_source == "network" else None

    def tick_hz(self, stream: str) -> float:
        """Return nominal ticks per second of ``stream``.

        Where frames hold no ticks, a tick is a sample instant of the stream.
        """
        ticks, kind = self.field("ticks"), self.stream(stream)
        return (ticks.rate_hz if ticks else None) or kind.rate_hz or 1.0 / kind.period_s

    def tick_range(self, stream: str) -> int:
        """Return after how many ticks the count wraps to zero."""
        ticks, sequence, kind = self.field("ticks"), self.field("sequence"), self.stream(stream)
        if ticks is not None:
            return 1 << ticks.bits
        return (1 << (sequence.bits if sequence else 62)) * max(kind.samples, 1)

    def order_of(self, field: Field) -> Order:
        """Return the bit and byte order of ``field``."""
        return field.order or self.order

    def frame_bytes(self, kind: Kind) -> int:
        """Return the length of a frame of ``kind``."""
        return self.overhead_bytes + kind.payload_bytes

    def positions(self, kind: Kind) -> dict[str, tuple[Field, int]]:
        """Return each field in a frame of ``kind`` with its first bit, by name; the kind's fields too."""
        positions: dict[str, tuple[Field, int]] = {}
        at = 8 * len(self.sync_bytes)
        for field in (*self.before, *kind.fields):
            positions[field.name] = (field, at)
            at += field.bits
        at = 8 * (self.payload_at + kind.payload_bytes)
        for field in self.after:
            positions[field.name] = (field, at)
            at += field.bits
        return positions

    def covered(self, payload_bytes: int) -> tuple[int, int] | None:
        """Return the half-open byte range under the checksum in a frame with a payload of that length."""
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
        """Return the first byte of the checksum in a frame of that length."""
        index = [field.role for field in self.after].index("checksum")
        return frame_bytes - sum(field.bits for field in self.after[index:]) // 8

    @property
    def overhead_bytes(self) -> int:
        """Bytes of a frame without its payload."""
        return self.payload_at + sum(field.bits for field in self.after) // 8

    @cached_property
    def streams(self) -> tuple[Kind, ...]:
        """The first kind of each stream, which has its channels and its type."""
        return tuple({kind.stream: kind for kind in reversed(self.kinds)}.values())[::-1]

    def stream(self, name: str) -> Kind:
        """Return the first kind of frame that holds the stream ``name``."""
        return next(kind for kind in self.kinds if kind.stream == name)

    def kinds_of(self, stream: str) -> tuple[Kind, ...]:
        """Return every kind of frame that holds ``stream``: one for each of its rates or packings."""
        return tuple(kind for kind in self.kinds if kind.stream == stream)


def _check_bytes(fields: tuple[Field, ...], default: Order, *key: str | int, start: int = 0) -> None:
    """Refuse a change of bit order inside a byte, which would give one bit to two fields."""
    at, order = 0, None
    for index, field in enumerate(fields, start):
        new = field.order or default
        if new != order and at % 8:
            raise error_at(f"{field.name} changes the bit order inside a byte", *key, index)
        if at % 8 + field.bits > 64:
            raise error_at(f"{field.name} lies across more than eight bytes", *key, index)
        at, order = at + field.bits, new


def load_layout(path: Path) -> Layout:
    """Return a layout file; raise SettingsError with key and line where it cannot be used."""
    return yaml_io.load(path, Layout)
