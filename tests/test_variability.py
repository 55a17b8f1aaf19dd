"""Room `features`, the heart's values: definitions, spectra, quality, respiration and error bars."""

from __future__ import annotations

import importlib.util
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hearts import SECOND, START, ecg, samples_of, steady
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import lombscargle

from nodeday.features.heart import bars, quality
from nodeday.features.heart.beats import examine
from nodeday.features.heart.intervals import (
    NORMAL,
    SPANS_GAP,
    TOUCHES_GAP,
    Losses,
    rr_ms,
    rr_status,
)
from nodeday.features.heart.rates import Series, heart_rate, variability
from nodeday.features.heart.replay import joined, lay, pattern, replayed
from nodeday.features.heart.reserve import predicted_maximum, reserve_pct
from nodeday.features.heart.respiration import breaths_per_minute
from nodeday.features.heart.spectrum import band_powers, basis, density
from nodeday.features.windows import Windows

TASK_FORCE = np.array([800.0, 810, 790, 820, 805, 860, 800])
quick = settings(deadline=None, max_examples=40)
ALL = np.array([0]), np.array([10**15])


def series(rr_ms: np.ndarray, status: np.ndarray | None = None, start: int = 0) -> Series:
    """Intervals one on another, all normal but for a first beat that begins them."""
    at = start + np.concatenate([[0], np.rint(np.cumsum(rr_ms) * 1e6)]).astype(np.int64)
    given_status = np.zeros(len(rr_ms), np.int8) if status is None else status
    return Series(at, np.concatenate([[np.nan], rr_ms]), np.concatenate([[1], given_status]).astype(np.int8))


def swaying(seconds: float, seed: int = 0) -> np.ndarray:
    """Intervals around 800 ms with a slow and a breathing part and noise."""
    rng = np.random.default_rng(seed)
    at, rr = 0.0, []
    while at < seconds:
        rr.append(800 + 40 * np.sin(0.2 * np.pi * at) + 25 * np.sin(0.5 * np.pi * at) + 5 * rng.normal())
        at += rr[-1] / 1000
    return np.array(rr)


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
    assert (found.intervals[0], found.pairs[0]) == (7, 6)
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
        assert (found.intervals[w], found.pairs[w]) == (len(good), len(steps))


def test_no_beat_one_beat_and_a_constant_heart() -> None:
    nothing = Series(np.zeros(0, np.int64), np.zeros(0), np.zeros(0, np.int8))
    one = Series(np.array([5]), np.array([np.nan]), np.array([1], np.int8))
    for empty in (nothing, one):
        assert np.isnan(variability(empty, *ALL).rmssd_ms[0])
        assert np.isnan(heart_rate(empty, *ALL)[0][0])
        assert lay(empty, 30.0, 10) is None
    constant = variability(series(np.full(100, 800.0)), *ALL)
    assert (constant.sdnn_ms[0], constant.rmssd_ms[0], constant.sd2_ms[0]) == (0, 0, 0)


def test_reserve_and_maximum() -> None:
    """Tanaka 2001: 187 bpm at 30 years. Karvonen 1957: 70 % of the reserve over a rest of 60 is 148.9."""
    assert predicted_maximum(30) == 187
    assert reserve_pct(148.9, 60, 187) == pytest.approx(70.0)


# --- spectra ----------------------------------------------------------------------------


def test_powers_of_two_tones() -> None:
    """40 ms at 0.1 Hz and 25 ms at 0.25 Hz: 40^2 / 2 = 800 and 25^2 / 2 = 312.5 ms^2."""
    at, rr = [0.0], []
    while at[-1] < 300:
        rr.append(800 + 40 * np.sin(0.2 * np.pi * at[-1]) + 25 * np.sin(0.5 * np.pi * at[-1]))
        at.append(at[-1] + rr[-1] / 1000)
    powers = band_powers(basis(np.array(at[1:])), np.array(rr), np.ones((1, len(rr))))
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
    of = basis(at)
    got = density(of, rr, use[None].astype(float))[0]
    line = np.polyval(np.polyfit(of.seconds[use], rr[use], 1), of.seconds)
    power = lombscargle(of.seconds[use], (rr - line)[use], 2 * np.pi * of.frequency)
    length = (at[-1] - at[0]) * 80 / 79
    assert got == pytest.approx(2 * power * length / use.sum(), rel=1e-6, abs=1e-6)


