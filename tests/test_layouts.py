"""Layouts: bits, samples and checksums against published values and naive readings; wrong files refused."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import fastcrc
import numpy as np
import pytest
import yaml
from conftest import CONFIG, decode
from hypothesis import given, settings
from hypothesis import strategies as st

from nodeday.core.errors import SettingsError
from nodeday.layouts import (
    Kind,
    Layout,
    crc,
    decode_fields,
    encode_frames,
    load_layout,
    pack_counts,
    unpack_counts,
)
from nodeday.layouts.codec import get_bits, put_bits
from nodeday.stages.frames.counters import Counters

BELTFRAME = CONFIG / "layouts" / "beltframe.yaml"

# --- checksums ---------------------------------------------------------------------------

CHECK_VALUES = {  # of the ASCII digits 123456789; the public CRC catalogue (reveng)
    "CRC-16/CMS": 0xAEE7,
    "CRC-16/ARC": 0xBB3D,
    "CRC-16/MODBUS": 0x4B37,
    "CRC-16/USB": 0xB4C8,
    "CRC-16/UMTS": 0xFEE8,
    "CRC-16/IBM-3740": 0x29B1,
    "CRC-16/CCITT-FALSE": 0x29B1,
    "CRC-16/XMODEM": 0x31C3,
    "CRC-16/X-25": 0x906E,
    "CRC-16/IBM-SDLC": 0x906E,
    "CRC-16/KERMIT": 0x2189,
    "CRC-16/SPI-FUJITSU": 0xE5CC,
    "CRC-16/GENIBUS": 0xD64E,
    "CRC-8/SMBUS": 0xF4,
    "CRC-8": 0xF4,
    "CRC-8/MAXIM-DOW": 0xA1,
    "CRC-32/ISO-HDLC": 0xCBF43926,
    "CRC-32": 0xCBF43926,
    "CRC-32/ISCSI": 0xE3069283,
    "CRC-32C": 0xE3069283,
}
OTHER_VECTORS = [
    # A frame printed in the application report SWRU295C (p. 46), after its whitening is undone.
    ("CRC-16/CMS", "ab80ff00", 0x1418),
    ("CRC-16/CMS", "03010203", 0x303A),  # computed from the published parameters
    ("CRC-16/CMS", "00", 0xFD02),  # computed from the published parameters
    ("CRC-16/X-25", "ff030021", 0xE6E3),  # computed: a PPP header; RFC 1662 sends its low byte first
]


def rows(message: bytes) -> np.ndarray[Any, Any]:
    return np.frombuffer(message, np.uint8)[None]


@pytest.mark.parametrize(("name", "value"), CHECK_VALUES.items())
def test_published_check_values(name: str, value: int) -> None:
    assert crc.checksums(crc.named(name), rows(b"123456789")).tolist() == [value]
    assert crc.named(name).of(b"123456789") == value


@pytest.mark.parametrize(("name", "message", "value"), OTHER_VECTORS)
def test_other_checksum_vectors(name: str, message: str, value: int) -> None:
    assert crc.checksums(crc.named(name), rows(bytes.fromhex(message))).tolist() == [value]


ORACLES: dict[str, Callable[[bytes], int]] = {
    "CRC-16/CMS": fastcrc.crc16.cms,
    "CRC-16/IBM-3740": fastcrc.crc16.ibm_3740,
    "CRC-16/KERMIT": fastcrc.crc16.kermit,
    "CRC-16/GENIBUS": fastcrc.crc16.genibus,
    "CRC-8/MAXIM-DOW": fastcrc.crc8.maxim_dow,
    "CRC-32/ISO-HDLC": fastcrc.crc32.iso_hdlc,
    "CRC-32/ISCSI": fastcrc.crc32.iscsi,
}


@settings(deadline=None, max_examples=50)
@given(
    name=st.sampled_from(sorted(ORACLES)),
    messages=st.integers(1, 24).flatmap(lambda n: st.lists(st.binary(min_size=n, max_size=n), min_size=1)),
)
def test_checksums_agree_with_another_library(name: str, messages: list[bytes]) -> None:
    table = np.stack([np.frombuffer(message, np.uint8) for message in messages])
    assert crc.checksums(crc.named(name), table).tolist() == [ORACLES[name](message) for message in messages]


# --- bits --------------------------------------------------------------------------------


def naive_bits(frame: bytes, at: int, bits: int, order: str) -> int:
    """The same integer, read one bit at a time.

    big     bit 0 is the most significant of byte 0; the first bit read weighs most
    little  bit 0 is the least significant of byte 0; the first bit read weighs least
    """
    value = 0
    for place in range(bits):
        byte, bit = divmod(at + place, 8)
        if order == "big":
            value = value << 1 | (frame[byte] >> (7 - bit)) & 1
        else:
            value |= ((frame[byte] >> bit) & 1) << place
    return value


@st.composite
def bit_fields(draw: st.DrawFn) -> tuple[int, int]:
    """First bit and width of a field that lies within eight bytes."""
    at = draw(st.integers(0, 40))
    return at, draw(st.integers(1, 64 - at % 8))


@settings(deadline=None, max_examples=50)
@given(st.lists(st.binary(min_size=13, max_size=13), min_size=1, max_size=5), bit_fields(), st.booleans())
def test_bits_are_read_as_one_at_a_time(frames: list[bytes], field: tuple[int, int], signed: bool) -> None:
    at, bits = field
    table = np.stack([np.frombuffer(frame, np.uint8) for frame in frames])
    for order in ("big", "little"):
        expected = [naive_bits(frame, at, bits, order) for frame in frames]
        # 64 bits without a sign share the int64 with those that have one.
        if signed or bits == 64:
            expected = [value - (value >> (bits - 1) << bits) for value in expected]
        assert get_bits(table, at, bits, order, signed).tolist() == expected


@settings(deadline=None, max_examples=50)
@given(bit_fields(), st.sampled_from(["big", "little"]), st.booleans(), st.data())
def test_bits_come_back_and_touch_no_neighbour(
    field: tuple[int, int], order: Any, signed: bool, data: st.DataObject
) -> None:
    at, bits = field
    low, high = (-(1 << (bits - 1)), (1 << (bits - 1)) - 1) if signed else (0, (1 << min(bits, 63)) - 1)
    values = data.draw(st.lists(st.integers(low, high), min_size=1, max_size=5))
    frames = np.zeros((len(values), 13), np.uint8)
    put_bits(frames, at, bits, order, values)
    assert get_bits(frames, at, bits, order, signed).tolist() == values
    touched = np.unpackbits(frames, axis=1, bitorder=order)
    assert not touched[:, :at].any()
    assert not touched[:, at + bits :].any()


# --- samples -----------------------------------------------------------------------------


def kind_of(**more: Any) -> Kind:
    channels = [{"name": name, "unit": "mV"} for name in ("a", "b")]
    return Kind.model_validate(
        {"kind": 1, "stream": "s", "rate_hz": 10, "samples": 1, "channels": channels, "bits": 12} | more
    )


@pytest.mark.parametrize(("order", "packed"), [("big", "ABC123"), ("little", "BC3A12")])
def test_pairs_of_twelve_bits(order: str, packed: str) -> None:
    """a = ABC, b = 123 (hex), computed by hand.

    byte     0     1     2
    big      A B   C 1   2 3
    little   B C   3 A   1 2
    """
    kind = kind_of(order=order)
    assert pack_counts([[[0xABC, 0x123]]], kind).tobytes() == bytes.fromhex(packed)
    assert unpack_counts(rows(bytes.fromhex(packed)), kind).tolist() == [[[0xABC, 0x123]]]
    signed = unpack_counts(rows(bytes.fromhex(packed)), kind_of(order=order, signed=True))
    assert signed.tolist() == [[[0xABC - 0x1000, 0x123]]]


@settings(deadline=None, max_examples=50)
@given(
    st.sampled_from([8, 12, 16, 24, 32]),
    st.sampled_from(["big", "little"]),
    st.booleans(),
    st.integers(1, 5),
    st.data(),
)
def test_samples_come_back(bits: int, order: Any, signed: bool, samples: int, data: st.DataObject) -> None:
    signed = signed or bits == 32
    kind = kind_of(bits=bits, order=order, signed=signed, samples=samples)
    low, high = (-(1 << (bits - 1)), (1 << (bits - 1)) - 1) if signed else (0, (1 << bits) - 1)
    flat = data.draw(st.lists(st.integers(low, high), min_size=4 * samples, max_size=4 * samples))
    counts = np.array(flat).reshape(2, samples, 2)
    packed = pack_counts(counts, kind)
    assert packed.shape == (2, kind.payload_bytes)
    assert unpack_counts(packed, kind).tolist() == counts.tolist()
    naive = [naive_bits(packed[0].tobytes(), place * bits, bits, order) for place in range(2 * samples)]
    assert naive == [value % (1 << bits) for value in flat[: 2 * samples]]


def test_a_count_that_does_not_fit_is_refused() -> None:
    with pytest.raises(ValueError, match="counts 0 to 4096 do not fit 12 bits"):
        pack_counts([[[0, 4096]]], kind_of())


# --- whole frames ------------------------------------------------------------------------


@st.composite
def layouts(draw: st.DrawFn) -> Layout:
    """Layouts with fields of any width in any order, one kind with samples and one with fields."""
    order = draw(st.sampled_from(["big", "little"]))
    widths = {
        "node": draw(st.integers(4, 16)),
        "kind": draw(st.integers(3, 9)),
        "sequence": draw(st.integers(4, 32)),
        "ticks": draw(st.integers(8, 40)),
    }
    before: list[dict[str, Any]] = [
        {"name": role, "role": role, "bits": bits}
        for role, bits in draw(st.permutations(list(widths.items())))
    ]
    spare = -sum(widths.values()) % 8
    if spare:
        before.append({"name": "spare", "bits": spare})
    for field in before:
        if field["name"] == "ticks":
            field["rate_hz"] = 32768
    sync = draw(st.binary(min_size=1, max_size=4)).hex()
    crc_name, bits = draw(st.sampled_from([("CRC-8/SMBUS", 8), ("CRC-16/CMS", 16), ("CRC-32/ISCSI", 32)]))
    over = [before[0]["name"], "payload"]
    frame = [
        *before,
        {"name": "payload", "role": "payload"},
        {"name": "sum", "role": "checksum", "bits": bits, "crc": crc_name, "over": over},
        {"name": "hub", "role": "hub_time", "bits": 32, "unit_ns": 1_000_000},
    ]
    kinds = [
        kind_of(bits=draw(st.sampled_from([8, 12, 16])), order=draw(st.sampled_from(["big", "little"]))),
        {
            "kind": 2,
            "stream": "t",
            "every_s": 1,
            "fields": [{"name": "u", "role": "utc", "bits": 56, "unit_ns": 1000}, {"name": "v", "bits": 8}],
        },
    ]
    return Layout.model_validate(
        {"layout": "any", "sync": sync, "order": order, "frame": frame, "kinds": [dict(kinds[0]), kinds[1]]}
    )


@settings(deadline=None, max_examples=50)
@given(layouts(), st.data())
def test_frames_of_any_layout_come_back(layout: Layout, data: st.DataObject) -> None:
    for kind in layout.kinds:
        sent = {
            field.role if field.role != "other" else name: np.array(
                data.draw(st.lists(st.integers(0, (1 << field.bits) - 1), min_size=3, max_size=3))
            )
            for name, (field, _) in layout.positions(kind).items()
            if field.role not in ("kind", "checksum")
        }
        payload = np.full((3, kind.payload_bytes), 0xA5, np.uint8) if kind.channels else None
        frames = encode_frames(layout, kind, sent, payload)
        assert frames.shape == (3, layout.frame_bytes(kind))
        assert frames[0, : len(layout.sync_bytes)].tobytes() == layout.sync_bytes
        got = decode_fields(frames, layout, kind)
        assert {role: got[role].tolist() for role in sent} == {r: v.tolist() for r, v in sent.items()}
        assert set(got["kind"].tolist()) == {kind.kind}
        check = layout.field("checksum")
        assert check is not None
        first, past = layout.covered(kind.payload_bytes) or (0, 0)
        naive = [check.sum.of(row[first:past].tobytes()) for row in frames]
        assert got["checksum"].tolist() == naive


def test_a_counter_is_cut_to_its_width(beltframe: Layout) -> None:
    kind = beltframe.stream("ecg")
    payload = np.zeros((2, kind.payload_bytes), np.uint8)
    frames = encode_frames(beltframe, kind, {"node": 16, "sequence": [255, 256], "ticks": -1}, payload)
    got = decode_fields(frames, beltframe, kind)
    assert got["sequence"].tolist() == [255, 0]
    assert got["ticks"].tolist() == [2**24 - 1] * 2
    assert got["length"].tolist() == [frames.shape[1] - 3] * 2


# --- wrong layouts -----------------------------------------------------------------------

Change = Callable[[dict[str, Any]], object]
PAYLOAD, BATTERY, SUM = 6, 7, 8


def moved(data: dict[str, Any], field: int, to: int) -> None:
    data["frame"].insert(to, data["frame"].pop(field))


WRONG: dict[str, tuple[Change, str]] = {
    "misspelt key": (
        lambda d: d["kinds"][1].update(sample=3),
        "line 99: unknown key kinds.1.sample (did you mean samples?)",
    ),
    "no sync": (lambda d: d.pop("sync"), "sync: framing by sync word needs at least one byte"),
    "empty sync": (lambda d: d.update(sync=""), "line 4: sync: framing by sync word needs at least one byte"),
    "sync and delimiters": (
        lambda d: d.update(framing="cobs"),
        "line 4: sync: cobs framing has delimiters and no sync word",
    ),
    "sync not hex": (lambda d: d.update(sync="D3 9X"), "line 4: sync: D3 9X is not hex, such as D3 91"),
    "name": (
        lambda d: d["kinds"][0].update(stream="ECG"),
        "kinds.0.stream is 'ECG', not a small letter, then small letters or digits",
    ),
    "width": (
        lambda d: d["frame"][1].update(bits=65),
        "frame.1.bits is 65, not 64 or less",
    ),
    "sample width": (
        lambda d: d["kinds"][0].update(bits=13),
        "kinds.0.bits is 13, not 8, 12, 16, 24 or 32",
    ),
    "ticks without rate": (lambda d: d["frame"][5].pop("rate_hz"), "frame.5: a ticks field needs rate_hz"),
    "hub time without unit": (
        lambda d: d["frame"][9].pop("unit_ns"),
        "frame.9: a hub_time field needs unit_ns",
    ),
    "checksum over nothing": (lambda d: d["frame"][SUM].pop("over"), "a checksum field needs crc and over"),
    "unknown checksum": (
        lambda d: d["frame"][SUM].update(crc="CRC-16/IBM-3704"),
        "no checksum named CRC-16/IBM-3704 (did you mean CRC16-IBM-3740?)",
    ),
    "checksum of another width": (
        lambda d: d["frame"][SUM].update(crc="CRC-8/SMBUS"),
        "frame.8: CRC-8/SMBUS is 8 bits wide, the field 16",
    ),
    "checksum over a stranger": (
        lambda d: d["frame"][SUM].update(over=["size", "batery"]),
        "the checksum covers batery, which is no field",
    ),
    "checksum over itself": (
        lambda d: d["frame"][SUM].update(over=["size", "sum"]),
        "the checksum must cover size to sum, fields before it in order",
    ),
    "checksum inside a byte": (
        lambda d: (
            d["frame"][BATTERY].update(bits=4, order="big"),
            d["frame"].insert(SUM + 1, {"name": "spare", "bits": 4, "order": "big"}),
        ),
        "frame.8: the checksum must begin on a whole byte",
    ),
    "checksum first": (lambda d: moved(d, SUM, 0), "the checksum must come after the payload"),
    "field twice": (lambda d: d["frame"][1].update(name="size"), "twice in the frame: size"),
    "role twice": (lambda d: d["frame"][4].update(role="node"), "twice in the frame: node"),
    "no hub time": (lambda d: d["frame"][9].update(role="other"), "no field has the role hub_time"),
    "kind after the payload": (
        lambda d: (moved(d, 2, BATTERY), moved(d, 2, BATTERY)),
        "frame.6: the kind field must come before the payload",
    ),
    "half a byte": (
        lambda d: d["frame"][3].update(bits=3),
        "the fields before the payload do not fill whole bytes",
    ),
    "bit order": (
        lambda d: d["frame"][3].update(order="big"),
        "frame.3: boot changes the bit order inside a byte",
    ),
    "across nine bytes": (
        lambda d: (
            d["frame"][3].update(bits=2),
            d["frame"][5].update(bits=30),
            d["frame"].insert(4, {"name": "wide", "bits": 60}),
        ),
        "frame.4: wide lies across more than eight bytes",
    ),
    "kind twice": (lambda d: d["kinds"][1].update(kind=1), "kind 1 is there twice"),
    "stream twice": (lambda d: d["kinds"][1].update(stream="ecg"), "stream ecg is there twice"),
    "channel twice": (
        lambda d: d["kinds"][2]["channels"][0].update(name="x"),
        "channel x is there twice",
    ),
    "kind too large": (lambda d: d["kinds"][1].update(kind=16), "kinds.1.kind: kind 16 does not fit 4 bits"),
    "field of a kind": (
        lambda d: d["kinds"][3]["fields"][0].update(name="hub"),
        "kinds.3.fields: hub is a field of every frame already",
    ),
    "channels and fields": (
        lambda d: d["kinds"][0].update(fields=[{"name": "v"}], every_s=1),
        "kinds.0: give either channels or fields",
    ),
    "no rate": (lambda d: d["kinds"][0].pop("rate_hz"), "kinds.0: channels, samples and rate_hz go together"),
    "fields without pace": (
        lambda d: d["kinds"][3].pop("every_s"),
        "kinds.3: fields and every_s go together",
    ),
    "half a sample": (
        lambda d: d["kinds"][0].update(samples=3),
        "kinds.0: 3 samples of 12 bits do not fill whole bytes",
    ),
    "unsigned 32": (
        lambda d: d["kinds"][2].update(bits=32, signed=False),
        "kinds.2: samples of 32 bits must be signed",
    ),
    "a sample's own column": (
        lambda d: d["kinds"][1]["channels"][2].update(name="seq"),
        "kinds.1.channels.2.name: seq is a column of every sample; choose another name",
    ),
    "the session's column": (
        lambda d: d["kinds"][0]["channels"][0].update(name="session"),
        "kinds.0.channels.0.name: session is a column of every sample; choose another name",
    ),
    "no kinds": (
        lambda d: d.update(kinds=[]),
        "kinds is [], not a list of 1 or more",
    ),
    "a kind of nothing": (
        lambda d: d["kinds"].append({"kind": 4, "stream": "link"}),
        "give channels, or fields, or for frames of counters alone every_s",
    ),
    "an ECG of three channels": (
        lambda d: d["kinds"][1].update(type="ecg"),
        "kinds.1.type: ecg needs one channel in mV",
    ),
    "acceleration of one channel": (
        lambda d: d["kinds"][0].update(type="acceleration"),
        "kinds.0.type: acceleration needs the channels x, y and z in g",
    ),
    "temperature in mV": (
        lambda d: d["kinds"][0].update(type="temperature"),
        "kinds.0.type: temperature needs channels in degC",
    ),
    "a timing that is none": (
        lambda d: d["kinds"][0].update(timing="often"),
        "kinds.0.timing is 'often', not regular or irregular",
    ),
    "kinds that nothing tells apart": (
        lambda d: d["frame"][2].update(role="other"),
        "no field has the role kind, which tells its 4 kinds apart; or write a layout for each of them",
    ),
    "too long": (
        lambda d: d["kinds"][0].update(samples=200),
        "a frame of 318 bytes does not fit the length field",
    ),
}


@pytest.mark.parametrize("case", WRONG)
def test_a_wrong_layout_is_refused(case: str, tmp_path: Path) -> None:
    change, sentence = WRONG[case]
    data = yaml.safe_load(BELTFRAME.read_text())
    change(data)
    path = tmp_path / "beltframe.yaml"
    path.write_text(yaml.safe_dump(data, sort_keys=False))
    with pytest.raises(SettingsError) as raised:
        load_layout(path)
    text = str(raised.value)
    assert sentence in text
    assert text.startswith(str(path))
    assert text.endswith(".")
    assert "\n" not in text
    assert raised.value.exit_code == 2


@pytest.mark.parametrize(
    ("old", "new", "sentence"),
    [
        ("order: little\ndelay", "ordr: little\ndelay", "line 5: unknown key ordr (did you mean order?)."),
        (
            "boot, bits: 4",
            "boot, bits: 3",
            "line 9: frame.0: the fields before the payload do not fill whole bytes.",
        ),
        (
            "boot, bits: 4",
            "boot, bits: 4, order: big",
            "line 12: frame.3: boot changes the bit order inside a byte.",
        ),
        (
            "stream: acc",
            "stream: acc\n    stream: gyro",
            "line 34: key stream is there twice; expected each key once.",
        ),
        ("kinds:", "kinds: [", "line 23: is not YAML (expected the node content, but found '-')."),
    ],
)
def test_the_line_is_named(old: str, new: str, sentence: str, tmp_path: Path) -> None:
    path = tmp_path / "beltframe.yaml"
    path.write_text(BELTFRAME.read_text().replace(old, new, 1))
    with pytest.raises(SettingsError) as raised:
        load_layout(path)
    assert str(raised.value) == f"{path} {sentence}"


def test_a_layout_that_is_not_there(tmp_path: Path) -> None:
    path = tmp_path / "none.yaml"
    with pytest.raises(SettingsError) as raised:
        load_layout(path)
    assert str(raised.value) == f"{path}: no such file. Run `nodeday init` for a fresh one."


# --- what a kind is --------------------------------------------------------------------------------


def kind_with(stream: str, units: dict[str, str], **more: Any) -> Kind:
    channels = [{"name": name, "unit": unit} for name, unit in units.items()]
    facts = {"kind": 1, "stream": stream, "rate_hz": 100, "samples": 2, "channels": channels}
    return Kind.model_validate(facts | more)


AXES = {"x": "g", "y": "g", "z": "g"}


@pytest.mark.parametrize(
    ("kind", "is_ecg", "is_acceleration"),
    [
        (kind_with("ecg", {"ecg": "mV"}), True, False),
        (kind_with("lead", {"v": "mV"}), False, False),
        (kind_with("lead", {"v": "mV"}, type="ecg"), True, False),
        (kind_with("ecg", {"ecg": "mV"}, type="other"), False, False),
        (kind_with("move", AXES), False, True),
        (kind_with("move", AXES, type="acceleration"), False, True),
        (kind_with("move", AXES, type="other"), False, False),
        (kind_with("ecg", {"ecg": "degC"}, type="temperature"), False, False),
    ],
)
def test_a_declared_type_wins(kind: Kind, is_ecg: bool, is_acceleration: bool) -> None:
    assert (kind.is_ecg, kind.is_acceleration) == (is_ecg, is_acceleration)


@pytest.mark.parametrize(
    ("timing", "declared"), [({}, None), ({"timing": "regular"}, True), ({"timing": "irregular"}, False)]
)
def test_a_declared_timing_reaches_the_counters(timing: dict[str, str], declared: bool | None) -> None:
    data = yaml.safe_load(BELTFRAME.read_text())
    data["kinds"][0].update(timing)
    layout = Layout.model_validate(data)
    counters = Counters([(layout, layout.kinds[0])])
    assert counters._pace(0, 0).declared is declared


def test_frames_of_counters_alone() -> None:
    data = yaml.safe_load(BELTFRAME.read_text())
    data["kinds"].append({"kind": 4, "stream": "link", "every_s": 2})
    layout = Layout.model_validate(data)
    link = layout.stream("link")
    assert layout.frame_bytes(link) == layout.overhead_bytes
    assert link.period_s == 2.0
    raw = encode_frames(layout, link, {"node": 16, "sequence": np.arange(300)}).tobytes()
    frames, rejects = decode(raw, layout, {16: "heart"})
    assert frames["seq"].tolist() == list(range(300))
    assert set(frames["samples"]) == {0}
    assert not rejects
