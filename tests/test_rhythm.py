"""Stage `features`: odd intervals known by those around, pauses known by the signal, marks of the rhythm."""

from __future__ import annotations

import importlib.util
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from hearts import RATE, SECOND, START, beats_of, ecg, named, pieces_of, samples_of, series, steady
from hypothesis import given, settings
from hypothesis import strategies as st
from nodeday.schemas import codes

from nodeday.config.models import EpochSettings, HeartSettings, Node
from nodeday.layouts import Kind
from nodeday.stages.features.heart.analysis import analyse, analyse_piece
from nodeday.stages.features.heart.artefacts import MARGIN, irregular
from nodeday.stages.features.heart.ecg_stream import HeartStream
from nodeday.stages.features.heart.epochs import features_of
from nodeday.stages.features.heart.intervals import (
    ARTEFACT,
    ECTOPIC,
    FIRST,
    NORMAL,
    PAUSE,
    TOO_LONG,
    LossIndex,
    rr_status,
)
from nodeday.stages.features.heart.irregularity import irregularity, too_irregular
from nodeday.stages.features.heart.rates import heart_rate
from nodeday.stages.features.heart.rhythm import ectopic_share, longest_interval, rhythm_events
from nodeday.stages.features.stream import FeatureValues
from nodeday.stages.features.windows import Windows, windows_over

quick = settings(deadline=None, max_examples=40)


# --- odd intervals ----------------------------------------------------------------------