def test_periodogram_against_astropy() -> None:
    timeseries = pytest.importorskip("astropy.timeseries")
    rng = np.random.default_rng(4)
    at, rr = np.cumsum(rng.uniform(0.5, 1.1, 300)), 800 + 50 * rng.standard_normal(300)
    of = basis(at)
    line = np.polyval(np.polyfit(of.seconds, rr, 1), of.seconds)
    oracle = timeseries.LombScargle(
        of.seconds, rr - line, fit_mean=False, center_data=False, normalization="psd"
    )
    power = oracle.power(of.frequency, method="slow")
    length = (at[-1] - at[0]) * 300 / 299
    assert density(of, rr, np.ones((1, 300)))[0] == pytest.approx(2 * power * length / 300, rel=1e-6)


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
    """0.55 Hz at 60 beats a minute would show as 0.45 Hz; at the edge nothing is told."""
    at = np.arange(1.0, 76.0)
    fast = np.sin(2 * np.pi * 0.49 * at)
    assert np.isnan(breaths_per_minute(at, np.stack([fast, fast, fast])))


# --- signal quality ---------------------------------------------------------------------


def judged(signal: np.ndarray, **shares: float) -> pd.DataFrame:
    count = len(signal) // 2500
    ruler = Windows(START, 10, count)
    _, measures = examine(samples_of(signal, np.zeros(len(signal), np.bool_)), 250.0, ruler)
    assert measures is not None
    given_shares = {"coverage": 1.0, "flat": 0.0, "clipped": 0.0, "lead_off": 0.0} | shares
    return quality.table(measures, {k: np.full(count, v) for k, v in given_shares.items()}, ruler)


def test_a_clean_ecg_is_good_for_variability() -> None:
    rows = judged(ecg(steady(70), 60))
    assert (rows["use"] == quality.VARIABILITY).all()
    assert (rows["agreement"] == 1).all()
    assert rows["likeness"].min() > 0.9
    assert rows["kurtosis"].min() > 1


@pytest.mark.parametrize(
    ("shares", "use"),
    [({"coverage": 0.4}, quality.NOT_AT_ALL), ({"flat": 0.6}, quality.NOT_AT_ALL),
     ({"lead_off": 0.6}, quality.NOT_AT_ALL), ({"clipped": 0.02}, quality.RATE)],
)  # fmt: skip
def test_what_speaks_against_a_signal(shares: dict[str, float], use: int) -> None:
    assert (judged(ecg(steady(35), 30), **shares)["use"] == use).all()


def test_a_sine_noise_and_nothing() -> None:
    """A sine of 1.2 Hz has the kurtosis -1.5; a constant has none, and warns of nothing."""
    at = np.arange(15_000) / 250
    assert judged(np.sin(2 * np.pi * 1.2 * at))["kurtosis"].to_numpy() == pytest.approx(-1.5, abs=0.02)
    constant = judged(np.full(15_000, 2.0), flat=1.0)
    assert (constant["use"] == quality.NOT_AT_ALL).all()
    assert constant[["agreement", "likeness", "kurtosis"]].isna().all().all()
    noise = judged(0.5 * np.random.default_rng(1).standard_normal(15_000))
    assert (noise["use"] != quality.VARIABILITY).all()


# --- error bars -------------------------------------------------------------------------


def test_a_pattern_is_what_was_lost() -> None:
    at = START + np.arange(2500) * 4_000_000
    missing, computed = np.zeros(2500, np.bool_), np.zeros(2500, np.bool_)
    missing[250:500], computed[1000:1020] = True, True
    missing[2000:] = True
    lost = pattern(START, START + 12 * SECOND, at, missing, computed)
    gone, filled = lost.cut(START, 12.0)
    assert np.flatnonzero(filled).tolist() == list(range(400, 408))
    assert gone[100:200].all()
    assert gone[800:1200].all()  # the last two seconds, of which no sample tells
    assert gone.sum() == 500
    assert not lost.cut(START - 3 * SECOND, 3.0)[0].any()


def test_replayed_losses_cost_what_they_cost_in_the_recording() -> None:
    """A loss over every fourth beat leaves no interval at it; one in between leaves all."""
    one = series(np.full(200, 800.0))
    laid = lay(one, 30.0, 5)
    assert laid is not None
    grid = round((30 + 3.2) * 100)
    nothing = np.zeros(grid, np.bool_)
    left, which = replayed(laid, nothing, nothing)
    assert len(left.at_ns) == len(laid.beat) == len(which)
    assert (left.status[~laid.first] == NORMAL).all()
    short = nothing.copy()
    short[::80] = True  # ten milliseconds in each 800
    some = replayed(laid, short, nothing)[0]
    assert set(np.unique(some.status)) <= {1, TOUCHES_GAP, SPANS_GAP}
    everything = replayed(laid, ~nothing, nothing)[0]
    assert len(everything.at_ns) == 0


