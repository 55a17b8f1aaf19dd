"""Framings by delimiters: published vectors, other libraries' encoders, the simulator's truth."""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import sliplib
import yaml
from cobs import cobs
from conftest import decode
from hypothesis import given, settings
from hypothesis import strategies as st

from nodeday.config.study import Study
from nodeday.layouts import Layout, crc, stuff
from nodeday.layouts.model import Framing
from nodeday.stages.frames import framing
from nodeday.stages.simulate.scenario import random_scenario
from nodeday.stages.simulate.session import simulate_session

ROOT = Path(__file__).parents[1]
DEMO = yaml.safe_load((ROOT / "config" / "layouts" / "beltframe.yaml").read_text())
DELIMITED: tuple[Framing, ...] = ("cobs", "slip", "hdlc")

# Cheshire and Baker 1999 (COBS), the examples; the long ones straddle the 254-byte run.
COBS = {
    "00": "01 01",
    "00 00": "01 01 01",
    "11 22 00 33": "03 11 22 02 33",
    "11 22 33 44": "05 11 22 33 44",
    "11 00 00 00": "02 11 01 01 01",
    bytes(range(1, 255)).hex(): "ff" + bytes(range(1, 255)).hex(),
    bytes(range(255)).hex(): "01 ff" + bytes(range(1, 255)).hex(),
    bytes(range(1, 256)).hex(): "ff" + bytes(range(1, 255)).hex() + "02 ff",
    (bytes(range(2, 256)) + b"\0").hex(): "ff" + bytes(range(2, 256)).hex() + "01 01",
    (bytes(range(3, 256)) + b"\0\1").hex(): "fe" + bytes(range(3, 256)).hex() + "02 01",
}
# RFC 1055: END C0 becomes DB DC, ESC DB becomes DB DD.
SLIP = {"c0": "db dc", "db": "db dd", "01 c0 02 db 03": "01 db dc 02 db dd 03", "dc dd": "dc dd"}
# RFC 1662 section 4.2: 7E becomes 7D 5E, 7D becomes 7D 5D.
HDLC = {"7e": "7d 5e", "7d": "7d 5d", "ff 03 00 21 7e 7d": "ff 03 00 21 7d 5e 7d 5d"}
VECTORS = [
    (f, plain, wire)
    for f, table in (("cobs", COBS), ("slip", SLIP), ("hdlc", HDLC))
    for plain, wire in table.items()
]
ENCODERS: dict[str, Callable[[bytes], bytes]] = {
    "cobs": lambda frame: cobs.encode(frame) + b"\0",
    "slip": lambda frame: sliplib.encode(frame) + b"\xc0",
    "hdlc": lambda f: f.replace(b"\x7d", b"\x7d\x5d").replace(b"\x7e", b"\x7d\x5e") + b"\x7e",
}


def layout(kind: Framing) -> Layout:
    """The demo's layout in another framing."""
    return Layout.model_validate({**DEMO, "framing": kind, "sync": ""})


def unstuffed(wire: bytes, kind: Framing) -> list[bytes | None]:
    """Contents of the chunks of ``wire``; null for one that breaks the rules."""
    whole = framing.chunks(np.frombuffer(wire, np.uint8), kind)
    return [
        whole.content[at : at + size].tobytes() if sound else None
        for at, size, sound in zip(whole.at, whole.size, whole.sound, strict=True)
    ]


@pytest.mark.parametrize(("kind", "plain", "wire"), VECTORS)
def test_published_vectors(kind: Framing, plain: str, wire: str) -> None:
    content = np.frombuffer(bytes.fromhex(plain), np.uint8)
    sent, sizes = stuff(content[None], kind)
    delimiter = framing.DELIMITER[kind]
    assert sent.tobytes() == bytes.fromhex(wire) + bytes([delimiter])
    assert sizes.tolist() == [len(sent)]
    assert unstuffed(sent.tobytes(), kind) == [content.tobytes()]


def test_frame_check_sequence_of_ppp() -> None:
    """RFC 1662 appendix C: the FCS of FF 03 00 21, low byte first, leaves the good residue F0B8."""
    fcs = crc.named("CRC-16/IBM-SDLC")
    message = bytes.fromhex("ff 03 00 21")
    assert fcs.of(message) == 0xE6E3
    whole = message + fcs.of(message).to_bytes(2, "little")
    assert fcs.of(whole) ^ fcs.xorout == 0xF0B8


