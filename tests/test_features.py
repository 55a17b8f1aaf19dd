"""Room `features`: beats against experts and known trains, intervals and epochs that know the holes."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from nodeday.schemas import TABLES, codes

from nodeday import tables
from nodeday.errors import ContractError
from nodeday.features import room
from nodeday.features.heart import intervals
from nodeday.features.heart.beats import beats_of
from nodeday.features.heart.intervals import artefacts, rr_ms, rr_status
from nodeday.features.heart.rates import heart_rate, rmssd, rmssd_ms
from nodeday.features.heart.rpeaks import r_peaks
from nodeday.features.others import mean_and_spread
from nodeday.features.stretches import edges_of, masked_mean, moving_mean, runs
from nodeday.features.windows import (
    LOW_COVERAGE,
    NO_DATA,
    TOO_FEW_BEATS,
    Windows,
    coverage,
    judged,
    windows_over,
)
from nodeday.settings import Study

CONFIG = Path(__file__).parents[1] / "config"
START = 1_784_005_200_000_000_000
SECOND = 1_000_000_000
RATE = 250.0
TASK_FORCE = np.array([800.0, 810, 790, 820, 805, 860, 800])
quick = settings(deadline=None, max_examples=50)


def ecg(beats_s: np.ndarray, length_s: float, rate_hz: float = RATE, seed: int = 1) -> np.ndarray:
    """P, Q, R, S and T bells around known beat times on a wandering baseline with 10 uV of noise, mV."""
    at = np.arange(int(length_s * rate_hz)) / rate_hz
    signal = 0.2 * np.sin(2 * np.pi * 0.25 * at) + 0.01 * np.random.default_rng(seed).standard_normal(len(at))
    for beat in beats_s:
        near = np.abs(at - beat) < 0.6
        for late, height, width in ((-0.17, 0.1, 0.025), (-0.025, -0.12, 0.008), (0, 1.0, 0.01),
                                    (0.027, -0.2, 0.009), (0.26, 0.25, 0.05)):  # fmt: skip
            signal[near] += height * np.exp(-0.5 * ((at[near] - beat - late) / width) ** 2)
    return signal


def samples_of(
    signal: np.ndarray, lost: np.ndarray, rate_hz: float = RATE, filled: np.ndarray | None = None
) -> pd.DataFrame:
    """Rows of table ``samples`` of one channel, as far as beats need them."""
    n = len(signal)
    filled = np.zeros(n, np.bool_) if filled is None else filled
    origin = np.where(filled, "interpolated", np.where(lost, "missing", "measured"))
    return pd.DataFrame({
        "boot": np.zeros(n, np.int32),
        "utc_ns": START + np.rint(np.arange(n) * SECOND / rate_hz).astype(np.int64),
        "value": np.where(lost & ~filled, np.nan, signal).astype(np.float32),
        "origin": pd.Categorical(origin, categories=list(codes.ORIGIN)),
        "quality": pd.Categorical(
            np.where(lost | filled, "not_measured", "good"), categories=list(codes.QUALITY)
        ),
    })  # fmt: skip


def steady(count: int = 100, rr_s: float = 0.8123) -> np.ndarray:
    return 1.0 + rr_s * np.arange(count)


def named(status: np.ndarray) -> list[str]:
    return [list(codes.RR_STATUS)[code] for code in status]


# --- published definitions --------------------------------------------------------------


def test_task_force_series() -> None:
    """Worked series 800 810 790 820 805 860 800 ms: mean 812.143, RMSSD 37.081, 73.879 bpm (computed by
    hand from the definitions of the 1996 Task Force)."""
    assert TASK_FORCE.mean() == pytest.approx(812.143, abs=5e-4)
    assert rmssd_ms(TASK_FORCE) == pytest.approx(37.081, abs=5e-4)
    utc = START + np.rint(np.cumsum(TASK_FORCE) * 1e6).astype(np.int64)
    status = np.zeros(7, np.int8)
    windows = windows_over(START, int(utc[-1]), 30)
    rate, enough = heart_rate(windows, utc, TASK_FORCE, status)
    assert rate.tolist() == [pytest.approx(73.879, abs=5e-4)]
    assert enough.tolist() == [True]
    spread, enough = rmssd(windows, utc, TASK_FORCE, status)
    assert spread.tolist() == [pytest.approx(37.081, abs=5e-4)]
    assert enough.tolist() == [False]  # six pairs are fewer than ten


# --- stretches --------------------------------------------------------------------------


@quick
@given(st.lists(st.booleans(), min_size=1, max_size=50), st.integers(1, 9), st.integers(0, 99))
def test_moving_means_against_a_naive_reading(bits: list[bool], width: int, seed: int) -> None:
    mask = np.array(bits, np.bool_)
    values = np.random.default_rng(seed).normal(size=len(mask))
    first, last = edges_of(*runs(mask), len(mask))
    found, trusted = moving_mean(values, width, first, last), masked_mean(values, mask, width)
    for i in range(len(mask)):
        near = range(max(i - width // 2, 0), min(i + (width + 1) // 2, len(mask)))
        own = [values[j] for j in near if mask[min(i, j) : max(i, j) + 1].all()]
        assert found[i] == pytest.approx(np.mean(own) if own else 0.0)
        seen = [values[j] for j in near if mask[j]]
        assert trusted[i] == pytest.approx(np.mean(seen) if seen else 0.0)


# --- R peaks ----------------------------------------------------------------------------


@pytest.mark.filterwarnings("ignore:The inplace keyword")  # of the reader of the labels
@pytest.mark.parametrize("record", ["100", "101"])
def test_against_expert_labels(record: str) -> None:
    """MIT-BIH Arrhythmia Database (Moody and Mark 2001); matched one to one within 150 ms after the
    first five minutes, as the PhysioNet scorer does it."""
    folder = os.environ.get("NODEDAY_OPEN_DATA")
    if not folder:
        pytest.skip("NODEDAY_OPEN_DATA names no folder of open recordings")
    wfdb = pytest.importorskip("wfdb")
    from wfdb.processing import compare_annotations

    path = str(Path(folder) / "mitdb" / record)
    recording, labels = wfdb.rdrecord(path, channels=[0]), wfdb.rdann(path, "atr")
    expert = labels.sample[np.isin(labels.symbol, list("NLRBAaJSVrFejnE/fQ?"))]
    signal, every = recording.p_signal[:, 0], np.ones(recording.sig_len, np.bool_)
    peaks = r_peaks(signal, every, every, recording.fs)
    from_s = 300 * recording.fs
    score = compare_annotations(
        expert[expert >= from_s], peaks.sample[peaks.sample >= from_s], int(0.15 * recording.fs)
    )
    assert score.sensitivity > 0.995
    assert score.positive_predictivity > 0.995


@pytest.mark.parametrize("polarity", [1.0, -1.0])
@pytest.mark.parametrize("rate_hz", [125.0, 250.0, 500.0])
def test_known_beats_are_found_to_the_millisecond(rate_hz: float, polarity: float) -> None:
    beats = steady()
    signal = polarity * ecg(beats, 84, rate_hz)
    every = np.ones(len(signal), np.bool_)
    peaks = r_peaks(signal, every, every, rate_hz)
    assert len(peaks.sample) == len(beats)
    error_ms = ((peaks.sample + peaks.shift) / rate_hz - beats) * 1000
    assert np.abs(error_ms - error_ms.mean()).max() < 1.0
    assert abs(error_ms.mean()) < 1.5
    assert (np.sign(peaks.height_mv) == polarity).all()


def test_rounding_to_samples_would_be_worse() -> None:
    beats = steady()
    signal = ecg(beats, 84)
    every = np.ones(len(signal), np.bool_)
    peaks = r_peaks(signal, every, every, RATE)
    whole, fine = peaks.sample / RATE - beats, (peaks.sample + peaks.shift) / RATE - beats
    assert fine.std() < whole.std() / 2


@pytest.mark.parametrize(
    "signal",
    [np.zeros(5000), np.full(5000, 3.3), 0.001 * np.random.default_rng(3).standard_normal(5000), np.zeros(0),
     np.zeros(40)],
    ids=["zero", "constant", "noise", "empty", "short"],
)  # fmt: skip
def test_no_heart_gives_no_beat(signal: np.ndarray) -> None:
    every = np.ones(len(signal), np.bool_)
    assert len(r_peaks(signal, every, every, RATE).sample) == 0
    assert len(r_peaks(signal, ~every, ~every, RATE).sample) == 0


@quick
@given(
    st.lists(st.tuples(st.floats(1, 80), st.sampled_from([0.08, 0.4, 2.0])), max_size=12),
    st.sampled_from([1.0, -1.0]),
)
def test_gaps_create_no_beat_and_move_none(gaps: list[tuple[float, float]], polarity: float) -> None:
    """Whatever is cut out, every beat found is a true one, and in place."""
    beats = steady()
    signal = polarity * ecg(beats, 84)
    present = np.ones(len(signal), np.bool_)
    for start, length in gaps:
        present[int(start * RATE) : int((start + length) * RATE)] = False
    peaks = r_peaks(np.where(present, signal, 0.0), present, present, RATE)
    at = (peaks.sample + peaks.shift) / RATE
    off = at[:, None] - beats
    assert np.abs(off).min(axis=1, initial=9).max(initial=0) < 0.006
    assert len(np.unique(np.abs(off).argmin(axis=1))) == len(at)
    assert present[peaks.sample].all()


@pytest.mark.parametrize("told_at_rail", [True, False])
def test_movement_hides_no_beat_elsewhere(told_at_rail: bool) -> None:
    """Two seconds of jumps, sixty times the height of an R peak, hide no beat a few seconds later."""
    beats = steady()
    signal = ecg(beats, 84)
    jumps = np.arange(2000, 2500)
    signal[jumps] = np.where(jumps // 12 % 2, 60.0, -60.0)
    every = np.ones(len(signal), np.bool_)
    trusted = every.copy()
    trusted[jumps] = not told_at_rail
    late = beats[beats > 14]
    found = r_peaks(signal, every, trusted, RATE)
    at = (found.sample + found.shift) / RATE
    assert np.abs(late[:, None] - at).min(axis=1).max() < 0.006


# --- RR intervals -----------------------------------------------------------------------


def test_status_of_each_interval() -> None:
    """samples   R....R..xx..R....R..~~..R....~R~...R....R      x missing, ~ computed
    status    first n.  gap    n.    gap     fill   fill  n."""
    sample = np.array([100, 300, 500, 700, 900, 1100, 1300, 1500])
    missing, computed = np.zeros(1700, np.bool_), np.zeros(1700, np.bool_)
    missing[380:390] = True
    computed[790:795] = True
    computed[1099:1102] = True
    rr = np.concatenate([[np.nan], np.full(7, 800.0)])
    assert named(rr_status(rr, sample, missing, computed, RATE)) == [
        "first", "normal", "touches_gap", "normal", "touches_gap", "beat_in_fill", "beat_in_fill", "normal",
    ]  # fmt: skip


@pytest.mark.parametrize(("samples_away", "status"), [(12, "touches_gap"), (13, "normal")])
def test_the_guard_is_50_ms(samples_away: int, status: str) -> None:
    """50 ms are 12.5 samples at 250 Hz. Lost samples after the pair's last beat, or before its first."""
    sample, rr = np.array([100, 300, 500]), np.array([np.nan, 800.0, 800.0])
    for place in (500 + samples_away, 300 - samples_away):
        lost = np.zeros(700, np.bool_)
        lost[place] = True
        assert named(rr_status(rr, sample, lost, np.zeros(700, np.bool_), RATE))[2] == status


