"""Stage `features`, the heart: R peaks against experts and known trains, and the use of each interval."""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import pyarrow as arrow
import pytest
from hearts import RATE, START, beats_of, ecg, named, pieces_of, r_peaks, samples_of, steady
from hypothesis import given, settings
from hypothesis import strategies as st

from nodeday.stages.features.heart import intervals
from nodeday.stages.features.heart.artefacts import irregular
from nodeday.stages.features.heart.coarse import coarse_signal
from nodeday.stages.features.heart.intervals import LossIndex, rr_ms, rr_status
from nodeday.stages.features.heart.measures import matches, second_detector
from nodeday.stages.features.pieces import cuts, grouped
from nodeday.stages.features.pieces import pieces_of as pieces_in

quick = settings(deadline=None, max_examples=50)


# --- R peaks ----------------------------------------------------------------------------


def expert(folder: str, record: str) -> tuple[np.ndarray, np.ndarray, float]:
    """Signal, beats as sample numbers, and rate of an open record."""
    root = os.environ.get("NODEDAY_OPEN_DATA")
    if not root:
        pytest.skip("NODEDAY_OPEN_DATA names no folder of open recordings")
    wfdb = pytest.importorskip("wfdb")
    path = str(Path(root) / folder / record)
    recording, labels = wfdb.rdrecord(path, channels=[0]), wfdb.rdann(path, "atr")
    beats = labels.sample[np.isin(labels.symbol, list("NLRBAaJSVrFejnE/fQ?"))]
    return recording.p_signal[:, 0], beats, float(recording.fs)


def scored(beats: np.ndarray, found: np.ndarray, rate: float) -> tuple[float, float]:
    """Sensitivity and predictivity by wfdb's own comparison, within 150 ms after the first five minutes."""
    from wfdb.processing import compare_annotations

    start = 300 * rate
    score = compare_annotations(beats[beats >= start], found[found >= start], int(0.15 * rate))
    return score.sensitivity, score.positive_predictivity


@pytest.mark.filterwarnings("ignore:The inplace keyword")  # of the reader of the labels
@pytest.mark.parametrize(
    ("record", "least"),
    [
        ("100", 0.9995),
        ("101", 0.998),
        ("104", 0.998),
        ("112", 0.9995),
        ("114", 0.998),
        ("117", 0.9995),
        ("201", 0.995),
        ("217", 0.998),
        ("228", 0.997),
    ],
)
def test_against_expert_labels(record: str, least: float) -> None:
    """MIT-BIH Arrhythmia Database (Moody and Mark 2001): paced beats, bigeminy, inverted and wide QRS among
    them. 207 is left to the benchmark, for its flutter."""
    signal, beats, rate = expert("mitdb", record)
    sensitivity, predictivity = scored(beats, r_peaks(signal, rate).sample, rate)
    assert sensitivity >= least
    assert predictivity >= 0.997


@pytest.mark.filterwarnings("ignore:The inplace keyword")
@pytest.mark.parametrize("rate_hz", [250, 360])
def test_wide_paced_beats_are_timed_at_one_deflection(rate_hz: int) -> None:
    """Record 217: a peak and a trough of about one height, 90 ms apart, of which the labels stand between."""
    from scipy.signal import resample_poly

    signal, beats, rate = expert("mitdb", "217")
    at = r_peaks(resample_poly(signal, rate_hz, int(rate)), rate_hz).sample / rate_hz
    off = np.abs(beats[:, None] / rate - at).min(axis=1)
    assert ((off > 0.05) & (off < 0.15)).sum() <= 10


@pytest.mark.filterwarnings("ignore:The inplace keyword")
def test_electrode_motion_at_6_db() -> None:
    """MIT-BIH Noise Stress Test Database, record 118 at 6 dB: over all minutes."""
    signal, beats, rate = expert("nstdb", "118e06")
    sensitivity, predictivity = scored(beats, r_peaks(signal, rate).sample, rate)
    assert sensitivity > 0.97
    assert predictivity > 0.90


@pytest.mark.filterwarnings("ignore:The inplace keyword")
def test_the_second_detector_is_one_and_another_than_the_first() -> None:
    signal, beats, rate = expert("mitdb", "228")
    every = np.ones(len(signal), np.bool_)
    shared = coarse_signal(signal, every, every, rate)
    assert shared is not None
    second_s = second_detector(shared, rate)
    sensitivity, predictivity = scored(beats, np.rint(second_s * rate).astype(int), rate)
    assert min(sensitivity, predictivity) > 0.98
    agree = matches(r_peaks(signal, rate).sample / rate, second_s)
    assert 0.98 < agree.mean() < 1.0


