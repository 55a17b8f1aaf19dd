"""A node that changes the rate of a stream: one stream, one counter, one clock, and the right figures.

The encoder is plain Python that shares no code with the package. The ECG is record 100 of the MIT-BIH
database where it is there, its second half at half the rate.
"""

from __future__ import annotations

import json
import os
import struct
import subprocess
import sys
from binascii import crc_hqx
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from conftest import samples_in, stored
from numpy.typing import NDArray
from scipy.signal import resample_poly

from nodeday.cli.main import main
from nodeday.config.checks import problems
from nodeday.config.study import Study
from nodeday.core import errors
from nodeday.core.errors import ContractError, SettingsError
from nodeday.stages.clock import stage as clock_stage
from nodeday.stages.features import stage as features_stage
from nodeday.stages.frames import stage as frames_stage
from nodeday.stages.frames.unwrap import StreamPace, step_between
from nodeday.stages.loss import stage as loss_stage
from nodeday.stages.repair import stage as repair_stage

START_S = 1_772_438_400
"""2026-03-02 08:00 UTC."""
TICK_HZ, HUB_FROM_S, DELAY_S = 36_000, 500.0, 0.003
LAYOUT = """
layout: twospeed
sync: A5 5A
delay_ms: 3
frame:
  - {{name: kind, role: kind, bits: 8}}
  - {{name: address, role: node, bits: 8}}
  - {{name: counter, role: sequence, bits: {counter_bits}}}
  - {{name: ticks, role: ticks, bits: 32, rate_hz: 36000}}
  - {{name: payload, role: payload}}
  - {{name: sum, role: checksum, bits: 16, order: big, crc: CRC-16/IBM-3740, over: [kind, payload]}}
  - {{name: hub, role: hub_time, bits: 32, unit_ns: 1000000}}
kinds:
  - {{kind: 1, stream: ecg, rate_hz: 360, samples: 36, bits: 16, signed: true,
      channels: [{{name: ecg, unit: mV, scale: 0.005}}]}}
  - {{kind: 2, stream: ecg, rate_hz: 180, samples: 30, bits: 24, signed: true, order: big,
      channels: [{{name: ecg, unit: mV, scale: 0.0005}}]}}
  - {{kind: 3, stream: acc, rate_hz: 50, samples: 10, bits: 16, signed: true, stamp: last,
      channels: [{{name: x, unit: g, scale: 0.001}}, {{name: y, unit: g, scale: 0.001}},
                 {{name: z, unit: g, scale: 0.001}}]}}
  - {{kind: 4, stream: acc, rate_hz: 25, samples: 10, bits: 16, signed: true, stamp: last,
      channels: [{{name: x, unit: g, scale: 0.001}}, {{name: y, unit: g, scale: 0.001}},
                 {{name: z, unit: g, scale: 0.001}}]}}
  - {{kind: 5, stream: skin, rate_hz: 4, samples: 4, bits: 16, signed: true,
      channels: [{{name: skin, unit: degC, scale: 0.01}}]}}
  - {{kind: 6, stream: skin, rate_hz: 1, samples: 2, bits: 16, signed: true,
      channels: [{{name: skin, unit: degC, scale: 0.01}}]}}
  - {{kind: 15, stream: mark, every_s: 10, fields: [{{name: utc, role: utc, bits: 64, unit_ns: 1000000}}]}}
"""
RATE = {1: (360, 36), 2: (180, 30), 3: (50, 10), 4: (25, 10), 5: (4, 4), 6: (1, 2)}
"""Hz and samples of a frame by kind."""


@dataclass
class Sender:
    """A stream of a node: frames one after the other, whatever their kind, on one counter."""

    address: int
    last: bool = False
    first_count: int = 0
    at_s: float = 1.0
    count: int = 0
    frames: list[tuple[int, int, float, NDArray[np.int64]]] = field(default_factory=list)

    def send(self, kind: int, values: NDArray[np.int64]) -> None:
        """Add frames of ``values`` (n,) or (n, channels) from where the stream stands."""
        rate, size = RATE[kind]
        for low in range(0, len(values) - size + 1, size):
            self.frames.append((kind, self.first_count + self.count, self.at_s, values[low : low + size]))
            self.count, self.at_s = self.count + 1, self.at_s + size / rate