def test_an_extra_and_a_missed_beat_are_artefacts_and_a_pause_is_too_long() -> None:
    rr = np.array([np.nan, 800, 810, 790, 400, 410, 800, 805, 1600, 800, 3500, 800])
    sample = np.concatenate([[100], 100 + np.cumsum(rr[1:]) / 4]).astype(int)
    none = np.zeros(sample[-1] + 200, np.bool_)
    found = named(rr_status(rr, sample, none, none, RATE))
    assert [i for i, name in enumerate(found) if name == "artefact"] == [4, 5, 8]
    assert [i for i, name in enumerate(found) if name == "too_long"] == [10]


def test_artefacts_are_not_told_from_too_few_intervals() -> None:
    assert not artefacts(np.array([800.0, 400.0]), np.ones(2, np.bool_)).any()
    assert not artefacts(np.array([]), np.ones(0, np.bool_)).any()
    assert not artefacts(np.full(50, 800.0), np.ones(50, np.bool_)).any()
    slow = 800.0 * 0.99 ** np.arange(60)  # a heart that speeds up is none
    assert not artefacts(slow, np.ones(60, np.bool_)).any()


def test_first_interval_is_null() -> None:
    assert np.isnan(rr_ms(np.array([START]))).all()
    assert len(rr_ms(np.array([], np.int64))) == 0
    assert rr_ms(START + np.array([0, 812_345_678]))[1] == pytest.approx(812.345678, abs=1e-9)


