"""Stage `features`, the heart's values: definitions, spectra, quality and respiration."""

from __future__ import annotations

import importlib.util
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hearts import SECOND, START, ecg, pieces_of, samples_of, series, steady, swaying
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import lombscargle

from nodeday.config.models import Node, Participant
from nodeday.stages.features.heart import quality
from nodeday.stages.features.heart.analysis import analyse_piece
from nodeday.stages.features.heart.rates import (
    BeatSeries,
    heart_rate,
    predicted_maximum,
    reserve_features,
    variability,
)
from nodeday.stages.features.heart.respiration import breaths_per_minute
from nodeday.stages.features.heart.spectrum import (
    SpectrumRows,
    band_powers,
    density,
    frequencies,
    powers_of,
    wave_basis,
)
from nodeday.stages.features.stream import FeatureValues
from nodeday.stages.features.windows import HAS_VALUE, NO_PARTICIPANT_FACTS, Windows

TASK_FORCE = np.array([800.0, 810, 790, 820, 805, 860, 800])
quick = settings(deadline=None, max_examples=40)
ALL = np.array([0]), np.array([10**15])


# --- published definitions --------------------------------------------------------------


def test_task_force_series() -> None:
    """Worked series 800 810 790 820 805 860 800 ms: mean 812.143, SDNN 23.068, RMSSD 37.081, pNN50 33.33 %,
    73.879 bpm, by hand from the definitions of the 1996 Task Force."""
    found = variability(series(TASK_FORCE), *ALL)
    rate, count = heart_rate(series(TASK_FORCE), *ALL)
    assert (rate[0], count[0]) == (pytest.approx(73.879, abs=5e-4), 7)
    assert found.sdnn_ms[0] == pytest.approx(23.068, abs=5e-4)
    assert found.rmssd_ms[0] == pytest.approx(37.081, abs=5e-4)
    assert found.pnn50_pct[0] == pytest.approx(100 / 3, abs=5e-3)
    assert found.sd1_ms[0] == pytest.approx(np.std(np.diff(TASK_FORCE), ddof=1) / np.sqrt(2))
    assert found.sd2_ms[0] == pytest.approx(np.sqrt(2 * 23.0682**2 - found.sd1_ms[0] ** 2), abs=1e-3)
    assert found.pairs[0] == 6
    assert found.kept_s[0] == found.span_s[0] == pytest.approx(TASK_FORCE.sum() / 1000)


def test_a_published_series_and_its_report() -> None:
    """4,684 intervals and the report that the package pyhrv publishes beside them: mean 768.438, SDNN 85.357,
    RMSSD 60.523 ms."""
    found = importlib.util.find_spec("pyhrv")
    if found is None or not found.submodule_search_locations:
        pytest.skip("pyhrv, which holds the series, is not installed")
    rr = np.load(Path(found.submodule_search_locations[0]) / "files" / "SampleNNISeriesLong.npy").astype(
        float
    )
    spread = variability(series(rr), *ALL)
    assert len(rr) == 4684
    assert rr.mean() == pytest.approx(768.438, abs=5e-4)
    assert spread.sdnn_ms[0] == pytest.approx(85.357, abs=5e-4)
    assert spread.rmssd_ms[0] == pytest.approx(60.523, abs=5e-4)


@quick
@given(st.lists(st.sampled_from([0, 0, 0, 2, 7, 4]), min_size=2, max_size=60), st.integers(0, 999))
def test_windows_that_overlap_against_a_naive_reading(codes: list[int], seed: int) -> None:
    rr = np.random.default_rng(seed).normal(800, 60, len(codes))
    one = series(rr, np.array(codes, np.int8))
    starts = np.arange(0, 40, 5) * SECOND
    ends = starts + 20 * SECOND
    found = variability(one, starts, ends)
    for w in range(len(starts)):
        own = [i for i in range(len(one.rr)) if starts[w] <= one.at_ns[i] < ends[w]]
        good = [i for i in own if one.status[i] in (0, 7)]
        steps = [one.rr[i] - one.rr[i - 1] for i in good if i - 1 in good]
        values = one.rr[good]
        expected = (
            np.std(values, ddof=1) if len(good) > 1 else np.nan,
            np.sqrt(np.mean(np.square(steps))) if steps else np.nan,
            100 * np.mean(np.abs(steps) > 50) if steps else np.nan,
        )
        got = (found.sdnn_ms[w], found.rmssd_ms[w], found.pnn50_pct[w])
        assert got == pytest.approx(expected, rel=1e-6, abs=1e-4, nan_ok=True)
        assert found.pairs[w] == len(steps)
        assert found.kept_s[w] == pytest.approx(values.sum() / 1000)