def lively(count: int, seed: int) -> np.ndarray:
    """Intervals of a heart with breathing, drift, early beats, missed beats and pauses."""
    rng = np.random.default_rng(seed)
    rr = 850 + 60 * np.sin(np.arange(count) / rng.uniform(0.5, 2)) + rng.normal(0, 20, count)
    rr += 150 * np.sin(np.arange(count) / 70)
    for at in rng.integers(1, count - 1, count // 12):
        rr[at], rr[at + 1] = rr[at] * rng.uniform(0.5, 0.9), rr[at + 1] * rng.uniform(1, 1.5)
    rr[rng.integers(0, count, count // 60)] *= 2
    return np.maximum(rr, 250)


def statuses(rr: np.ndarray, sample: np.ndarray, lost: np.ndarray) -> np.ndarray:
    none = np.zeros(len(lost), np.bool_)
    first = np.concatenate([[np.nan], rr[1:]])
    return rr_status(first, LossIndex.of(lost, none, 100.0).at(sample))


@quick
@given(st.integers(0, 9999), st.integers(60, 200), st.integers(60, 200), st.sampled_from([0.0, 0.002, 0.01]))
def test_the_rest_of_the_day_changes_no_code(seed: int, before: int, after: int, loss: float) -> None:
    """A stretch with its margin has the codes that it has in the day, and in quite another day."""
    rr, other = lively(500, seed), 0.6 * lively(500, seed + 1)
    sample = np.rint(np.cumsum(rr) / 10).astype(np.int64)
    lost = np.random.default_rng(seed).random(sample[-1] + 50) < loss
    whole = statuses(rr, sample, lost)
    low, high = before - MARGIN, before + after + MARGIN
    cut = statuses(rr[low:high], sample[low:high], lost)
    assert (cut[MARGIN:-MARGIN] == whole[before : before + after]).all()
    replaced = np.concatenate([other[:low], rr[low:high], other[high:]])
    assert (
        irregular(replaced, replaced > 0)[before : before + after]
        == irregular(rr, rr > 0)[before : before + after]
    ).all()


def test_the_margin_is_needed() -> None:
    """Without a margin codes do change: the property above can fail."""
    rr = lively(500, 3)
    whole = irregular(rr, rr > 0)
    assert any((irregular(rr[at:], rr[at:] > 0)[:3] != whole[at : at + 3]).any() for at in range(50, 400))


@pytest.mark.parametrize(("name", "most"), [("Long", 0.007), ("Short", 0.007)])
def test_a_published_series_of_normal_intervals_is_kept(name: str, most: float) -> None:
    """Series that the package pyhrv ships as normal-to-normal: a heart that slows by half within a beat."""
    found = importlib.util.find_spec("pyhrv")
    if found is None or not found.submodule_search_locations:
        pytest.skip("pyhrv, which holds the series, is not installed")
    path = Path(found.submodule_search_locations[0]) / "files" / f"SampleNNISeries{name}.npy"
    rr = np.load(path).astype(np.float64)
    odd = irregular(rr, rr > 0) > 0
    assert odd.mean() <= most
    kept = ~odd[1:] & ~odd[:-1]
    steps = np.diff(rr)
    assert np.sqrt(np.mean(steps[kept] ** 2) / np.mean(steps**2)) == pytest.approx(1, abs=0.005)


@pytest.mark.parametrize("amplitude", [0.02, 0.05, 0.1, 0.15])
@pytest.mark.parametrize("breath_hz", [0.1, 0.2, 0.25])
def test_deep_breathing_and_a_run_make_nothing_odd(amplitude: float, breath_hz: float) -> None:
    """Sinus arrhythmia of up to 15 % either way, while the heart goes from 60 to 170 a minute and back."""
    at, rr = 0.0, []
    while at < 900:
        bpm = 60 + 110 * np.exp(-(((at - 450) / 150) ** 2))
        rr.append(60_000 / bpm * (1 + amplitude * np.sin(2 * np.pi * breath_hz * at)))
        at += rr[-1] / 1000
    assert not irregular(np.array(rr), np.ones(len(rr), np.bool_)).any()


@quick
@given(st.integers(30, 160), st.floats(0.5, 0.75), st.floats(0.9, 1.4))
def test_an_early_beat_and_what_follows_it_are_odd(at: int, early: float, after: float) -> None:
    rr = 800 + 30 * np.sin(np.arange(200) / 2)
    rr[at], rr[at + 1] = rr[at] * early, rr[at + 1] * after
    odd = np.flatnonzero(irregular(rr, np.ones(200, np.bool_)))
    assert odd.tolist() == [at, at + 1]


def test_a_long_interval_is_odd_only_where_a_beat_fits_in() -> None:
    for factor, is_odd in ((1.3, False), (1.55, False), (1.7, True), (2.0, True)):
        rr = np.full(60, 800.0)
        rr[30] *= factor
        assert irregular(rr, np.ones(60, np.bool_)).any() == is_odd


# --- pauses -----------------------------------------------------------------------------


def paused(length_s: float, change: str = "") -> tuple[str, float]:
    """Status and length of the interval of a pause, with something done to the signal in its middle."""
    beats = steady(60)
    beats = np.concatenate([beats[:30], beats[30:] + length_s])
    signal = ecg(beats, beats[-1] + 2)
    lost = np.zeros(len(signal), np.bool_)
    middle = round((beats[29] + beats[30]) / 2 * RATE)
    if change == "lost":
        lost[middle] = True
    if change == "low beat":
        signal += 0.6 * ecg(np.array([middle / RATE]), len(signal) / RATE, seed=2)
    rows = samples_of(signal, lost)
    if change == "flat":
        rows.loc[middle - 50 : middle + 50, "quality"] = "flat"
    found = beats_of(pieces_of(rows), RATE)
    longest = int(np.nanargmax(np.nan_to_num(found.rr_ms)))
    return named(found.status)[longest], float(found.rr_ms[longest])


@pytest.mark.parametrize(
    ("length_s", "status"),
    [
        (0.9, "artefact"),
        (1.3, "pause"),
        (2.4, "pause"),
        (6.0, "pause"),
        (12.0, "pause"),
        (29.0, "pause"),
        (31.0, "too_long"),
        (70.0, "too_long"),
    ],
)
def test_a_pause_in_clean_signal_is_known_by_its_length(length_s: float, status: str) -> None:
    found, rr = paused(length_s)
    assert (found, rr) == (status, pytest.approx(1000 * length_s + 812.3, abs=2))


@pytest.mark.parametrize(("change", "status"), [("lost", "touches_gap"), ("flat", "too_long")])
def test_no_pause_where_the_signal_was_not_seen(change: str, status: str) -> None:
    assert paused(6.0, change)[0] == status


def test_what_might_be_a_beat_is_no_silence() -> None:
    """A deflection of 60 % of a beat in the middle of 4 s: found as a beat, or else no pause."""
    status, rr = paused(4.0, "low beat")
    assert status == "too_long" or rr < 3000


def test_a_usual_interval_of_more_than_two_seconds_is_no_pause() -> None:
    beats = steady(40, 2.2)
    found = beats_of(pieces_of(samples_of(signal := ecg(beats, 92), np.zeros(len(signal), np.bool_))), RATE)
    assert set(named(found.status)) == {"first", "normal"}


# --- heart rate -------------------------------------------------------------------------


def test_shares_of_intervals_by_hand() -> None:
    """beats       0    1    2      6    7 s
    window            [1.5 .......... 6.5)     0.5 + 1 pause + 0.5 over 0.5 + 4 + 0.5 s"""
    one = series(np.array([1000.0, 1000, 4000, 1000]), np.array([NORMAL, NORMAL, PAUSE, NORMAL], np.int8))
    rate, count = heart_rate(one, np.array([1_500_000_000]), np.array([6_500_000_000]))
    assert (rate[0], count[0]) == (pytest.approx(60 * 2 / 5), pytest.approx(2))


@quick
@given(st.lists(st.sampled_from([0, 2, 4, 5, 6, 7, 8]), min_size=2, max_size=40), st.integers(0, 999))
def test_heart_rate_against_exact_fractions(status: list[int], seed: int) -> None:
    rr = np.random.default_rng(seed).integers(400, 3000, len(status)).astype(np.float64)
    one = series(rr, np.array(status, np.int8))
    starts = np.arange(0, 60, 7) * SECOND
    rate, count = heart_rate(one, starts, starts + 10 * SECOND)
    for w, start in enumerate(starts.tolist()):
        n = time = Fraction(0)
        for begin, end, code in zip(one.at_ns[:-1].tolist(), one.at_ns[1:].tolist(), status, strict=True):
            inside = max(0, min(end, start + 10 * SECOND) - max(begin, start))
            if code not in (2, 6):
                n, time = n + Fraction(inside, end - begin), time + inside
        assert count[w] == pytest.approx(float(n), abs=1e-6)
        expected = float(60 * SECOND * n / time) if time else np.nan
        assert rate[w] == pytest.approx(expected, rel=1e-6, nan_ok=True)


def test_a_day_of_boots_counts_nothing_between_them() -> None:
    one = series(np.array([800.0, 800, 500_000, 800, 800]), np.array([0, 0, FIRST, 0, 0], np.int8))
    rate, count = heart_rate(one, np.array([0]), np.array([10**12]))
    assert (rate[0], count[0]) == (pytest.approx(75), pytest.approx(4))


# --- irregularity -----------------------------------------------------------------------


@quick
@given(st.integers(0, 9999), st.sampled_from([4.0, 30.0, 120.0]))
def test_irregularity_against_a_naive_count(seed: int, spread: float) -> None:
    rng = np.random.default_rng(seed)
    rr = rng.normal(800, spread, 60)
    status = rng.choice(np.array([0, 0, 0, 0, 2, 4], np.int8), 60)
    one = series(rr, status)
    starts = np.array([0, 10]) * SECOND
    got = irregularity(one, starts, starts + 25 * SECOND)
    for w in range(2):
        inside = [i for i in range(1, 61) if starts[w] <= one.at_ns[i] < starts[w] + 25 * SECOND]
        use = [i for i in inside if one.status[i] in (0, 4)]
        heads = [i for i in use if i + 1 in use]
        near = [(i, j) for i in heads for j in heads if i < j and abs(one.rr[i] - one.rr[j]) < 30]
        stay = [(i, j) for i, j in near if abs(one.rr[i + 1] - one.rr[j + 1]) < 30]
        mean = np.mean(one.rr[use])
        expected = -np.log(len(stay) / len(near)) + np.log(60) - np.log(mean) if len(stay) >= 5 else np.nan
        assert got[w] == pytest.approx(expected, abs=1e-5, nan_ok=True)


def verdict_of(rr: np.ndarray) -> bool:
    rr = rr[np.cumsum(rr) < 300_000]
    codes_of = irregular(rr, rr > 0)
    one = series(rr, np.choose(codes_of, [NORMAL, ECTOPIC, ARTEFACT]).astype(np.int8))
    edges = np.array([0]), np.array([301 * SECOND])
    return bool(too_irregular(one, irregularity(one, *edges), *edges)[0])


@pytest.mark.parametrize("variation", [0.15, 0.2, 0.25])
@pytest.mark.parametrize("mean_ms", [500, 800])
def test_intervals_without_a_pattern_are_irregular(variation: float, mean_ms: float) -> None:
    """Independent gamma intervals, whose coefficient of variation in atrial fibrillation is about 0.2 (from
    memory)."""
    rng = np.random.default_rng(5)
    assert verdict_of(mean_ms * rng.gamma(1 / variation**2, variation**2, 900))


@pytest.mark.parametrize("amplitude", [0.03, 0.1, 0.15])
def test_deep_breathing_is_not_irregular(amplitude: float) -> None:
    rng, at, rr = np.random.default_rng(5), 0.0, []
    while at < 320:
        rr.append(950 * (1 + amplitude * np.sin(np.pi * at / 2)) + 10 * rng.normal())
        at += rr[-1] / 1000
    assert not verdict_of(np.array(rr))


# --- marks ------------------------------------------------------------------------------


def test_share_of_early_beats_and_the_longest_interval() -> None:
    """One of ten is early: its interval and the next are ectopic, and it is one beat."""
    rr = np.full(100, 800.0)
    rr[5::10], rr[6::10] = 500, 1100
    classes = irregular(rr, rr > 0)
    one = series(rr, np.where(classes == 1, ECTOPIC, NORMAL).astype(np.int8))
    edges = np.array([0]), np.array([10**12])
    share, count = ectopic_share(one, *edges)
    assert (share[0], count[0]) == (pytest.approx(0.1), 100)
    longest, count = longest_interval(one, *edges)
    assert (longest[0], count[0]) == (1100, 100)


def marked(beats_s: np.ndarray, seconds: int) -> tuple[dict[str, FeatureValues], HeartStream]:
    """Features of an ECG with beats at these instants, and its stream."""
    signal = ecg(beats_s, beats_s[-1] + 2)
    (piece,) = pieces_of(samples_of(signal, np.zeros(len(signal), np.bool_)))
    session = windows_over(int(piece.rows.utc_ns[0]), int(piece.rows.utc_ns[-1]), seconds)
    analysis = analyse([analyse_piece(piece, RATE, session)], RATE, session)
    channel = {"name": "ecg", "unit": "mV"}
    kind = Kind.model_validate(
        {
            "kind": 1,
            "stream": "ecg",
            "rate_hz": RATE,
            "samples": 20,
            "bits": 12,
            "order": "big",
            "channels": [channel],
        }
    )
    node = Node(session="*", node="heart", address=1, placement="chest")
    heart = HeartStream(
        node,
        kind,
        Windows(START, seconds, session.count),
        analysis,
        EpochSettings(seconds=seconds),
        HeartSettings(error_bars=False),
        None,
    )
    return {one.name: one for one in features_of(heart)}, heart


def test_slowest_fastest_and_a_pause_of_a_session() -> None:
    """Two minutes at 60 a minute with a pause of 5 s, then one at 120: each is on the list."""
    beats = np.concatenate([1.0 + np.arange(60), 65.0 + np.arange(60), 125 + 0.5 * np.arange(120)])
    features, heart = marked(beats, 60)
    events = rhythm_events(heart, list(features.values()))
    kinds = [list(codes.RHYTHM_EVENT)[event] for event in events.event]
    assert kinds == ["pause", "slowest", "fastest"]
    assert events.rr_ms[0] == pytest.approx(5000, abs=5)
    assert (events.start_ns[0] - START) / SECOND == pytest.approx(60, abs=0.01)
    assert events.rate_bpm[1] < 45
    assert events.rate_bpm[2] == pytest.approx(120, abs=0.2)
    assert features["heart_rate_high_bpm"].value[2] == pytest.approx(120, abs=0.2)
    assert features["longest_rr_ms"].value[1] == pytest.approx(5000, abs=5)
    assert features["ectopic_pct"].value[:2].max() == 0


def test_epochs_shorter_than_ten_seconds_have_no_slowest() -> None:
    features, heart = marked(steady(40), 5)
    reasons = {list(codes.NO_VALUE)[code] for code in features["heart_rate_low_bpm"].reason}
    assert reasons == {"too_short"}
    assert len(rhythm_events(heart, list(features.values())).event) == 0


def test_no_variability_where_beats_follow_no_pattern() -> None:
    rng = np.random.default_rng(2)
    beats = 1 + np.cumsum(0.75 * rng.gamma(25, 1 / 25, 420))
    features, _ = marked(beats, 60)
    for name in ("rmssd_ms", "sdnn_ms", "pnn50_pct", "lf_ms2"):
        assert {list(codes.NO_VALUE)[code] for code in features[name].reason[:5]} == {"irregular"}
    assert np.isfinite(features["heart_rate_bpm"].value[:5]).all()


def test_status_numbers_stand_for_their_codes() -> None:
    assert [list(codes.RR_STATUS)[number] for number in (PAUSE, TOO_LONG)] == ["pause", "too_long"]