def test_beats_across_a_lost_frame() -> None:
    """One lost frame between beats and one on a beat: no normal interval spans either."""
    beats = steady(60)
    signal = ecg(beats, 52)
    lost = np.zeros(len(signal), np.bool_)
    for at in (beats[20] + 0.3, beats[40] - 0.04):
        lost[int(at * RATE) : int(at * RATE) + 20] = True
    found = beats_of(samples_of(signal, lost), RATE)
    assert len(found.utc_ns) == 59
    status = named(found.status)
    assert status.count("touches_gap") == 2
    assert status.count("normal") == 56
    normal = found.rr_ms[found.status == intervals.NORMAL]
    assert normal == pytest.approx(812.3, abs=1.0)


def test_a_beat_on_computed_samples_says_so() -> None:
    beats = steady(30)
    signal = ecg(beats, 28)
    filled = np.zeros(len(signal), np.bool_)
    middle = round(beats[15] * RATE)
    filled[middle - 2 : middle + 3] = True
    found = beats_of(samples_of(signal, filled, filled=filled), RATE)
    assert np.flatnonzero(found.origin).tolist() == [15]
    assert named(found.status)[15:17] == ["beat_in_fill", "beat_in_fill"]


def test_nothing_reaches_from_boot_to_boot() -> None:
    samples = samples_of(ecg(steady(30), 26), np.zeros(6500, np.bool_))
    samples["boot"] = np.repeat([0, 1], 3250).astype(np.int32)
    found = beats_of(samples, RATE)
    assert named(found.status).count("first") == 2
    assert (np.diff(found.utc_ns) > 0).all()


