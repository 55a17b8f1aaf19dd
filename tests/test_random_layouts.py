"""Random layouts: what nodeday encodes, the declarative parser `construct` reads, and the reverse."""

from __future__ import annotations

from typing import Any

import construct
import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from nodeday.layouts import Kind, Layout, decode_fields, encode_frames, pack_counts, stuff, unpack_counts
from nodeday.stages.frames.scan import scan
from nodeday.stages.frames.validate import Spoken

ROLES = {"node": (4, 16), "kind": (3, 8), "sequence": (4, 32), "ticks": (8, 48), "hub_time": (8, 56)}
EXTRA = {"ticks": {"rate_hz": 1000.0}, "hub_time": {"unit_ns": 1000}}


@st.composite
def runs(draw: st.DrawFn, roles: list[str], prefix: str) -> list[dict[str, Any]]:
    """Fields of ``roles`` and others between them, filled up to whole bytes, each run in one order."""
    fields: list[dict[str, Any]] = []
    wanted = [*roles, *draw(st.lists(st.just("other"), max_size=2))]
    for number, role in enumerate(draw(st.permutations(wanted))):
        low, high = ROLES.get(role, (1, 20))
        order = draw(st.sampled_from(["big", "little"]))
        bits = draw(st.integers(low, high))
        bits = -(-bits // 8) * 8 if order == "little" else bits
        signed = role == "other" and draw(st.booleans())
        told = {"name": f"{prefix}{number}", "role": role, "bits": bits, "order": order, "signed": signed}
        fields.append(told | EXTRA.get(role, {}))
        if bits % 8:  # the rest of the byte, so that the next field may have either order
            fields.append({"name": f"{prefix}{number}pad", "bits": 8 - bits % 8, "order": "big"})
    return fields


@st.composite
def kinds(draw: st.DrawFn) -> list[dict[str, Any]]:
    out = []
    for number in range(draw(st.integers(1, 3))):
        width, bits = draw(st.integers(1, 3)), draw(st.sampled_from([8, 12, 16, 24, 32]))
        samples = draw(st.integers(1, 6)) * (2 if bits == 12 else 1)
        channels = [{"name": f"c{number}{k}", "unit": "g"} for k in range(width)]
        if draw(st.booleans()) and draw(st.booleans()):
            out.append({"kind": number, "stream": f"s{number}", "every_s": 1.0})  # counters alone
            continue
        out.append(
            {
                "kind": number,
                "stream": f"s{number}",
                "rate_hz": 10.0,
                "samples": samples,
                "bits": bits,
                "signed": bits == 32 or draw(st.booleans()),
                "channels": channels,
                "order": draw(st.sampled_from(["big", "little"])),
            }
        )
    return out


@st.composite
def layouts(draw: st.DrawFn) -> Layout:
    framing = draw(st.sampled_from(["sync", "cobs", "slip", "hdlc"]))
    after = draw(st.sampled_from([["hub_time"], []]))
    before = [role for role in ROLES if role not in after]
    checksum = draw(st.sampled_from(["CRC-8/SMBUS", "CRC-16/IBM-3740", "CRC-16/KERMIT", "CRC-32/ISO-HDLC"]))
    bits = int(checksum.split("/")[0].removeprefix("CRC-"))
    head = draw(runs(before, "h"))
    sum_ = {
        "name": "sum",
        "role": "checksum",
        "bits": bits,
        "crc": checksum,
        "over": [head[0]["name"], "payload"],
        "order": draw(st.sampled_from(["big", "little"])),
    }
    frame = [*head, {"name": "payload", "role": "payload"}, sum_, *draw(runs(after, "t"))]
    sync = draw(st.binary(min_size=1, max_size=4)).hex() if framing == "sync" else ""
    told = {"layout": "random", "framing": framing, "sync": sync, "frame": frame, "kinds": draw(kinds())}
    return Layout.model_validate(told)


def parser(layout: Layout, kind: Kind) -> construct.Construct:
    """The same frame, told to the declarative parser."""
    parts: list[Any] = [construct.Const(layout.sync_bytes)]
    places = sorted(layout.positions(kind).items(), key=lambda item: item[1][1])
    bits: list[Any] = []
    after_payload = {field.name for field in layout.after}
    payload_told = False
    for name, (field, at) in places:
        if name in after_payload and not payload_told:
            parts.append("payload" / construct.Bytes(kind.payload_bytes))
            payload_told = True
        order = layout.order_of(field)
        if order == "little" or field.role == "checksum":
            swapped = order == "little"
            parts.append(name / construct.BytesInteger(field.bits // 8, signed=field.signed, swapped=swapped))
            continue
        bits.append(name / construct.BitsInteger(field.bits, signed=field.signed))
        if (at + field.bits) % 8 == 0:
            parts.append(f"bits{at}" / construct.BitStruct(*bits))
            bits = []
    return construct.Struct(*parts)


def flat(container: Any) -> dict[str, Any]:
    out: dict[str, Any] = {}
    for name, value in container.items():
        if str(name).startswith("bits"):
            out |= flat(value)
        elif not str(name).startswith("_"):
            out[str(name)] = value
    return out


@settings(deadline=None, max_examples=60)
@given(layout=layouts(), seed=st.integers(0, 2**32))
def test_the_declarative_parser_reads_what_nodeday_writes(layout: Layout, seed: int) -> None:
    rng = np.random.default_rng(seed)
    wire, sent = [], []
    for kind in layout.kinds:
        n, fields = 3, {}
        for name, (field, _) in layout.positions(kind).items():
            if field.role in ("kind", "checksum"):
                continue
            width = field.bits - (1 if field.signed else 0)
            low = -(1 << width) if field.signed else 0
            values = rng.integers(low, 1 << width, n, dtype=np.int64)
            fields[name if field.role == "other" else field.role] = values
        half = 1 << (kind.bits - 1)
        low, high = (-half, half) if kind.signed else (0, 2 * half)
        counts = rng.integers(low, high, (n, kind.samples, len(kind.channels)))
        frames = encode_frames(layout, kind, fields, pack_counts(counts, kind))
        own, oracle = decode_fields(frames, layout, kind), parser(layout, kind)
        for row, frame in enumerate(frames):
            read = flat(oracle.parse(frame.tobytes()))
            for name, (field, _) in layout.positions(kind).items():
                key = name if field.role == "other" else field.role
                assert read[name] == int(own[key][row]), (name, field)
                if key in fields:
                    assert read[name] == int(fields[key][row])
            assert read["payload"] == pack_counts(counts, kind)[row].tobytes()
        body = frames[:, layout.payload_at : layout.payload_at + kind.payload_bytes]
        assert (unpack_counts(np.ascontiguousarray(body), kind) == counts).all()
        wire.append(stuff(frames, layout.framing)[0].tobytes())
        sent.append(n)
    found = {kind.kind: 0 for kind in layout.kinds}
    for block in scan([b"".join(wire)], [Spoken(layout, None)]):
        for each in block.frames:
            found[each.kind.kind] += len(each.start)
    # Short sync words and 8-bit checksums may let a false frame hide a true one now and then.
    assert sum(found.values()) >= sum(sent) - (3 if layout.field("checksum").bits == 8 else 0)  # type: ignore[union-attr]