def payload(kind: int, values: NDArray[np.int64]) -> bytes:
    if kind == 2:
        return b"".join(int(value & 0xFFFFFF).to_bytes(3, "big") for value in values.tolist())
    return struct.pack(f"<{values.size}h", *values.ravel().tolist())


def wire(kind: int, address: int, count: int, ticks: int, body: bytes, hub_s: float, counter: str) -> bytes:
    modulus = 1 << 8 * struct.calcsize(counter)
    inner = bytes([kind, address]) + struct.pack(f"<{counter}I", count % modulus, ticks % (1 << 32)) + body
    stamp = int(hub_s * 1000)
    return b"\xa5\x5a" + inner + struct.pack(">H", crc_hqx(inner, 0xFFFF)) + struct.pack("<I", stamp)


def write_study(
    root: Path, senders: list[Sender], lost: set[tuple[int, int]], counter: str = "H", more: str = ""
) -> Study:
    """Write a study of one session; ``lost`` are (address, count) of frames that never arrive."""
    rng, log = np.random.default_rng(5), list[tuple[float, bytes]]()
    end_s = max(sender.at_s for sender in senders)
    for sender in senders:
        for kind, count, at_s, values in sender.frames:
            rate, size = RATE[kind]
            stamped = at_s + ((size - 1) / rate if sender.last else 0)
            hub_s = HUB_FROM_S + at_s + (size - 1) / rate + DELAY_S + float(rng.exponential(0.002))
            if (sender.address, count) not in lost:
                ticks, body = round(stamped * TICK_HZ), payload(kind, values)
                log.append((hub_s, wire(kind, sender.address, count, ticks, body, hub_s, counter)))
    for number, at_s in enumerate(np.arange(0.5, end_s, 10.0).tolist()):
        utc = struct.pack("<q", round((START_S + at_s) * 1000))
        log.append(
            (HUB_FROM_S + at_s, wire(15, 0, number, round(at_s * TICK_HZ), utc, HUB_FROM_S + at_s, counter))
        )
    for folder in ("config/layouts", "captures"):
        (root / folder).mkdir(parents=True)
    (root / "captures" / "S1.bin").write_bytes(
        b"".join(raw for _, raw in sorted(log, key=lambda one: one[0]))
    )
    layout = LAYOUT.format(counter_bits=8 * struct.calcsize(counter))
    (root / "config" / "layouts" / "twospeed.yaml").write_text(layout)
    nodes = "".join(f"*\tn{sender.address}\t{sender.address}\tchest\n" for sender in senders)
    for name, text in {
        "study.yaml": f"study: trial\nzone: UTC\ngrid: {{rate_hz: 100}}\nepochs: {{seconds: 30}}\n{more}",
        "participants.tsv": "participant\tage_years\tresting_bpm\nP1\t\t\n",
        "sessions.tsv": "session\tparticipant\tcaptures\tlayout\nS1\tP1\tcaptures/S1.bin\ttwospeed\n",
        "nodes.tsv": f"session\tnode\taddress\tplacement\n*\thub\t0\thub\n{nodes}",
        "events.tsv": "session\tphase\tstart\tend\n",
    }.items():
        (root / "config" / name).write_text(text)
    return Study(root)


def run(study: Study, *stages: object) -> None:
    for each in stages or (frames_stage, loss_stage, clock_stage, repair_stage, features_stage):
        each.run(study, "S1")  # type: ignore[attr-defined]