# --- epochs -----------------------------------------------------------------------------


def test_epochs_begin_on_a_whole_second_and_hold_the_last_instant() -> None:
    windows = windows_over(START + 700_000_000, START + 60 * SECOND, 30)
    assert (windows.start_ns, windows.count) == (START, 3)
    assert windows.of(np.array([START, START + 30 * SECOND - 1, START + 30 * SECOND])).tolist() == [0, 0, 1]


@pytest.mark.parametrize(
    ("received", "share", "reason"), [(0, 0, NO_DATA), (79, 0.79, LOW_COVERAGE), (80, 0.8, -1), (101, 1, -1)]
)
def test_coverage_decides(received: int, share: float, reason: int) -> None:
    windows = Windows(START, 10, 1)
    cover = coverage(windows, START + np.arange(received) * 90_000_000, 10.0)
    assert cover.tolist() == [pytest.approx(share)]
    value, why = judged(np.array([5.0]), cover, 0.8, np.array([True]))
    assert why.tolist() == [reason]
    assert np.isnan(value[0]) == (reason != -1)


def test_reasons_rank_from_nothing_to_too_few() -> None:
    cover = np.array([0.0, 0.5, 1.0, 1.0])
    _, why = judged(np.ones(4), cover, 0.8, np.array([False, False, False, True]))
    assert why.tolist() == [NO_DATA, LOW_COVERAGE, TOO_FEW_BEATS, -1]