def test_no_beat_one_beat_and_a_constant_heart() -> None:
    nothing = BeatSeries(np.zeros(0, np.int64), np.zeros(0), np.zeros(0, np.int8))
    one = BeatSeries(np.array([5]), np.array([np.nan]), np.array([1], np.int8))
    for empty in (nothing, one):
        assert np.isnan(variability(empty, *ALL).rmssd_ms[0])
        assert np.isnan(heart_rate(empty, *ALL)[0][0])
    constant = variability(series(np.full(100, 800.0)), *ALL)
    assert (constant.sdnn_ms[0], constant.rmssd_ms[0], constant.sd2_ms[0]) == (0, 0, 0)


def test_reserve_and_maximum() -> None:
    """Tanaka 2001: 187 bpm at 30 years. Karvonen 1957: 70 % of the reserve over a rest of 60 is 148.9."""
    assert predicted_maximum(30) == 187
    person = Participant(participant="P1", age_years=30, resting_bpm=60)
    node = Node(session="*", node="heart", address=1, placement="chest")
    one = np.ones(1)
    rate = FeatureValues(node, "ecg", "heart_rate_bpm", 148.9 * one, one, np.array([HAS_VALUE]))
    of_maximum, of_reserve = reserve_features(rate, person)
    assert of_maximum.value[0] == pytest.approx(100 * 148.9 / 187)
    assert of_reserve.value[0] == pytest.approx(70.0)
    unknown = reserve_features(rate, None)
    assert [feature.reason[0] for feature in unknown] == [NO_PARTICIPANT_FACTS] * 2
    assert all(np.isnan(feature.value).all() for feature in unknown)


# --- spectra ----------------------------------------------------------------------------


def test_powers_of_two_tones() -> None:
    """40 ms at 0.1 Hz and 25 ms at 0.25 Hz: 40^2 / 2 = 800 and 25^2 / 2 = 312.5 ms^2."""
    at, rr = [0.0], []
    while at[-1] < 300:
        rr.append(800 + 40 * np.sin(0.2 * np.pi * at[-1]) + 25 * np.sin(0.5 * np.pi * at[-1]))
        at.append(at[-1] + rr[-1] / 1000)
    powers = band_powers(wave_basis(np.array(at[1:]), frequencies(300)), np.array(rr), np.ones((1, len(rr))))
    assert powers["lf"][0] == pytest.approx(800, abs=10)
    assert powers["hf"][0] == pytest.approx(312.5, abs=2)
    assert powers["vlf"][0] < 8


@quick
@given(st.integers(0, 999), st.floats(0.5, 1.0))
def test_periodogram_against_scipy(seed: int, kept: float) -> None:
    """scipy's Lomb-Scargle of the same residuals, un-normalised: density = 2 P T / N."""
    rng = np.random.default_rng(seed)
    at = np.cumsum(rng.uniform(0.5, 1.1, 80))
    rr = 800 + 50 * rng.standard_normal(80)
    use = rng.random(80) < kept
    of = wave_basis(at, frequencies(60))
    got = density(of, rr, use[None].astype(float))[0]
    line = np.polyval(np.polyfit(of.seconds[use], rr[use], 1), of.seconds)
    power = lombscargle(of.seconds[use], (rr - line)[use], 2 * np.pi * of.frequency)
    kept = at[use]
    length = (kept[-1] - kept[0]) * len(kept) / (len(kept) - 1)
    assert got == pytest.approx(2 * power * length / len(kept), rel=1e-6, abs=1e-6)


def test_periodogram_against_astropy() -> None:
    timeseries = pytest.importorskip("astropy.timeseries")
    rng = np.random.default_rng(4)
    at, rr = np.cumsum(rng.uniform(0.5, 1.1, 300)), 800 + 50 * rng.standard_normal(300)
    of = wave_basis(at, frequencies(240))
    line = np.polyval(np.polyfit(of.seconds, rr, 1), of.seconds)
    oracle = timeseries.LombScargle(
        of.seconds, rr - line, fit_mean=False, center_data=False, normalization="psd"
    )
    power = oracle.power(of.frequency, method="slow")
    length = (at[-1] - at[0]) * 300 / 299
    assert density(of, rr, np.ones((1, 300)))[0] == pytest.approx(2 * power * length / 300, rel=1e-6)