def true_times(sender: Sender, lost: set[tuple[int, int]] = frozenset()) -> NDArray[np.int64]:  # type: ignore[assignment]
    """UTC (n,) in ns of every sample that arrived."""
    parts = []
    for kind, count, at_s, _ in sender.frames:
        rate, size = RATE[kind]
        if (sender.address, count) not in lost:
            parts.append((START_S + at_s) * 1e9 + np.arange(size) * (1e9 / rate))
    return np.rint(np.concatenate(parts)).astype(np.int64)


# --- counter ----------------------------------------------------------------------------


def test_a_step_between_two_kinds() -> None:
    one, other = StreamPace(1.0, 256), StreamPace(4.0, 256)
    assert step_between(one, other, 1, 1) == (1, False)
    assert step_between(one, other, 20, 40) == (20, False)
    assert step_between(other, one, 300 % 256, 301) == (300, False)  # 75 to 301 are possible: 44 is not
    assert step_between(one, other, 9, 800) == (1, True)  # 265, 521, 777
    assert step_between(one, other, 1, 40) == (1, False)  # a pause of the node while it changed
    assert step_between(one, other, -3 % 256, -6) == (-3, False)  # late


# --- all of the chain -------------------------------------------------------------------


def simple_sender(address: int = 16, first_count: int = 0) -> Sender:
    """Ten minutes and a half of counts that number the samples; five rates changes."""
    sender = Sender(address, first_count=first_count)
    for kind, seconds in ((1, 120), (2, 90), (1, 3), (2, 3), (1, 240), (2, 180)):
        start = sum(len(one[3]) for one in sender.frames)
        sender.send(kind, (start + np.arange(seconds * RATE[kind][0])) % 30_000)
    return sender


@pytest.mark.parametrize("counter", ["B", "H"])
def test_counts_and_times_across_changes(tmp_path: Path, counter: str) -> None:
    sender = simple_sender(first_count=200)
    kinds = np.array([frame[0] for frame in sender.frames])
    change = np.flatnonzero(np.diff(kinds)) + 1
    gone = {*range(50, 53), *range(change[0] - 4, change[0] + 3), change[1], change[4] - 1, 3000}
    gone |= set(range(change[4] + 100, change[4] + 130))
    gone -= {len(kinds) - 1}
    lost = {(16, 200 + int(number)) for number in gone}
    study = write_study(tmp_path / "study", [sender], lost, counter)
    run(study)
    frames = stored(study.results, "frames", "S1")
    ecg = frames[frames["stream"] == "ecg"]
    assert ecg["boot"].unique().tolist() == [0]
    assert ecg["status"].unique().tolist() == ["good"]
    base = int(ecg["seq"].iloc[0]) - 200
    assert (ecg["seq"] - base).tolist() == [200 + n for n in range(len(kinds)) if n not in gone]
    gaps = stored(study.results, "gaps", "S1")
    gaps = gaps[gaps["stream"] == "ecg"]
    assert set(gaps["extent"]) == {"known"}
    missing = [n for a, b in zip(gaps["seq_from"], gaps["seq_to"], strict=True) for n in range(a, b)]
    assert sorted(n - base - 200 for n in missing) == sorted(n for n in gone if n < len(kinds))
    assert set(stored(study.results, "clock", "S1")["status"]) == {"fitted"}

    rows = samples_in(study, "S1", "n16", "ecg", "ecg")
    got = rows[rows["origin"] == "measured"]
    sent = [values for _, count, _, values in sender.frames if (16, count) not in lost]
    assert got["raw"].tolist() == np.concatenate(sent).tolist()
    error_ms = (got["utc_ns"].to_numpy() - true_times(sender, lost)) / 1e6
    assert np.abs(error_ms).max() < 1.5
    assert np.ptp(error_ms) < 1.0
    period = {360.0: 1e9 / 360, 180.0: 1e9 / 180}
    step, rate = np.diff(rows["utc_ns"]), rows["rate_hz"].map(period).to_numpy()[:-1]
    apart = np.flatnonzero(np.abs(step / rate - 1) > 0.05)
    # Holes without rows are there where frames were lost between two rates, nowhere else.
    assert len(apart) == 3
    assert (np.diff(rows["seq"])[apart] > 1).all()
    scale = np.where(got["rate_hz"] == 360, 0.005, 0.0005)
    np.testing.assert_allclose(got["value"], got["raw"] * scale, rtol=1e-6)