def test_rmssd_joins_only_adjacent_normal_intervals_of_one_epoch() -> None:
    rr = np.array([np.nan, 800, 810, 900, 790, 820, 805])
    utc = START + np.arange(7) * SECOND
    status = np.array([1, 0, 0, 2, 0, 0, 0], np.int8)  # the 900 touches a gap
    value, _ = rmssd(Windows(START, 30, 1), utc, rr, status)
    assert value[0] == pytest.approx(np.sqrt((10**2 + 30**2 + 15**2) / 3))
    split, _ = rmssd(Windows(START, 3, 3), utc, rr, status)  # epochs hold beats 0-2, 3-5, 6
    assert split.tolist()[:2] == [pytest.approx(10.0), pytest.approx(30.0)]
    assert np.isnan(split[2])


@quick
@given(st.lists(st.tuples(st.floats(0, 89), st.floats(20, 40)), max_size=40))
def test_mean_and_spread_against_numpy(rows: list[tuple[float, float]]) -> None:
    seconds, value = np.array([row[0] for row in rows]), np.array([row[1] for row in rows])
    windows = Windows(START, 30, 3)
    mean, spread = mean_and_spread(windows, START + (seconds * SECOND).astype(np.int64), value)
    for k in range(3):
        own = value[(seconds >= 30 * k) & (seconds < 30 * (k + 1))]
        assert mean[k] == pytest.approx(own.mean() if len(own) else np.nan, nan_ok=True)
        assert spread[k] == pytest.approx(own.std(ddof=1) if len(own) > 1 else np.nan, abs=1e-6, nan_ok=True)


# --- the room ---------------------------------------------------------------------------


def rows(
    node: str, stream: str, channel: str, rate_hz: float, per_frame: int, value: np.ndarray, lost: np.ndarray
) -> pd.DataFrame:
    n = len(value)
    samples = samples_of(value, lost, rate_hz)
    return tables.build(TABLES["samples"], {
        "node": np.full(n, node, object), "stream": np.full(n, stream, object),
        "channel": np.full(n, channel, object), "boot": np.zeros(n, np.int32),
        "seq": np.arange(n) // per_frame, "position": (np.arange(n) % per_frame).astype(np.int16),
        "utc_ns": samples["utc_ns"].to_numpy(), "raw": pd.arrays.IntegerArray(np.zeros(n, np.int32), lost),
        "value": samples["value"].to_numpy(), "origin": samples["origin"], "quality": samples["quality"],
    })  # fmt: skip


def study_with(root: Path, heart: np.ndarray, lost: np.ndarray) -> Study:
    """Two minutes of ECG, one node of acceleration without its second half minute, one of temperature."""
    shutil.copytree(CONFIG, root / "config")
    study = Study(root)
    still = np.zeros(6000)
    gone = (np.arange(6000) >= 1500) & (np.arange(6000) < 3000)
    pieces = [rows("heart", "ecg", "ecg", RATE, 20, heart, lost)]
    for axis, value in (("x", still), ("y", still), ("z", still + 1.05)):
        pieces.append(rows("wrist", "acc", axis, 50.0, 10, value, gone))
    pieces.append(rows("skin", "temp", "skin", 1.0, 4, 33 + np.arange(120) % 2 / 10, np.zeros(120, np.bool_)))
    tables.write(tables.path(study.results, "samples", "S01-clean"), TABLES["samples"], pieces)
    room.run(study, "S01-clean")
    return study


def read(study: Study, name: str) -> pd.DataFrame:
    return tables.read(tables.path(study.results, name, "S01-clean"), name)


def of(epochs: pd.DataFrame, feature: str) -> pd.DataFrame:
    return epochs[epochs["feature"] == feature].reset_index(drop=True)


