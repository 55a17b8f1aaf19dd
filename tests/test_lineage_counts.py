"""Rows of every table of two sessions traced: no exception, and counts of the steps are those of the row.

The capture is made by plain Python that shares no code with the package::

    hub clock   500 ------------------- 758 | 2 ---------------- 242       restarts at second 260
    S1          |--------------------------------------------------|       with a transmit list
    mid                [-----------------------------)                     both edges inside lost frames
"""

from __future__ import annotations

import struct

import numpy as np
import pandas as pd
import pytest
import sent_lists
import test_changing_rate as plain
from numpy.typing import NDArray
from test_changing_rate import DELAY_S, RATE, START_S, TICK_HZ, Sender

from nodeday.cli.main import main
from nodeday.config.study import Study
from nodeday.core.errors import GOOD

HEART, SKIN, TRUNK = 16, 17, 18
HUB_FROM_S, HUB_OFF_S, HUB_ON_S, END_S = 500.0, 258.0, 260.0, 480.0
SKIN_RESTARTS_S = 150.0
MORE = """
  - {name: slot, role: other, bits: 8}
  - {name: cell, role: battery, bits: 8, scale: 0.02}
  - {name: payload, role: payload}"""
LAYOUT = (
    plain.LAYOUT.format(counter_bits=16)
    .replace("\n  - {name: payload, role: payload}", MORE)
    .replace("\nkinds:", "\n  - {name: rssi, role: rssi, bits: 8, signed: true}\nkinds:")
)
"""With a field of its own, the voltage of the battery, and the strength of the signal."""
STUDY = """
study: trial
zone: UTC
grid: {rate_hz: 50}
epochs: {seconds: 30}
fill: {ecg: {method: pattern, max_ms: 250, context_ms: 200, min_probability: 0.3}}
"""


def heart(seconds: float, rate: int, scale: float, from_s: float) -> NDArray[np.int64]:
    """Counts (n,) of 75 beats a minute: an R peak of 1.2 mV, a T wave, and noise."""
    phase = (from_s + np.arange(int(seconds * rate)) / rate) % 0.8 - 0.4
    wave = 1.2 * np.exp(-((phase / 0.012) ** 2)) + 0.2 * np.exp(-(((phase - 0.2) / 0.05) ** 2))
    noise = 0.01 * np.random.default_rng(rate).standard_normal(len(phase))
    return np.rint((wave + noise) / scale).astype(np.int64)


def walk(seconds: float, rate: int) -> NDArray[np.int64]:
    """Counts (n, 3) of 120 steps a minute for three minutes of four, then of standing."""
    at = np.arange(int(seconds * rate)) / rate
    up = 1000 + 250 * np.sin(2 * np.pi * 2 * at) * ((at % 240) < 180)
    return np.rint(np.stack([0 * up, 0 * up, up], axis=1)).astype(np.int64)


def senders() -> list[tuple[Sender, float]]:
    """Streams of the nodes, and when each began to count ticks: the skin node restarts."""
    ecg, trunk = Sender(HEART), Sender(TRUNK, last=True)
    for kind, seconds, scale in ((1, 130, 0.005), (2, 150, 0.0005), (1, 199, 0.005)):
        ecg.send(kind, heart(seconds, RATE[kind][0], scale, ecg.at_s))
    for kind, seconds in ((3, 300), (4, 178)):
        trunk.send(kind, walk(seconds, RATE[kind][0]))
    skin = [Sender(SKIN), Sender(SKIN, at_s=SKIN_RESTARTS_S + 4)]
    for one, seconds in zip(skin, (SKIN_RESTARTS_S - 1, END_S - SKIN_RESTARTS_S - 5), strict=True):
        one.send(5, 3000 + np.arange(int(seconds) * 4))
    return [(ecg, 0.0), (trunk, 0.0), (skin[0], 0.0), (skin[1], SKIN_RESTARTS_S)]