@pytest.mark.parametrize("joined", [0.0, 0.2, 1.0])
@pytest.mark.parametrize(("kind", "close"), [(np.float64, 1e-9), (np.float32, 1e-4)])
def test_windows_that_share_their_sines_against_each_on_its_own(
    kind: type, close: float, joined: float
) -> None:
    one = series(swaying(1500))
    starts = np.array([600, 0, 0, 30, 1100, 1450]) * SECOND
    ends = starts + 300 * SECOND
    use = np.random.default_rng(1).random((2, len(one.rr))) < [[0.9], [0.7]]
    use[:, 0] = False
    which = np.array([0, 1, 0, 1, 1, 0])
    found = powers_of(one.at_ns, one.rr, SpectrumRows(starts, ends, use, which), 300.0, kind, joined)
    for row in range(len(starts)):
        own = use[which[row]] & (one.at_ns >= starts[row]) & (one.at_ns < ends[row])
        of = wave_basis((one.at_ns[own] - starts[row]) / SECOND, frequencies(300))
        alone = band_powers(of, one.rr[own], np.ones((1, own.sum())))
        for name, power in alone.items():
            assert found[name][row] == pytest.approx(power[0], rel=close)
    none = powers_of(one.at_ns, one.rr, SpectrumRows(starts, ends, use & False, which), 300.0, kind, joined)
    assert all(np.isnan(power).all() for power in none.values())


# --- respiration ------------------------------------------------------------------------


def test_breaths_from_two_of_three() -> None:
    at = np.cumsum(np.full(75, 0.8))
    breath = np.sin(2 * np.pi * 0.3 * at)
    noise = np.random.default_rng(3).standard_normal((3, 75))
    assert breaths_per_minute(at, np.stack([breath, 2 * breath, noise[0]])) == pytest.approx(18, abs=0.5)
    assert np.isnan(breaths_per_minute(at, noise))
    assert np.isnan(breaths_per_minute(at, np.stack([breath, *np.sin(2 * np.pi * at * [[0.15], [0.45]])])))
    assert np.isnan(breaths_per_minute(at[:10], noise[:, :10]))


def test_nothing_breathes_faster_than_half_the_heart() -> None:
    """0.55 Hz at 60 beats a minute would show as 0.45 Hz; at the edge there is no rate."""
    at = np.arange(1.0, 76.0)
    fast = np.sin(2 * np.pi * 0.49 * at)
    assert np.isnan(breaths_per_minute(at, np.stack([fast, fast, fast])))


# --- signal quality ---------------------------------------------------------------------


def quality_of(signal: np.ndarray, **shares: float) -> pd.DataFrame:
    count = len(signal) // 2500
    ruler = Windows(START, 10, count)
    (piece,) = pieces_of(samples_of(signal, np.zeros(len(signal), np.bool_)))
    measures = analyse_piece(piece, 250.0, ruler).measures
    assert measures is not None
    given_shares = {"coverage": 1.0, "flat": 0.0, "clipped": 0.0, "lead_off": 0.0} | shares
    return quality.quality_table(measures, {k: np.full(count, v) for k, v in given_shares.items()}, ruler)


def test_a_clean_ecg_is_good_for_variability() -> None:
    rows = quality_of(ecg(steady(70), 60))
    assert (rows["use"] == quality.VARIABILITY).all()
    assert (rows["agreement"] == 1).all()
    assert rows["likeness"].min() > 0.9
    assert rows["kurtosis"].min() > 1


@pytest.mark.parametrize(
    ("shares", "use"),
    [
        ({"coverage": 0.4}, quality.UNUSABLE),
        ({"flat": 0.6}, quality.UNUSABLE),
        ({"lead_off": 0.6}, quality.UNUSABLE),
        ({"clipped": 0.02}, quality.RATE),
    ],
)
def test_what_makes_a_signal_poor(shares: dict[str, float], use: int) -> None:
    assert (quality_of(ecg(steady(35), 30), **shares)["use"] == use).all()


def test_a_sine_noise_and_nothing() -> None:
    """A sine of 1.2 Hz has the kurtosis -1.5; a constant has none, and warns of nothing."""
    at = np.arange(15_000) / 250
    assert quality_of(np.sin(2 * np.pi * 1.2 * at))["kurtosis"].to_numpy() == pytest.approx(-1.5, abs=0.02)
    constant = quality_of(np.full(15_000, 2.0), flat=1.0)
    assert (constant["use"] == quality.UNUSABLE).all()
    assert constant[["agreement", "likeness", "kurtosis"]].isna().all().all()
    noise = quality_of(0.5 * np.random.default_rng(1).standard_normal(15_000))
    assert (noise["use"] != quality.VARIABILITY).all()
