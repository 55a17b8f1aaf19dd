"""Stage `features`: epochs that know the holes, and the whole stage on a session with some."""

from __future__ import annotations

import itertools
import shutil
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as arrow
import pytest
from conftest import put_samples
from hearts import RATE, SECOND, START, ecg, samples_of, steady
from hypothesis import given, settings
from hypothesis import strategies as st
from nodeday.schemas import codes

from nodeday.config.study import Study
from nodeday.core.errors import ContractError
from nodeday.stages.features import stage
from nodeday.stages.features.others import mean_and_spread
from nodeday.stages.features.stream import Samples
from nodeday.stages.features.windows import (
    LOW_COVERAGE,
    NO_DATA,
    TOO_FEW_BEATS,
    Windows,
    coverage,
    values_or_reasons,
    windows_over,
)
from nodeday.storage import samples, tables

CONFIG = Path(__file__).parents[1] / "config"
quick = settings(deadline=None, max_examples=50)


# --- epochs -----------------------------------------------------------------------------


def test_epochs_begin_on_a_whole_second_and_hold_the_last_instant() -> None:
    windows = windows_over(START + 700_000_000, START + 60 * SECOND, 30)
    assert (windows.start_ns, windows.count) == (START, 3)
    assert windows.of(np.array([START, START + 30 * SECOND - 1, START + 30 * SECOND])).tolist() == [0, 0, 1]


@given(st.lists(st.integers(0, 5), min_size=1, max_size=6))
def test_stored_stretches_are_joined(lengths: list[int]) -> None:
    at, words = np.arange(sum(lengths)), ["missing", "measured", "recovered"]  # in an order of their own
    rows = pd.DataFrame(
        {
            "utc_ns": START + at,
            "x": np.where(at % 3, at, np.nan).astype(np.float32),
            "origin": pd.Categorical.from_codes(at % 3, words),
        }
    )
    ends = np.cumsum([0, *lengths])
    stored = [arrow.Table.from_pandas(rows[start:end]) for start, end in itertools.pairwise(ends)]
    found = Samples.joined([Samples.of(table, ["x"]) for table in stored])
    assert found.utc_ns.tolist() == rows["utc_ns"].tolist()
    assert [list(codes.ORIGIN)[index] for index in found.origin] == rows["origin"].tolist()
    assert found.values["x"].tolist() == pytest.approx(rows["x"].tolist(), nan_ok=True)
    assert found.values["x"].dtype == np.float32
    assert found.received.tolist() == (at % 3 > 0).tolist()


@pytest.mark.parametrize(
    ("received", "share", "reason"), [(0, 0, NO_DATA), (79, 0.79, LOW_COVERAGE), (80, 0.8, -1), (101, 1, -1)]
)
def test_coverage_decides(received: int, share: float, reason: int) -> None:
    windows = Windows(START, 10, 1)
    cover = coverage(windows, windows.sums(START + np.arange(received) * 90_000_000), 10.0)
    assert cover.tolist() == [pytest.approx(share)]
    value, why = values_or_reasons(np.array([5.0]), cover, 0.8, np.array([True]))
    assert why.tolist() == [reason]
    assert np.isnan(value[0]) == (reason != -1)


def test_reasons_rank_from_nothing_to_too_few() -> None:
    cover = np.array([0.0, 0.5, 1.0, 1.0])
    _, why = values_or_reasons(np.ones(4), cover, 0.8, np.array([False, False, False, True]))
    assert why.tolist() == [NO_DATA, LOW_COVERAGE, TOO_FEW_BEATS, -1]


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


# --- the stage ---------------------------------------------------------------------------


def put(
    study: Study,
    node: str,
    stream: str,
    rate_hz: float,
    per_frame: int,
    values: dict[str, np.ndarray],
    lost: np.ndarray,
) -> None:
    n = len(lost)
    columns: dict[str, Any] = {
        "boot": np.zeros(n, np.int32),
        "seq": np.arange(n) // per_frame,
        "position": (np.arange(n) % per_frame).astype(np.int16),
    }
    for channel, value in values.items():
        samples = samples_of(value, lost, rate_hz)
        columns |= {name: samples[name].to_numpy() for name in ("utc_ns", "origin", "fill_probability")} | {
            channel: samples["value"],
            f"{channel}_quality": samples["quality"],
            f"{channel}_raw": pd.arrays.IntegerArray(np.zeros(n, np.int32), lost),
        }
    put_samples(study, "S01-clean", node, stream, columns)


