"""Stage `features`, the heart: beats of unusual shapes, against hearts that share no code with the simulator.

P waves that are no beats, early wide beats that are, and a pacemaker's spikes."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest
from hearts import RATE, ecg, pieces_of, r_peaks, samples_of, steady
from hypothesis import given, settings
from hypothesis import strategies as st

from nodeday.stages.features.heart.analysis import analyse, analyse_piece
from nodeday.stages.features.heart.quality import UNUSABLE
from nodeday.stages.features.heart.spikes import spikes
from nodeday.stages.features.heart.waves import p_waves, t_waves
from nodeday.stages.features.windows import windows_over


def _made_hearts() -> ModuleType:
    path = Path(__file__).parent.parent / "benchmarks" / "made_hearts.py"
    spec = importlib.util.spec_from_file_location("made_hearts", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["made_hearts"] = module
    spec.loader.exec_module(module)
    return module


made_hearts = _made_hearts()
UNSURE = {"complete block", "spikes without a heart", "spikes, discharge, no heart"}
"""Few or many false beats remain; the benchmark shows them."""


@pytest.mark.parametrize("rate_hz", made_hearts.RATES)
@pytest.mark.parametrize("name", [name for name in made_hearts.HEARTS if name not in UNSURE])
def test_every_beat_of_a_made_heart_is_found_once(name: str, rate_hz: int) -> None:
    """Low QRS behind tall P waves, wide and early beats, blocks, flutter, pacing: no beat is missed, none is
    false, and beats of one kind are timed alike."""
    heart = made_hearts.made(name, rate_hz, 7)
    peaks = r_peaks(heart.signal, heart.rate_hz)
    off = (peaks.sample + peaks.shift) / heart.rate_hz - heart.beats_s[:, None]
    nearest = np.abs(off).argmin(axis=1)
    error = off[np.arange(len(nearest)), nearest]
    assert len(peaks.sample) == len(heart.beats_s)
    assert len(np.unique(nearest)) == len(nearest)
    assert np.abs(error).max() < 0.1
    for kind in np.unique(heart.kind):
        of_kind = error[heart.kind == kind]
        assert (np.abs(of_kind - np.median(of_kind)) < 0.03).mean() > 0.9


@pytest.mark.parametrize("rate_hz", made_hearts.RATES)
def test_a_pacemaker_without_a_heart_makes_next_to_no_beats(rate_hz: int) -> None:
    heart = made_hearts.made("spikes without a heart", rate_hz)
    assert len(r_peaks(heart.signal, heart.rate_hz).sample) < 5
    assert len(spikes(heart.signal, heart.rate_hz)) == 208


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("rate_hz", made_hearts.RATES)
def test_no_ten_seconds_of_a_discharging_electrode_are_of_use(rate_hz: int, seed: int) -> None:
    heart = made_hearts.made("spikes, discharge, no heart", rate_hz, seed)
    (piece,) = pieces_of(samples_of(heart.signal, np.zeros(len(heart.signal), np.bool_), heart.rate_hz))
    windows = windows_over(int(piece.rows.utc_ns[0]), int(piece.rows.utc_ns[-1]), 10)
    signal = analyse([analyse_piece(piece, heart.rate_hz, windows)], heart.rate_hz, windows).signal
    assert (signal["use"] == UNUSABLE).all()


@pytest.mark.parametrize("name", ["paced, spikes 4 mV", "paced, spikes -4 mV", "paced in both chambers"])
def test_a_paced_heart_varies_by_milliseconds(name: str) -> None:
    """The pacemaker's interval never changes: no beat is timed at a spike, or at another deflection."""
    heart = made_hearts.made(name, 250)
    peaks = r_peaks(heart.signal, 250.0)
    at = (peaks.sample + peaks.shift) / 250
    true, seen = np.diff(heart.beats_s, 2), np.diff(at, 2)
    assert 1000 * np.sqrt(np.mean((seen - true) ** 2)) < 5