def test_a_gap_whose_length_no_clock_can_tell(tmp_path: Path) -> None:
    sender = simple_sender()
    change = 1200
    # 1,000 frames at one rate, 400 at the other: a counter of 8 bits turns several times meanwhile.
    lost = {(16, number) for number in range(change - 1000, change + 400)}
    study = write_study(tmp_path / "study", [sender], lost, "B")
    run(study, frames_stage, loss_stage, clock_stage, repair_stage)
    gaps = stored(study.results, "gaps", "S1")
    assert gaps.loc[gaps["stream"] == "ecg", ["extent", "reason"]].to_numpy().tolist() == [
        ["unknown", "wraps"]
    ]
    assert stored(study.results, "radio", "S1")["lost_radio"].tolist() == [0, 0]


def test_the_grid_across_changes(tmp_path: Path) -> None:
    """A sine on the wire is that sine on the grid, whatever the rate; nothing of it is missing."""
    sender = Sender(16)
    for kind, seconds in ((1, 60), (2, 60), (1, 60)):
        rate = RATE[kind][0]
        at = sender.at_s + np.arange(seconds * rate) / rate
        scale = 0.005 if kind == 1 else 0.0005
        sender.send(kind, np.rint(2 * np.sin(2 * np.pi * 3 * at) / scale).astype(np.int64))
    study = write_study(tmp_path / "study", [sender], set())
    run(study, frames_stage, loss_stage, clock_stage, repair_stage)
    grid = aligned(study)
    at = grid["utc_ns"].to_numpy() / 1e9 - START_S
    assert (grid["n16_ecg_origin"] == "measured").all()
    error = grid["n16_ecg"].to_numpy() - 2 * np.sin(2 * np.pi * 3 * at)
    near = grid["n16_ecg_quality"] == "near_gap"
    assert np.abs(error).max() < 0.06
    assert np.abs(error[~near]).max() < 0.045  # a millisecond of the clock is 0.04
    assert near.mean() < 0.01


def aligned(study: Study) -> pd.DataFrame:
    return pd.read_parquet(study.results / "aligned" / "session=S1" / "aligned.parquet")


def test_fills_stay_within_a_rate(tmp_path: Path) -> None:
    sender = simple_sender()
    lost = {(16, 500), (16, 1200), (16, 1300)}
    fill = "fill: {ecg: {method: cubic, max_ms: 250}}\n"
    study = write_study(tmp_path / "study", [sender], lost, more=fill)
    run(study, frames_stage, loss_stage, clock_stage, repair_stage)
    rows = samples_in(study, "S1", "n16", "ecg", "ecg")
    filled = rows[rows["origin"] == "interpolated"]
    assert filled["seq"].unique().tolist() == [500, 1300]
    assert len(filled) == 36 + 30
    assert 1200 not in set(rows["seq"])


# --- heart ------------------------------------------------------------------------------