def study_with(root: Path, heart: np.ndarray, lost: np.ndarray) -> Study:
    """Two minutes of ECG, one node of acceleration without its second half minute, one of temperature."""
    shutil.copytree(CONFIG, root / "config")
    study = Study(root)
    still = np.zeros(6000)
    gone = (np.arange(6000) >= 1500) & (np.arange(6000) < 3000)
    put(study, "heart", "ecg", RATE, 20, {"ecg": heart}, lost)
    put(study, "wrist", "acc", 50.0, 10, {"x": still, "y": still, "z": still + 1.05}, gone)
    skin = {"skin": 33 + np.arange(120) % 2 / 10}
    put(study, "skin", "temp", 1.0, 4, skin, np.zeros(120, np.bool_))
    stage.run(study, "S01-clean")
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
        None,
        "low_coverage",
        "no_data",
        None,
    ]
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
    assert set(heart["bar"].dropna()) <= {
        "replayed",
        "replayed_bridged",
        "no_stretch",
    }  # holes adjoin both epochs
    assert of(epochs, "enmo_mg")["bar"].isna().all()
    signal = read(study, "signal_quality")
    assert len(signal) == 12
    assert (
        signal["use"].tolist()
        == ["variability"] * 3 + ["none"] + ["variability"] * 2 + ["none"] * 3 + ["variability"] * 3
    )
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
    assert counted.isna().all()
    assert len(read(study, "beats")) == beats


def test_pieces_on_several_cores_give_the_tables_of_one(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """An ECG of many pieces: the same bytes whoever does them, and no beat more or less at a border."""
    beats, lost = steady(145), np.zeros(30_000, np.bool_)
    lost[7500:9500] = lost[16_000:16_060] = True
    study = study_with(tmp_path, ecg(beats, 120), lost)
    full = read(study, "beats")
    monkeypatch.setattr(stage, "PIECE_S", 7.0)
    monkeypatch.setattr(stage, "MARGIN_S", 30.0)
    made = {}
    for cores in (1, 2):
        stage.run(study, "S01-clean", cores)
        names = ("beats", "signal_quality", "epochs", "bouts", "calibration")
        made[cores] = [tables.path(study.results, name, "S01-clean").read_bytes() for name in names]
    assert made[1] == made[2]
    assert read(study, "beats")["utc_ns"].to_numpy() == pytest.approx(full["utc_ns"].to_numpy(), abs=4e6)


def test_error_bars_reach_the_table(tmp_path: Path) -> None:
    """Two minutes, the last of them with holes: bars of nothing where nothing was lost, and a reason
    where there are none."""
    rng = np.random.default_rng(5)
    beats = np.cumsum(0.8 + 0.03 * rng.standard_normal(148)) + 0.2
    lost = np.zeros(30_000, np.bool_)
    for start in (16_000, 17_500, 20_400, 24_100, 27_000):
        lost[start : start + 60] = True
    epochs = read(study_with(tmp_path, ecg(beats, 120), lost), "epochs")
    rmssd = of(epochs, "rmssd_ms")
    assert rmssd["bar"].tolist() == ["nothing_lost"] * 2 + ["replayed_bridged"] * 2
    assert (rmssd["low"][:2] == rmssd["value"][:2]).all()
    assert (rmssd["low"][2:] < rmssd["high"][2:]).all()
    reserve, rate = of(epochs, "heart_rate_reserve_pct"), of(epochs, "heart_rate_bpm")
    person = Study(tmp_path).participants[0]
    span = 208 - 0.7 * (person.age_years or 0) - (person.resting_bpm or 0)
    assert reserve["value"].to_numpy() == pytest.approx(
        100 * (rate["value"] - (person.resting_bpm or 0)).to_numpy() / span
    )
    assert of(epochs, "sdnn_ms")["reason"].tolist() == ["too_short"] * 4  # two minutes, less the first beat
    assert of(epochs, "vlf_ms2")["reason"].tolist() == ["too_short"] * 4


def test_a_steady_heart_has_no_variability(tmp_path: Path) -> None:
    """Beats on whole samples without noise: RR is constant, RMSSD next to nothing, no warning."""
    at = np.arange(30_000) / RATE
    beats = 1.0 + 0.8 * np.arange(148)
    signal = sum(np.exp(-0.5 * ((at - beat) / 0.01) ** 2) for beat in beats)
    epochs = read(study_with(tmp_path, np.asarray(signal), np.zeros(30_000, np.bool_)), "epochs")
    assert of(epochs, "heart_rate_bpm")["value"].to_numpy() == pytest.approx(75.0, abs=1e-3)
    assert of(epochs, "rmssd_ms")["value"].to_numpy() == pytest.approx(0.0, abs=0.01)


def test_without_repair_the_stage_stops_with_a_sentence(tmp_path: Path) -> None:
    """A session whose frames hold no samples has a folder without files, and empty tables."""
    shutil.copytree(CONFIG, tmp_path / "config")
    study = Study(tmp_path)
    with pytest.raises(ContractError, match=r"S01-clean/heart\.ecg\.parquet: .*an earlier stage"):
        stage.run(study, "S01-clean")
    samples.folder(study.results, "S01-clean").mkdir(parents=True)
    stage.run(study, "S01-clean")
    assert tables.read(tables.path(study.results, "epochs", "S01-clean"), "epochs").empty