@pytest.mark.parametrize("kind", DELIMITED)
@settings(deadline=None, max_examples=50)
@given(frames=st.lists(st.binary(min_size=1, max_size=600), max_size=8), spare=st.integers(0, 3))
def test_other_libraries_encoders_are_understood(kind: Framing, frames: list[bytes], spare: int) -> None:
    """cobs and sliplib as independent encoders; spare delimiters between frames change nothing."""
    wire = bytes([framing.DELIMITER[kind]]) * spare + b"".join(ENCODERS[kind](frame) for frame in frames)
    assert unstuffed(wire, kind) == frames
    for frame in frames:
        sent, _ = stuff(np.frombuffer(frame, np.uint8)[None], kind)
        assert sent.tobytes() == ENCODERS[kind](frame)


@pytest.mark.parametrize(
    ("kind", "wire"),
    [
        ("cobs", "05 11 22 00"),
        ("cobs", "ff 01 00"),
        ("slip", "01 db 02 c0"),
        ("slip", "01 db c0"),
        ("hdlc", "01 7d 7e"),
        ("hdlc", "01 7d 7d 02 7e"),
    ],
)
def test_broken_stuffing_is_seen(kind: Framing, wire: str) -> None:
    assert unstuffed(bytes.fromhex(wire), kind) == [None]


@pytest.mark.parametrize("kind", DELIMITED)
def test_random_captures_equal_the_truth(kind: Framing) -> None:
    """Everything wrong at once: what was received is found exactly, and bytes tile."""
    one, nodes = layout(kind), Study(ROOT).nodes_of("S01-clean")
    names = {address: node.node for address, node in nodes.items()}
    wrong = []
    for seed in range(20):
        raw, truth = simulate_session(random_scenario(seed), one, nodes)
        frames, rejects = decode(raw, one, names)
        good = len(frames)
        sent = sum(int(each.received.sum()) for each in truth.streams.values())
        sent += sum(truth.duplicates.values())
        spans = [(o, o + n) for o, n in zip(frames.offset, frames.length, strict=True)]
        spans = sorted(spans + [(each.start, each.end) for each in rejects])
        tiles = spans[0][0] == 0 and spans[-1][1] == len(raw)
        if good != sent or not tiles or any(a[1] != b[0] for a, b in pairwise(spans)):
            wrong.append(f"seed {seed}: {good} frames, truly {sent}, tiled {tiles}")
    assert not wrong, "\n".join(wrong)


@pytest.mark.parametrize("kind", DELIMITED)
@settings(deadline=None, max_examples=40)
@given(data=st.data())
def test_any_damage_any_cut(kind: Framing, data: st.DataObject) -> None:
    """Damage anywhere, pieces of any size: bytes tile, and the cut into pieces does not matter."""
    one, nodes = layout(kind), Study(ROOT).nodes_of("S01-clean")
    names = {address: node.node for address, node in nodes.items()}
    raw = bytearray(CAPTURE[kind])
    for _ in range(data.draw(st.integers(0, 6))):
        at = data.draw(st.integers(0, len(raw) - 1))
        how = data.draw(st.sampled_from(["flip", "insert", "cut", "delimiters"]))
        if how == "flip":
            raw[at] ^= data.draw(st.integers(1, 255))
        elif how == "insert":
            raw[at:at] = data.draw(st.binary(max_size=400))
        elif how == "cut":
            del raw[at : at + data.draw(st.integers(1, 60))]
        else:
            raw[at:at] = bytes([framing.DELIMITER[kind]]) * data.draw(st.integers(1, 300))
    whole, rejects = decode(bytes(raw), one, names)
    spans = [(o, o + n) for o, n in zip(whole.offset, whole.length, strict=True)] if len(whole) else []
    spans = sorted(spans + [(each.start, each.end) for each in rejects])
    assert spans[0][0] == 0
    assert spans[-1][1] == len(raw)
    assert all(a[1] == b[0] for a, b in pairwise(spans))
    cut, cut_rejects = decode(bytes(raw), one, names, data.draw(st.integers(1, 500)))
    assert cut_rejects == rejects
    assert cut.get("offset", pd.Series()).tolist() == whole.get("offset", pd.Series()).tolist()


CAPTURE = {
    kind: simulate_session(random_scenario(3), layout(kind), Study(ROOT).nodes_of("S01-clean"))[0][:2500]
    for kind in DELIMITED
}