def record(seconds: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """ECG in mV at 360 Hz, and the expert's beats in s."""
    root = os.environ.get("NODEDAY_OPEN_DATA")
    if not root:
        pytest.skip("NODEDAY_OPEN_DATA names no folder of open recordings")
    wfdb = pytest.importorskip("wfdb")
    path = str(Path(root) / "mitdb" / "100")
    signal = wfdb.rdrecord(path, channels=[0], sampto=seconds * 360).p_signal[:, 0]
    labels = wfdb.rdann(path, "atr", sampto=seconds * 360)
    return signal, labels.sample[np.isin(labels.symbol, list("NLRBAaJSVrFejnE/fQ?"))] / 360


def heart_sender(signal: NDArray[np.float64], pieces: list[tuple[int, int]]) -> Sender:
    """The record as a node would send it, ``pieces`` of (kind, seconds) after each other."""
    sender, slow, at = Sender(16), resample_poly(signal, 1, 2), 0
    for kind, seconds in pieces:
        values, scale = (signal, 0.005) if kind == 1 else (slow, 0.0005)
        rate = RATE[kind][0]
        sender.send(kind, np.rint(values[at * rate : (at + seconds) * rate] / scale).astype(np.int64))
        at += seconds
    return sender


def features(study: Study, name: str) -> pd.DataFrame:
    epochs = stored(study.results, "epochs", "S1")
    return epochs[epochs["feature"] == name].sort_values("epoch").reset_index(drop=True)


@pytest.mark.filterwarnings("ignore:The inplace keyword")
def test_heart_of_both_halves(tmp_path: Path) -> None:
    signal, beats = record(600)
    changing = heart_sender(signal, [(1, 288), (2, 312)])
    steady = heart_sender(signal, [(1, 600)])
    change = 2880
    lost = {(16, number) for number in (100, 101, change - 1, change, 4000)}
    studies = [
        write_study(tmp_path / "two", [changing], set()),
        write_study(tmp_path / "one", [steady], set()),
        write_study(tmp_path / "lossy", [changing], lost),
    ]
    for study in studies:
        run(study)
    for study in (studies[0], studies[2]):
        found = stored(study.results, "beats", "S1")["utc_ns"].to_numpy() / 1e9 - START_S - 1.0
        near = np.abs(found[:, None] - beats[None, :]).min(axis=1)
        missed = np.abs(found[:, None] - beats[None, :]).min(axis=0) > 0.15
        assert (near < 0.15).all()
        assert missed.sum() <= (1 if study is studies[0] else 3)
    two, one, lossy = (features(study, "heart_rate_bpm") for study in studies)
    assert two["value"].isna().tolist() == one["value"].isna().tolist() == [False] * 20 + [True]
    assert np.abs(two["value"] - one["value"]).max() < 0.5
    assert lossy["value"].notna().sum() >= 19
    assert np.nanmax(np.abs(lossy["value"] - one["value"])) < 1.5
    assert (two["coverage"].iloc[1:-1] > 0.999).all()
    assert (two["coverage"] <= 1).all()
    for name, most in (("rmssd_ms", 0.1), ("sdnn_ms", 0.05)):
        values, expected = features(studies[0], name)["value"], features(studies[1], name)["value"]
        assert values.notna().sum() == expected.notna().sum()
        assert np.nanmax(np.abs(values / expected - 1)) < most
    status = stored(studies[0].results, "beats", "S1")["rr_status"].astype(str)
    assert (status == "first").sum() == 2


# --- motion and others ------------------------------------------------------------------


def motion_sender(pieces: list[tuple[int, int]]) -> Sender:
    """A trunk that walks at 2 steps a second with 0.2 g up and down, and stands now and then."""
    sender = Sender(17, last=True)
    for kind, seconds in pieces:
        rate = RATE[kind][0]
        at = sender.at_s + np.arange(seconds * rate) / rate
        walks = (at % 120) < 90
        z = 1 + 0.2 * np.sin(2 * np.pi * 2 * at) * walks
        sender.send(kind, np.rint(np.stack([0 * z, 0 * z, z], axis=1) * 1000).astype(np.int64))
    return sender


def test_motion_over_both_rates(tmp_path: Path) -> None:
    two = write_study(tmp_path / "two", [motion_sender([(3, 212), (4, 200), (3, 188)])], set())
    one = write_study(tmp_path / "one", [motion_sender([(3, 600)])], set())
    for study in (two, one):
        run(study)
    for name, off in (
        ("enmo_mg", 1.5),
        ("mad_mg", 1.5),
        ("vector_magnitude_mg", 1.5),
        ("cadence_step_min", 1.0),
        ("elevation_z_deg", 0.5),
    ):
        found, expected = features(two, name), features(one, name)
        assert found["value"].isna().tolist() == expected["value"].isna().tolist(), name
        assert np.nanmax(np.abs(found["value"] - expected["value"])) < off, name
        assert (found["coverage"].iloc[1:-1] > 0.999).all(), name


def test_a_thermometer_that_slows_down(tmp_path: Path) -> None:
    """A straight rise has its own slope in every epoch, and its mean counts by time, not by samples."""
    sender = Sender(18)
    for kind, seconds in ((5, 101), (6, 100)):
        rate = RATE[kind][0]
        at = sender.at_s + np.arange(seconds * rate) / rate
        sender.send(kind, np.rint((30 + at / 60) * 100).astype(np.int64))
    study = write_study(tmp_path / "study", [sender], set())
    run(study)
    mean, slope, spread = (features(study, name) for name in ("mean", "slope", "spread"))
    middle = (mean["start_ns"] + mean["end_ns"]).to_numpy() / 2e9 - START_S
    full = slice(1, -1)
    assert np.abs(mean["value"].to_numpy() - 30 - middle / 60)[full].max() < 0.01
    assert np.abs(slope["value"].to_numpy() - 1)[full].max() < 0.03
    assert np.abs(spread["value"].to_numpy() - 0.5 / np.sqrt(12))[full].max() < 0.01
    assert (mean["coverage"].iloc[full] > 0.99).all()


# --- pages, exports, checks -------------------------------------------------------------


def test_pages_audit_trace_and_export(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    heart, trunk = simple_sender(), motion_sender([(3, 300), (4, 300)])
    lost = {(16, number) for number in (50, 1199, 1200, 1201, 1800)} | {(17, 1499), (17, 1500)}
    study = write_study(tmp_path / "study", [heart, trunk], lost)
    where = ["--study", str(study.root)]
    command = [sys.executable, "-m", "nodeday", "run", "--cores", "2", *where]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == errors.GOOD, done.stderr + done.stdout
    capsys.readouterr()
    assert main(["audit", "S1", *where]) == errors.GOOD
    assert main(["verify", *where]) == errors.GOOD
    files = study.root / "config/layouts/twospeed.yaml", study.root / "captures/S1.bin"
    assert main(["layout", "check", *map(str, files)]) == errors.GOOD
    assert "agree within" in capsys.readouterr().out
    rows = samples_in(study, "S1", "n16", "ecg", "ecg")
    measured = rows[rows["origin"] == "measured"]
    for kind, rate in ((1, 360.0), (2, 180.0)):
        row = measured[measured["rate_hz"] == rate].iloc[500]
        key = [f"{name}={row[name]}" for name in ("boot", "seq", "position")]
        code = main(["trace", "samples", "session=S1", "node=n16", "stream=ecg", *key, "--json", *where])
        shown = json.loads(capsys.readouterr().out)
        assert code == errors.GOOD
        (frame,) = [one for one in shown["of"] if one["what"] == "frame"]
        assert frame["kind"] == kind
        assert frame["counts"]["ecg"][row["position"]] == row["raw"]
    edf = read_edf(study, where)
    noted: dict[str, float] = {}
    for note in edf.annotations:
        noted[note.text] = noted.get(note.text, 0.0) + (note.duration or 0.0)
    after = rows["utc_ns"].diff() / 1e9 - 1 / rows["rate_hz"].shift()
    seam_s = after[rows["rate_hz"].diff() != 0].sum()  # frames lost while the rate changed have no rows
    for rate in (360, 180):
        lost_s = (rows.loc[rows["rate_hz"] == rate, "origin"] == "missing").sum() / rate
        other_s = (rows["rate_hz"] != rate).sum() / (540 - rate)
        assert noted[f"another rate n16 ecg {rate}Hz"] == pytest.approx(other_s, abs=1.1 / rate)
        assert noted[f"missing n16 ecg {rate}Hz"] == pytest.approx(lost_s + seam_s, abs=2.1 / rate)
        signal = edf.get_signal(f"n16 ecg {rate}Hz")
        assert signal.sampling_frequency == rate
        there = signal.digital[signal.digital != -32768]
        assert np.isin(there, measured.loc[measured["rate_hz"] == rate, "raw"]).all()
        assert abs(len(there) - (measured["rate_hz"] == rate).sum()) <= 4


def read_edf(study: Study, where: list[str]) -> Any:
    edfio = pytest.importorskip("edfio")
    assert main(["export", "edf", *where]) == errors.GOOD
    return edfio.read_edf(next(study.root.rglob("S1.edf")))


def test_decoded_rows_name_their_kind(tmp_path: Path) -> None:
    sender = Sender(16)
    sender.send(1, np.arange(20 * 360))
    sender.send(2, np.arange(20 * 180))
    study = write_study(tmp_path / "study", [sender], {(16, 199), (16, 210)})
    lines = ["kind,sequence,ticks,time," + ",".join(f"ecg_{at}" for at in range(36))]
    for kind, count, at_s, values in sender.frames:
        cells = [*values.tolist(), *[""] * (36 - len(values))]
        if count not in (199, 210):
            came_ns = round((START_S + at_s + 0.3) * 1e9)
            lines.append(",".join(map(str, [kind, count, round(at_s * TICK_HZ), came_ns, *cells])))
    (study.root / "config" / "recorded").mkdir()
    (study.root / "config" / "recorded" / "twospeed.yaml").write_text("stream: name\ntime_utc: true\n")
    layout = study.root / "config" / "layouts" / "twospeed.yaml"
    kept = [part for part in layout.read_text().split("  - {kind: ") if part[0] not in "3456"]
    layout.write_text("  - {kind: ".join(kept))
    (study.root / "captures" / "S1.bin").write_text("\n".join(lines) + "\n")
    study = Study(study.root)
    run(study, frames_stage, loss_stage, clock_stage, repair_stage)
    gaps = stored(study.results, "gaps", "S1")
    assert gaps["seq_from"].tolist() == [199, 210]
    assert gaps["frames"].tolist() == [1, 1]
    rows = samples_in(study, "S1", "n16", "ecg", "ecg")
    assert len(rows) == 199 * 36 + 120 * 30
    (study.root / "captures" / "S1.bin").write_text("\n".join(lines).replace("kind,", "sort,") + "\n")
    (study.results / "captures" / "S1.json").unlink()
    with pytest.raises(
        ContractError, match="no column kind; expected it, since stream ecg has several kinds"
    ):
        run(study, frames_stage)


@pytest.mark.parametrize(
    ("old", "new", "sentence"),
    [
        ("bits: 24, signed", "interleave: 2, bits: 24, signed", "are dealt over several frames"),
        ("bits: 24, signed", "converter_ms: 2, bits: 24, signed", "differ in converter_ms"),
        ("bits: 24, signed", "timing: irregular, bits: 24, signed", "differ in timing"),
        ("{name: ecg, unit: mV, scale: 0.0005}", "{name: ecg, unit: uV}", "have other channels or units"),
        ("role: ticks, bits: 32, rate_hz: 36000", "bits: 32", "only a ticks field could time its frames"),
    ],
)
def test_kinds_that_are_no_one_stream(tmp_path: Path, old: str, new: str, sentence: str) -> None:
    study = write_study(tmp_path / "study", [simple_sender()], set())
    layout = study.root / "config" / "layouts" / "twospeed.yaml"
    layout.write_text(layout.read_text().replace(old, new))
    with pytest.raises(SettingsError, match=sentence):
        Study(study.root).layouts_of("S1")


def test_a_merge_of_captures_is_refused(tmp_path: Path) -> None:
    study = write_study(tmp_path / "study", [simple_sender()], set())
    sheet = study.root / "config" / "sessions.tsv"
    sheet.write_text(sheet.read_text().replace("S1.bin", "S1.bin|captures/S1.bin"))
    (found,) = problems(Study(study.root), "S1")
    assert "several captures, and layout twospeed has several kinds of stream ecg" in str(found)