@pytest.mark.parametrize("bpm", [40, 80, 150, 220])
def test_rates_from_40_to_220(bpm: int) -> None:
    beats = steady(bpm, 60 / bpm)
    signal = ecg(beats, 62) if bpm < 200 else narrow(beats, 62)
    found = r_peaks(signal, RATE)
    assert len(found.sample) == len(beats)
    assert np.abs((found.sample + found.shift) / RATE - beats).max() < 0.006


def narrow(beats_s: np.ndarray, length_s: float) -> np.ndarray:
    """As :func:`ecg` at a fast rate, where the T wave is nearer and lower."""
    at = np.arange(int(length_s * RATE)) / RATE
    signal = 0.01 * np.random.default_rng(4).standard_normal(len(at))
    for late, height, width in ((0, 1.0, 0.01), (0.027, -0.2, 0.009), (0.14, 0.15, 0.025)):
        for beat in beats_s:
            signal += height * np.exp(-0.5 * ((at - beat - late) / width) ** 2)
    return signal


@pytest.mark.parametrize("scale", [0.2, 5.0])
def test_a_sudden_change_of_amplitude_costs_no_beat(scale: float) -> None:
    beats = steady()
    signal = ecg(beats, 84)
    signal[10_000:] *= scale
    found = r_peaks(signal, RATE)
    off = np.abs((found.sample + found.shift) / RATE - beats[:, None]).min(axis=1)
    assert (off < 0.01).sum() >= len(beats) - 1


def test_wide_beats_among_narrow_ones_are_found() -> None:
    """Every fourth beat is premature, inverted and 120 ms wide, as a ventricular one."""
    beats = steady(80)
    wide = beats[::4] - 0.25
    signal = ecg(np.delete(beats, slice(None, None, 4)), 70)
    at = np.arange(len(signal)) / RATE
    for beat in wide:
        signal -= 1.3 * np.exp(-0.5 * ((at - beat) / 0.03) ** 2)
    found = (r_peaks(signal, RATE).sample) / RATE
    assert np.abs(found - wide[:, None]).min(axis=1).max() < 0.03
    assert len(found) == len(beats)


@pytest.mark.parametrize("polarity", [1.0, -1.0])
def test_wide_beats_of_two_peaks_are_timed_at_one_of_them(polarity: float) -> None:
    """A spike and 60 ms later a broad trough, as in a paced heart, first the one and then the other a little
    higher: all beats are timed alike, at the spike."""
    rng = np.random.default_rng(6)
    beats = steady(150)
    at = np.arange(int(130 * RATE)) / RATE
    signal = 0.01 * rng.standard_normal(len(at))
    for beat, depth in zip(beats, np.linspace(0.75, 1.05, len(beats)), strict=True):
        signal += polarity * np.exp(-0.5 * ((at - beat) / 0.012) ** 2)
        signal -= polarity * depth * np.exp(-0.5 * ((at - beat - 0.06) / 0.025) ** 2)
    found = r_peaks(signal, RATE)
    assert len(found.sample) == len(beats)
    assert np.abs((found.sample + found.shift) / RATE - beats).max() < 0.006


@pytest.mark.parametrize("polarity", [1.0, -1.0])
@pytest.mark.parametrize("rate_hz", [125.0, 250.0, 500.0])
def test_known_beats_are_found_to_the_millisecond(rate_hz: float, polarity: float) -> None:
    beats = steady()
    signal = polarity * ecg(beats, 84, rate_hz)
    peaks = r_peaks(signal, rate_hz)
    assert len(peaks.sample) == len(beats)
    error_ms = ((peaks.sample + peaks.shift) / rate_hz - beats) * 1000
    assert np.abs(error_ms - error_ms.mean()).max() < 1.0
    assert abs(error_ms.mean()) < 1.5
    assert (np.sign(peaks.height_mv) == polarity).all()


def test_rounding_to_samples_would_be_worse() -> None:
    beats = steady()
    signal = ecg(beats, 84)
    peaks = r_peaks(signal, RATE)
    rounded, fine = peaks.sample / RATE - beats, (peaks.sample + peaks.shift) / RATE - beats
    assert fine.std() < rounded.std() / 2