def on_the_wire(kind: int, address: int, count: int, ticks: int, body: bytes, hub_s: float) -> bytes:
    """A frame with the fields of :data:`MORE`, and a signal that falls with its number."""
    own = bytes([11 + 15 * (count % 2), max(200 - count // 100, 120)])
    raw = plain.wire(kind, address, count, ticks, own + body, hub_s, "H")
    return raw + struct.pack("<b", -50 - count % 40)


def log(lost: set[tuple[int, float]]) -> bytes:
    """What the hub wrote; ``lost`` are address and instant of frames that never arrive."""
    rng, arrived = np.random.default_rng(5), list[tuple[float, int, int, int, bytes]]()
    for sender, boot_s in senders():
        for kind, count, at_s, values in sender.frames:
            if (sender.address, at_s) in lost:
                continue
            rate, size = RATE[kind]
            stamped = at_s + ((size - 1) / rate if sender.last else 0) - boot_s
            ready = at_s + (size - 1) / rate + DELAY_S + float(rng.exponential(0.002))
            chance = rng.random()
            for wait in [2.5] if chance < 0.01 else [0.0, 0.7] if chance < 0.03 else [0.0]:
                body = plain.payload(kind, values)
                arrived.append((ready + wait, kind, sender.address, count, round(stamped * TICK_HZ), body))
    for first, begin, stop in ((0.5, 0.0, HUB_OFF_S), (HUB_ON_S + 0.5, HUB_ON_S, END_S)):
        for number, at_s in enumerate(np.arange(first, stop, 10.0).tolist()):
            utc = struct.pack("<q", round((START_S + at_s) * 1000))
            arrived.append((at_s, 15, 0, number, round((at_s - begin) * TICK_HZ), utc))
    out = []
    for at_s, *frame in sorted(arrived):
        if at_s < HUB_OFF_S:
            out.append(on_the_wire(*frame, HUB_FROM_S + at_s))
        elif at_s >= HUB_ON_S:
            out.append(on_the_wire(*frame, 2 + at_s - HUB_ON_S))
    return b"".join(out)


def losses() -> set[tuple[int, float]]:
    """Frames lost one by one and in bursts; the first and last three of the trunk, both edges of ``mid``."""
    rng, lost = np.random.default_rng(3), set[tuple[int, float]]()
    for sender, _ in senders():
        bad = False
        for _, _, at_s, _ in sender.frames:
            bad = rng.random() < (0.5 if bad else 0.04)
            lost |= {(sender.address, at_s)} if bad else set()
        at = [each[2] for each in sender.frames]
        edges = [at[np.searchsorted(at, edge, side="right") - 1] for edge in MID_S if at[0] < edge < at[-1]]
        lost |= {(sender.address, at_s) for at_s in edges}
        if sender.address == TRUNK:
            lost |= {(TRUNK, at_s) for at_s in (*at[:3], *at[-3:])}
    return lost


MID_S = (61.83, 402.27)


def at(seconds: float) -> str:
    """An instant as a sheet has it."""
    return f"{pd.Timestamp(round((START_S + seconds) * 1e9)):%Y-%m-%dT%H:%M:%S.%f}"


@pytest.fixture(scope="module")
def study(tmp_path_factory: pytest.TempPathFactory) -> Study:
    """The finished study. Not to be written to."""
    root, lost = tmp_path_factory.mktemp("lineage") / "study", losses()
    for folder in ("config/layouts", "captures"):
        (root / folder).mkdir(parents=True)
    (root / "captures" / "day.bin").write_bytes(log(lost))
    (root / "config" / "layouts" / "twospeed.yaml").write_text(LAYOUT)
    spans = {"S1": ("", ""), "mid": (at(MID_S[0]), at(MID_S[1]))}
    rows = [f"{name}\tP1\tcaptures/day.bin\ttwospeed\t{a}\t{b}\n" for name, (a, b) in spans.items()]
    notes = [f"{name}\twalk\t{at(90)}\t{at(240)}\n" for name in spans]
    for name, text in {
        "study.yaml": STUDY,
        "participants.tsv": "participant\tage_years\tresting_bpm\nP1\t40\t60\n",
        "sessions.tsv": "session\tparticipant\tcaptures\tlayout\tstart\tend\n" + "".join(rows),
        "nodes.tsv": "session\tnode\taddress\tplacement\n*\thub\t0\thub\n*\theart\t16\tchest\n"
        "*\tskin\t17\tchest\n*\ttrunk\t18\tchest\n",
        "events.tsv": "session\tphase\tstart\tend\n" + "".join(notes),
    }.items():
        (root / "config" / name).write_text(text)
    sent = [
        sent_lists.Sent(NODE[sender.address], count, at_s, (sender.address, at_s) not in lost)
        for sender, _ in senders()
        for _, count, at_s, _ in sender.frames
    ]
    sent_lists.write(root, "S1", [one for one in sent if one.node != "heart"])
    for session in spans:
        for stage in ("frames", "clock", "loss", "repair", "features"):
            assert main(["stage", stage, session, "--study", str(root)]) == GOOD, f"{session}: stage {stage}"
    assert main(["stage", "study", *spans, "--study", str(root)]) == GOOD
    return Study(root)


NODE = {HEART: "heart", SKIN: "skin", TRUNK: "trunk"}