def test_a_session_with_holes(tmp_path: Path) -> None:
    beats = steady(145)
    lost = np.zeros(30_000, np.bool_)
    lost[7500:9500] = True  # 8 s of the second epoch: 73 % received
    lost[15_000:22_500] = True  # the third epoch
    study = study_with(tmp_path, ecg(beats, 120), lost)
    epochs = read(study, "epochs")
    assert len(epochs) == 4 * epochs.groupby(["node", "channel", "feature"], observed=True).ngroups
    heart = of(epochs, "heart_rate_bpm")
    assert heart["coverage"].tolist() == [1.0, pytest.approx(5500 / 7500), 0.0, 1.0]
    assert heart["reason"].astype(object).where(heart["reason"].notna(), None).tolist() == [
        None, "low_coverage", "no_data", None,
    ]  # fmt: skip
    assert heart["value"][0] == pytest.approx(60 / 0.8123, abs=0.05)
    assert of(epochs, "rmssd_ms")["value"][0] < 1.0
    assert of(epochs, "beats")["value"].tolist()[::3] == [36, ((beats >= 90) & (beats < 120)).sum()]
    enmo = of(epochs, "enmo_mg")
    assert enmo["value"].tolist() == [
        pytest.approx(50, abs=1e-3),
        pytest.approx(np.nan, nan_ok=True),
        *[pytest.approx(50, abs=1e-3)] * 2,
    ]
    assert enmo["channel"].tolist() == ["acc"] * 4
    assert of(epochs, "mean")["value"].to_numpy() == pytest.approx(33.05, abs=1e-4)
    assert of(epochs, "spread")["value"].to_numpy() == pytest.approx(0.05 * np.sqrt(30 / 29), abs=1e-4)
    ledger = tables.read(tables.path(study.results, "ledger", "S01-clean", "features"), "ledger")
    counts = ledger.set_index(["quantity", "scope"])
    assert counts.loc[("samples", "heart/ecg"), "entered"] == 30_000
    assert counts.loc[("samples", "heart/ecg"), "detail"] == "received 20500, not_received 9500"
    assert counts.loc[("epochs", "heart_rate_bpm"), "detail"] == "value 2, null 2"
    assert counts.loc[("beats", "heart/ecg"), "entered"] == len(read(study, "beats"))


@pytest.mark.parametrize(
    ("heart", "gone", "beats", "reasons"),
    [
        (np.zeros(30_000), False, 0, ["too_few_beats"] * 4),
        (ecg(np.array([40.0]), 120), False, 1, ["too_few_beats"] * 4),
        (ecg(steady(145), 120), True, 0, ["no_data"] * 4),
    ],
    ids=["none", "one", "missing"],
)
def test_no_heart_rate_without_beats(
    tmp_path: Path, heart: np.ndarray, gone: bool, beats: int, reasons: list[str]
) -> None:
    study = study_with(tmp_path, heart, np.full(30_000, gone))
    epochs = read(study, "epochs")
    for feature in ("heart_rate_bpm", "rmssd_ms"):
        assert of(epochs, feature)["value"].isna().all()
        assert of(epochs, feature)["reason"].tolist() == reasons
    counted = of(epochs, "beats")["value"]
    assert counted.isna().all() if gone else counted.sum() == beats
    assert len(read(study, "beats")) == beats


def test_a_steady_heart_has_no_variability(tmp_path: Path) -> None:
    """Beats on whole samples without noise: RR is constant, RMSSD next to nothing, no warning."""
    at = np.arange(30_000) / RATE
    beats = 1.0 + 0.8 * np.arange(148)
    signal = sum(np.exp(-0.5 * ((at - beat) / 0.01) ** 2) for beat in beats)
    epochs = read(study_with(tmp_path, np.asarray(signal), np.zeros(30_000, np.bool_)), "epochs")
    assert of(epochs, "heart_rate_bpm")["value"].to_numpy() == pytest.approx(75.0, abs=1e-3)
    assert of(epochs, "rmssd_ms")["value"].to_numpy() == pytest.approx(0.0, abs=0.01)


def test_without_samples_the_room_stops_with_a_sentence(tmp_path: Path) -> None:
    shutil.copytree(CONFIG, tmp_path / "config")
    study = Study(tmp_path)
    target = tables.path(study.results, "samples", "S01-clean")
    tables.write(target, TABLES["samples"], tables.empty(TABLES["samples"]))
    with pytest.raises(ContractError, match="session S01-clean, table samples: holds no sample"):
        room.run(study, "S01-clean")