@pytest.mark.parametrize(
    "signal",
    [
        np.zeros(5000),
        np.full(5000, 3.3),
        0.001 * np.random.default_rng(3).standard_normal(5000),
        np.zeros(0),
        np.zeros(40),
    ],
    ids=["zero", "constant", "noise", "empty", "short"],
)
def test_no_heart_gives_no_beat(signal: np.ndarray) -> None:
    every = np.ones(len(signal), np.bool_)
    assert len(r_peaks(signal, RATE).sample) == 0
    assert len(r_peaks(signal, RATE, ~every).sample) == 0


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
    peaks = r_peaks(np.where(present, signal, 0.0), RATE, present)
    at = (peaks.sample + peaks.shift) / RATE
    off = at[:, None] - beats
    assert np.abs(off).min(axis=1, initial=9).max(initial=0) < 0.006
    assert len(np.unique(np.abs(off).argmin(axis=1))) == len(at)
    assert present[peaks.sample].all()


@pytest.mark.parametrize("marked_at_rail", [True, False])
def test_movement_hides_no_beat_elsewhere(marked_at_rail: bool) -> None:
    """Two seconds of jumps, sixty times the height of an R peak, hide no beat a few seconds later."""
    beats = steady()
    signal = ecg(beats, 84)
    jumps = np.arange(2000, 2500)
    signal[jumps] = np.where(jumps // 12 % 2, 60.0, -60.0)
    every = np.ones(len(signal), np.bool_)
    trusted = every.copy()
    trusted[jumps] = not marked_at_rail
    late = beats[beats > 14]
    found = r_peaks(signal, RATE, trusted=trusted)
    at = (found.sample + found.shift) / RATE
    assert np.abs(late[:, None] - at).min(axis=1).max() < 0.006


# --- RR intervals -----------------------------------------------------------------------


def test_status_of_each_interval() -> None:
    """samples   R....R..xx..R....R..~~..R....~R~...R....R..xxxxxx...R    x missing, ~ computed
    status    first n.  spans  n.    spans   fill   fill  n.  gap (twice as long)"""
    sample = np.array([100, 300, 500, 700, 900, 1100, 1300, 1500, 1900])
    missing, computed = np.zeros(2100, np.bool_), np.zeros(2100, np.bool_)
    missing[380:390] = True
    missing[1600:1800] = True
    computed[790:795] = True
    computed[1099:1102] = True
    rr = np.concatenate([[np.nan], np.full(7, 800.0), [1600.0]])
    assert named(rr_status(rr, LossIndex.of(missing, computed, RATE).at(sample))) == [
        "first",
        "normal",
        "spans_gap",
        "normal",
        "spans_gap",
        "beat_in_fill",
        "beat_in_fill",
        "normal",
        "touches_gap",
    ]


@pytest.mark.parametrize(("samples_away", "status"), [(12, "touches_gap"), (13, "normal")])
def test_the_guard_is_50_ms(samples_away: int, status: str) -> None:
    """50 ms are 12.5 samples at 250 Hz. Lost samples after the pair's last beat, or before its first."""
    sample, rr = np.array([100, 300, 500]), np.array([np.nan, 800.0, 800.0])
    for position in (500 + samples_away, 300 - samples_away):
        lost = np.zeros(700, np.bool_)
        lost[position] = True
        assert named(rr_status(rr, LossIndex.of(lost, np.zeros(700, np.bool_), RATE).at(sample)))[2] == status


def test_an_extra_and_a_missed_beat_are_artefacts_and_a_pause_is_too_long() -> None:
    rr = np.array([np.nan, 800, 810, 790, 400, 410, 800, 805, 1600, 800, 7500, 800])
    sample = np.concatenate([[100], 100 + np.cumsum(rr[1:]) / 4]).astype(int)
    none = np.zeros(sample[-1] + 200, np.bool_)
    found = named(rr_status(rr, LossIndex.of(none, none, RATE).at(sample)))
    assert [i for i, name in enumerate(found) if name == "artefact"] == [4, 5, 8]
    assert [i for i, name in enumerate(found) if name == "too_long"] == [10]


def test_too_few_intervals_give_no_artefacts() -> None:
    assert not irregular(np.array([800.0, 400.0]), np.ones(2, np.bool_)).any()
    assert not irregular(np.array([]), np.ones(0, np.bool_)).any()
    assert not irregular(np.full(50, 800.0), np.ones(50, np.bool_)).any()
    slow = 800.0 * 0.99 ** np.arange(60)  # a heart that speeds up is none
    assert not irregular(slow, np.ones(60, np.bool_)).any()


def breathing(count: int = 200) -> np.ndarray:
    """Intervals that sway by 5 % with breathing."""
    return 800 + 40 * np.sin(2 * np.pi * np.arange(count) / 5.3)


def test_ectopic_missed_extra_and_misplaced_beats() -> None:
    """Patterns of Lipponen and Tarvainen 2019: short-long, twice as long, two halves, one early beat's
    pair."""
    rr = breathing()
    rr[50], rr[51] = 520, 1120  # a premature beat and its pause
    rr[90] = 1610  # missed
    rr[120] = rr[121] = 400  # extra
    found = irregular(rr, np.ones(200, np.bool_))
    assert np.flatnonzero(found == 1).tolist() == [50, 51]
    assert np.flatnonzero(found == 2).tolist() == [90, 120, 121]


def test_a_run_of_bigeminy_is_ectopic() -> None:
    """Where every second beat is premature the quartiles take it for usual; held against the median it
    is not."""
    rr = breathing(300)
    rr[100:140:2], rr[101:140:2] = 550, 1100
    found = irregular(rr, np.ones(300, np.bool_))
    assert (found[100:140] > 0).mean() > 0.9
    assert not found[:95].any()
    assert not found[145:].any()


@pytest.mark.parametrize("lost", [50, 51])
def test_half_of_an_early_beats_pair_is_known_by_its_one_neighbour(lost: int) -> None:
    """A premature beat and its pause, of which one interval is lost: the other is not taken for usual, and
    nothing else is odd."""
    rr = breathing()
    rr[50], rr[51] = 660, 980
    usable = np.ones(200, np.bool_)
    usable[lost] = False
    assert np.flatnonzero(irregular(rr, usable)).tolist() == [101 - lost]


def test_holes_make_hardly_a_usual_interval_odd() -> None:
    """A fifth of the intervals lost, at random: of the others fewer than one in 200 is taken for odd."""
    odd = []
    for seed in range(200):
        rng = np.random.default_rng(seed)
        usable = rng.random(200) > 0.2
        odd.append((irregular(breathing() + rng.normal(0, 5, 200), usable) > 0)[usable].mean())
    assert np.mean(odd) < 0.005


def test_an_early_beat_is_known_next_to_an_interval_that_spans_a_hole() -> None:
    """A hole well inside the interval before a premature beat hides nothing: its pair is known as ever."""
    rr = breathing()
    rr[50], rr[51] = 660, 980
    sample = np.rint(100 + np.cumsum(rr) / 4).astype(np.int64)
    none, hole = np.zeros(sample[-1] + 200, np.bool_), np.zeros(sample[-1] + 200, np.bool_)
    hole[sample[48] + 90 : sample[48] + 110] = True
    first = np.concatenate([[np.nan], rr[1:]])
    with_hole = named(rr_status(first, LossIndex.of(hole, none, RATE).at(sample)))
    assert with_hole[49:53] == ["spans_gap", "ectopic", "ectopic", "normal"]


@quick
@given(st.integers(1, 198), st.integers(0, 99))
def test_no_difference_is_taken_across_a_gap(at: int, seed: int) -> None:
    """The heart's period changes by a third while nothing is received: neither side is odd. Its steps stay
    far below 5 % of it, the least that can be."""
    rng = np.random.default_rng(seed)
    rr = np.concatenate([np.full(at, 900.0), np.full(200 - at, 640.0)]) + rng.normal(0, 4, 200)
    usable = np.ones(200, np.bool_)
    usable[at] = False
    steps = irregular(rr, usable)
    assert not steps[at - 1 : at + 2].any() or min(at, 199 - at) < 8  # so few are classified by the rest


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
    found = beats_of(pieces_of(samples_of(signal, lost)), RATE)
    assert len(found.utc_ns) == 59
    status = named(found.status)
    assert status[21] == "spans_gap"
    assert status.count("touches_gap") == 1
    assert status.count("normal") == 56
    normal = found.rr_ms[found.status == intervals.NORMAL]
    assert normal == pytest.approx(812.3, abs=1.0)


def test_a_beat_on_computed_samples_says_so() -> None:
    beats = steady(30)
    signal = ecg(beats, 28)
    filled = np.zeros(len(signal), np.bool_)
    middle = round(beats[15] * RATE)
    filled[middle - 2 : middle + 3] = True
    found = beats_of(pieces_of(samples_of(signal, filled, filled=filled)), RATE)
    assert np.flatnonzero(found.origin).tolist() == [15]
    assert named(found.status)[15:17] == ["beat_in_fill", "beat_in_fill"]


def test_nothing_reaches_from_boot_to_boot() -> None:
    samples = samples_of(ecg(steady(30), 26), np.zeros(6500, np.bool_))
    samples["boot"] = np.repeat([0, 1], 3250).astype(np.int32)
    found = beats_of(pieces_of(samples), RATE)
    assert named(found.status).count("first") == 2
    assert (np.diff(found.utc_ns) > 0).all()


# --- a long recording in pieces -----------------------------------------------------------


@quick
@given(st.lists(st.integers(1, 60), min_size=1, max_size=6), st.integers(1, 50), st.integers(0, 30))
def test_pieces_hold_every_row_once_and_what_is_around_it(boots: list[int], size: int, margin: int) -> None:
    number = np.repeat(np.arange(len(boots)), boots)
    rows = samples_of(np.arange(len(number), dtype=float), np.zeros(len(number), np.bool_))
    seen = []
    for piece in pieces_of(rows.assign(boot=number.astype(np.int32)), size, margin):
        own = np.flatnonzero(number == piece.rows.boot)
        last = piece.first + len(piece.rows)
        assert (piece.rows.value == own[piece.first : last]).all()
        begin, end = piece.first + piece.core.start, piece.first + piece.core.stop
        assert piece.first == max(begin - margin, 0)
        assert last == min(end + margin, len(own)) or end == len(own)
        seen += own[begin:end].tolist()
    assert seen == list(range(len(number)))


@quick
@given(st.lists(st.integers(1, 60), min_size=1, max_size=9), st.integers(1, 50), st.integers(0, 30))
def test_pieces_are_the_same_however_rows_are_stored_and_read(
    boots: list[int], size: int, margin: int
) -> None:
    """Boots of a restarting node are read together; stretches may begin and end anywhere."""
    number = np.repeat(np.arange(len(boots)), boots).astype(np.int32)
    rows = samples_of(np.arange(len(number), dtype=float), np.zeros(len(number), np.bool_)).assign(
        boot=number
    )
    table = arrow.Table.from_pandas(rows, preserve_index=False)
    found = cuts([table], size, margin)
    assert cuts([table.slice(at, 7) for at in range(0, len(number), 7)], size, margin) == found
    groups = grouped(found, size + 2 * margin)
    assert [one for group in groups for one in group] == found
    alone = list(pieces_of(rows, size, margin))
    for group in groups:
        low, high = group[0].low, group[-1].high
        assert high - low <= size + 2 * margin or len(group) == 1
        stored = [table.slice(at, min(11, high - at)) for at in range(low, high, 11)]
        for piece, expected in zip(pieces_in(stored, group), alone, strict=False):
            assert (piece.core, piece.first) == (expected.core, expected.first)
            assert piece.rows.boot == expected.rows.boot
            assert piece.rows.value.tolist() == expected.rows.value.tolist()
        alone = alone[len(group) :]
    assert not alone


def test_a_recording_in_pieces_has_the_same_beats() -> None:
    """A border may lie anywhere: on a beat, in a hole, next to one."""
    rng = np.random.default_rng(3)
    beats = 1.0 + np.cumsum(rng.normal(0.8, 0.04, 700))
    signal = ecg(beats, beats[-1] + 1)
    lost = np.zeros(len(signal), np.bool_)
    for at in rng.integers(0, len(signal), 60):
        lost[at : at + rng.integers(20, 400)] = True
    rows = samples_of(signal, lost)
    full = beats_of(pieces_of(rows), RATE)
    assert len(full.utc_ns) > 500
    for size in (30_011, 41_777, 55_555):
        parts = beats_of(pieces_of(rows, size, round(60 * RATE)), RATE)
        assert parts.utc_ns.tolist() == full.utc_ns.tolist()
        assert parts.status.tolist() == full.status.tolist()
        assert parts.origin.tolist() == full.origin.tolist()