@pytest.mark.parametrize("lost", [False, True])
def test_spikes_are_said_in_the_quality(lost: bool) -> None:
    """Each ten seconds count their spikes; a hole on a spike hides that one alone."""
    heart = made_hearts.made("paced, spikes 4 mV", 250)
    missing = np.zeros(len(heart.signal), np.bool_)
    at = spikes(heart.signal, 250.0)
    if lost:
        missing[at[20] - 3 : at[20] + 3] = True
    rows = samples_of(heart.signal, missing)
    (piece,) = pieces_of(rows)
    windows = windows_over(int(piece.rows.utc_ns[0]), int(piece.rows.utc_ns[-1]), 10)
    table = analyse([analyse_piece(piece, 250.0, windows)], 250.0, windows).signal
    assert table["pacing_spikes"].sum() == len(at) - lost


@settings(deadline=None, max_examples=40)
@given(
    st.floats(0.3, 3.0),
    st.floats(-2.0, 2.0),
    st.sampled_from([1.0, -1.0]),
    st.sampled_from([125.0, 200.0, 250.0, 360.0, 500.0, 1000.0]),
)
def test_sinus_rhythm_is_the_same_at_any_scale_offset_polarity_and_rate(
    scale: float, offset: float, polarity: float, rate_hz: float
) -> None:
    beats = steady(40)
    peaks = r_peaks(polarity * scale * ecg(beats, 34, rate_hz) + offset, rate_hz)
    assert len(peaks.sample) == len(beats)
    assert np.abs((peaks.sample + peaks.shift) / rate_hz - beats).max() < 0.004


@settings(deadline=None, max_examples=40)
@given(st.floats(0.006, 0.014), st.floats(0.3, 3.0), st.sampled_from([200.0, 250.0, 360.0, 500.0, 1000.0]))
def test_no_r_peak_is_a_spike(width_s: float, height: float, rate_hz: float) -> None:
    """R peaks of 14 to 33 ms at half height, at any phase of the samples."""
    at = np.arange(int(34 * rate_hz)) / rate_hz
    signal = 0.005 * np.random.default_rng(2).standard_normal(len(at))
    for beat in steady(40):
        signal += height * np.exp(-0.5 * ((at - beat) / width_s) ** 2)
    assert len(spikes(signal, rate_hz)) == 0


def test_spikes_need_a_rate_that_shows_them() -> None:
    heart = made_hearts.made("paced, spikes 4 mV", 250)
    assert len(spikes(heart.signal[::2], 125.0)) == 0
    assert len(spikes(np.zeros(0), RATE)) == 0
    assert len(spikes(np.full(5000, np.nan), RATE)) == 0


def test_a_wave_is_a_p_wave_only_at_a_steady_distance() -> None:
    beat = np.arange(40) * 0.9 + 1
    likely = np.tile([False, True], 40)
    slope = np.tile([0.4, 1.0], 40)
    steady_at = np.sort(np.concatenate([beat - 0.2, beat]))
    assert p_waves(steady_at, slope, likely)[::2].all()
    assert not p_waves(steady_at, slope, likely)[1::2].any()
    jitter = np.random.default_rng(1).uniform(0.11, 0.29, 40)
    assert p_waves(np.sort(np.concatenate([beat - jitter, beat])), slope, likely).mean() < 0.2


@pytest.mark.parametrize("interval_s", [0.25, 0.29])
def test_small_beats_half_way_between_large_ones_are_no_p_waves(interval_s: float) -> None:
    at = 1 + interval_s * np.arange(60)
    slope, every = np.tile([1.0, 0.6], 30), np.ones(60, np.bool_)
    assert not p_waves(at, slope, every).any()


@pytest.mark.parametrize("count", [0, 1, 2])
def test_rules_of_waves_bear_few_candidates(count: int) -> None:
    at, every = np.arange(count) * 0.3, np.ones(count, np.bool_)
    assert not p_waves(at, np.ones(count), every).any()
    assert t_waves(at, np.ones(count), every).sum() == 0