def test_no_complete_stretch_gives_no_bar_and_says_so() -> None:
    rr = swaying(120)
    status = np.zeros(len(rr), np.int8)
    status[::10] = TOUCHES_GAP
    lost = pattern(0, 120 * SECOND, np.arange(30_000) * 4_000_000, np.arange(30_000) % 2000 < 20,
                   np.zeros(30_000, np.bool_))  # fmt: skip
    starts = np.arange(4) * 30 * SECOND
    one, value = series(rr, status), np.full(4, 30.0)
    found = bars.spread_bars(one, starts, 30.0, {"rmssd_ms": value}, lost)["rmssd_ms"]
    assert (found.how == bars.JOINED).all()
    assert (found.low < found.high).all()
    long = bars.spread_bars(one, starts, 90.0, {"sdnn_ms": value}, lost)["sdnn_ms"]
    assert (long.how == bars.NO_STRETCH).all()
    assert np.isnan(long.low).all()
    nothing = series(rr, np.full(len(rr), TOUCHES_GAP, np.int8))
    none = bars.spread_bars(nothing, starts, 30.0, {"rmssd_ms": value}, lost)["rmssd_ms"]
    assert (none.how == bars.NO_STRETCH).all()


def test_joined_pieces_leave_out_what_touches_a_loss() -> None:
    """recorded  R 1 R 2 R 3 R 4 R 5 R x R 6 ... : the joined series is 1 2 3 4 5 6 ..., one beat more."""
    rr = np.arange(700.0, 720.0)
    status = np.zeros(20, np.int8)
    status[[5, 6, 8]] = TOUCHES_GAP  # then a single interval, too short a piece
    found = joined(series(rr, status))
    assert found.rr[1:].tolist() == [*range(700, 705), *range(709, 720)]
    assert np.diff(found.at_ns).tolist() == [round(1e6 * each) for each in found.rr[1:]]


def test_nothing_lost_is_no_error_and_no_value_has_no_bar() -> None:
    none = np.zeros(30_000, np.bool_)
    lost = pattern(0, 120 * SECOND, np.arange(30_000) * 4_000_000, none, none)
    value = np.array([30.0, np.nan, 31.0, 29.0])
    starts = np.arange(4) * 30 * SECOND
    found = bars.spread_bars(series(swaying(120)), starts, 30.0, {"rmssd_ms": value}, lost)["rmssd_ms"]
    assert found.low[[0, 2]].tolist() == found.high[[0, 2]].tolist() == [30.0, 31.0]
    assert found.how[:3].tolist() == [bars.NOTHING_LOST, -1, bars.NOTHING_LOST]


def test_intervals_hold_the_true_value_about_as_often_as_they_say() -> None:
    """A steady process, complete at first and lossy later; the truth is known since the losses are ours."""
    held = []
    for seed in range(4):
        rr = swaying(1800, seed)
        one = series(rr)
        rng = np.random.default_rng(seed + 100)
        n = 1800 * 100
        frames = np.zeros(n // 8, np.bool_)
        for start in np.flatnonzero(rng.random(len(frames)) < 0.01):
            frames[start : start + rng.integers(1, 8)] = True
        frames[: len(frames) // 2] = False
        missing = np.repeat(frames, 8)
        lost = pattern(0, 1800 * SECOND, np.arange(n) * 10_000_000, missing, np.zeros(n, np.bool_))
        place = np.rint(one.at_ns / 1e7).astype(np.int64)
        seen = (place < n) & ~missing[np.minimum(place, n - 1)]
        at = one.at_ns[seen]
        status = rr_status(rr_ms(at), place[seen], Losses.of(missing, np.zeros(n, np.bool_)), 100.0)
        lossy = Series(at, rr_ms(at), status)
        starts = np.arange(30, 59) * 30 * SECOND
        ends = starts + 30 * SECOND
        true, got = (variability(each, starts, ends).rmssd_ms for each in (one, lossy))
        bar = bars.spread_bars(lossy, starts, 30.0, {"rmssd_ms": got}, lost)["rmssd_ms"]
        replays = bar.how == bars.REPLAYED
        held += ((bar.low <= true) & (true <= bar.high))[replays].tolist()
    assert len(held) > 80
    assert 0.88 <= np.mean(held) <= 1.0


@quick
@given(st.integers(0, 999), st.floats(10, 60))
def test_an_interval_is_right_where_errors_are_known(seed: int, value: float) -> None:
    """Errors that are a known ratio: the interval is the value over that ratio's quantiles."""
    rng = np.random.default_rng(seed)
    true = rng.uniform(20, 50, 400)
    ratio = np.exp(rng.normal(0.1, 0.05, 400))
    low, high, bias = bars.interval(value, true * ratio, true, "rmssd_ms")  # type: ignore[misc]
    assert low == pytest.approx(value / np.quantile(ratio, 0.975), rel=0.03)
    assert high == pytest.approx(value / np.quantile(ratio, 0.025), rel=0.03)
    assert bias == pytest.approx(value - value / np.median(ratio), abs=1e-3 * value)
    assert bars.interval(value, true[:10], true[:10], "rmssd_ms") is None
