"""Pattern fill of an ECG: from the same recording's beats, inside the gap only, refused where unsure."""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hearts import beats_of, pieces_of
from hypothesis import given, settings
from hypothesis import strategies as st
from nodeday.schemas import codes

from nodeday.core.arrays import runs
from nodeday.stages.repair.blend import CONTEXT_S, RIDGE, RIDGE_NOISE, Context, blend, residual_products
from nodeday.stages.repair.candidates import bin_width
from nodeday.stages.repair.fill import NOT_FILLED, Policy, mend
from nodeday.stages.repair.pattern import LONGEST_S, SEARCH_S, PatternMatch, good_enough, pattern
from nodeday.stages.repair.quality import FILL_REFUSED, PATTERN_FILL, SHORT_FILL

RATE = 250.0
POLICY = Policy("pattern", LONGEST_S * RATE, 0.2 * RATE, RATE)
LEFT = (NOT_FILLED, FILL_REFUSED)
OPEN = os.environ.get("NODEDAY_OPEN_DATA")
needs_records = pytest.mark.skipif(not OPEN, reason="NODEDAY_OPEN_DATA names no folder of open recordings")
BUMPS = ((-0.18, 0.03, 0.12), (-0.028, 0.01, -0.12), (0, 0.012, 1.1), (0.03, 0.011, -0.3), (0.26, 0.05, 0.3))
"""P, Q, R, S and T: seconds from the R peak, width in seconds, height in mV."""
quick = settings(deadline=None, max_examples=8)


def heartbeats(
    seconds: float, jitter: float = 0.0, noise: float = 0.0, rate: float = RATE, seed: int = 1
) -> tuple[np.ndarray, np.ndarray]:
    """An ECG of bumps (P, Q, R, S, T) in mV and the instants of its R peaks, in samples."""
    rng = np.random.default_rng(seed)
    at = np.cumsum(rng.normal(0.8, jitter, int(seconds / 0.8) - 3))
    time = np.arange(round(seconds * rate)) / rate
    out = rng.normal(0, noise, len(time)) if noise else np.zeros(len(time))
    waves = (
        (-0.18, 0.03, 0.12),
        (-0.028, 0.01, -0.12),
        (0, 0.012, 1.1),
        (0.03, 0.011, -0.3),
        (0.26, 0.05, 0.3),
    )
    for when, width, height in waves:
        for r in at:
            near = slice(
                *np.clip([(r + when - 0.3) * rate, (r + when + 0.3) * rate], 0, len(time)).astype(int)
            )
            out[near] += height * np.exp(-((time[near] - r - when) ** 2) / (2 * width**2))
    return out, at * rate


def repaired(value: np.ndarray, lost: np.ndarray, policy: Policy = POLICY) -> tuple[np.ndarray, np.ndarray]:
    broken = np.where(lost, np.nan, value)[:, None]
    out = mend(np.arange(len(value)) / policy.rate_hz, broken, ~lost, ~lost, lost & False, policy)
    return out.values[:, 0], out.code


def lost_at(n: int, *gaps: tuple[int, int]) -> np.ndarray:
    lost = np.zeros(n, np.bool_)
    for start, end in gaps:
        lost[start:end] = True
    return lost


@pytest.mark.parametrize("rate", [250.0, 500.0, 360.0])
@pytest.mark.parametrize("ms", [24, 80, 160, 248])
def test_a_heart_that_repeats_itself_is_filled_as_it_was(rate: float, ms: int) -> None:
    """Each beat is like the last one to the sample, so the closed form stands elsewhere in the recording."""
    value, beats = heartbeats(60, rate=rate)
    size = round(ms * rate / 1000)
    starts = [round(beats[20 + 7 * i]) - shift for i, shift in enumerate((1, size // 2, size - 2))]
    lost = lost_at(len(value), *((start, start + size) for start in starts))
    out, how = repaired(value, lost, Policy("pattern", LONGEST_S * rate, 0.2 * rate, rate))
    assert (how[lost] == PATTERN_FILL).all()
    assert out == pytest.approx(value, abs=2e-3)
    inside = beats[lost[np.rint(beats).astype(int)]]
    assert len(inside) == 3
    for r in inside:  # the R peak within the fill is where it was
        around = slice(round(r) - 10, round(r) + 11)
        assert abs(np.argmax(out[around]) - np.argmax(value[around])) <= 1


@quick
@given(
    st.lists(st.tuples(st.integers(60, 14_000), st.integers(1, 90)), min_size=1, max_size=12),
    st.integers(0, 2**20),
)
def test_fills_stay_in_their_gaps_and_a_second_repair_changes_nothing(
    gaps: list[tuple[int, int]], seed: int
) -> None:
    value, _ = heartbeats(60, jitter=0.03, noise=0.01, seed=seed)
    lost = lost_at(len(value), *((start, start + size) for start, size in gaps))
    out, how = repaired(value, lost)
    assert bool((out[~lost] == value[~lost]).all())
    assert (how[~lost] == NOT_FILLED).all()
    assert (np.isnan(out) == (lost & np.isin(how, LEFT))).all()
    for start, end in zip(*runs(lost), strict=True):  # a gap is filled whole, one way, or not at all
        assert len(set(how[start:end].tolist())) == 1
        assert how[start] in LEFT or end - start <= LONGEST_S * RATE
    again = mend(np.arange(len(out)) / RATE, out[:, None], ~lost, ~lost, lost & False, POLICY)
    assert np.array_equal(again.values[:, 0], out, equal_nan=True)  # what was filled is not learnt from
    assert np.array_equal(again.code, how)


def test_seams_have_no_steps() -> None:
    """No sample of a fill lies further from the one beside it than known ones do, baseline and all."""
    value, beats = heartbeats(90, jitter=0.04, noise=0.005)
    value += 1.5 * np.sin(np.arange(len(value)) / RATE * 2 * np.pi * 0.2)  # breathing, larger than the R
    starts = [round(r) + shift for r, shift in zip(beats[10:-10:4], range(-60, 61, 6), strict=False)]
    lost = lost_at(len(value), *((start, start + 40) for start in starts))
    out, how = repaired(value, lost)
    usual = np.abs(np.diff(value)).max()
    filled = how == PATTERN_FILL
    assert filled.sum() >= 0.9 * lost.sum()
    touching = filled[1:] | filled[:-1]
    assert np.abs(np.diff(out))[touching].max() <= 1.2 * usual


def test_a_fill_that_would_be_a_guess_is_refused() -> None:
    noise = np.random.default_rng(3).normal(0, 0.2, 15_000)
    lost = lost_at(len(noise), (5_000, 5_050), (9_000, 9_050))
    assert (repaired(noise, lost)[1] == np.where(lost, FILL_REFUSED, NOT_FILLED)).all()
    value, beats = heartbeats(60, jitter=0.02)
    r = round(beats[30])
    context = lost_at(len(value), (r - 150, r - 60), (r - 20, r + 20))  # 40 samples are left before it
    assert (repaired(value, context)[1] == NOT_FILLED).all()
    long = lost_at(len(value), (r - 20, r + 43))  # 252 ms
    assert (repaired(value, long)[1] == NOT_FILLED).all()
    alone = lost_at(200, (80, 120))  # nothing to learn from
    assert (repaired(value[:200], alone)[1] == np.where(alone[:200], FILL_REFUSED, NOT_FILLED)).all()
    with pytest.raises(ValueError, match="longer than a pattern may fill"):
        pattern(value, ~long, np.array([r - 20]), np.array([r + 80]), RATE)


def test_a_disagreement_on_a_qrs_is_refused() -> None:
    """Half of the beats that look alike before and after the gap skip the QRS in it::

    beat 59 ___/\\__    beat 60 _______    beat 61 ___[ lost ]___    beat 62 _______    beat 63 ___/\\__
    """
    value, beats = heartbeats(120)
    for r in beats[10:-10:2]:
        middle = round(r)
        value[middle - 25 : middle + 25] = 0.0
    r = round(beats[61])
    starts, ends = np.array([r - 28]), np.array([r + 28])
    known = ~lost_at(len(value), (r - 28, r + 28))
    _, match = pattern(value, known, starts, ends, RATE)
    assert 0.2 < match.steep[0] < 0.8
    assert not good_enough(match).any()
    assert good_enough(PatternMatch(*np.ones((4, 1)))).all()  # as it would be if all agreed


def test_the_party_that_agrees_on_the_beat_fills_the_gap_alone() -> None:
    """One beat in six is 60 ms late under the same context; a mean of all would be off by a sixth of R."""
    value, beats = heartbeats(120, noise=0.01)
    for r in beats[12:-10:6]:
        around = slice(round(r) - 30, round(r) + 31)
        value[around] = np.roll(value[around], 15)
    starts = [round(r) - 30 for r in beats[21:120:12]]
    lost = lost_at(len(value), *((start, start + 61) for start in starts))
    out, how = repaired(value, lost)
    assert (how[starts] == PATTERN_FILL).mean() > 0.8  # the late ones may by chance be too many
    assert np.nanmax(np.abs(out - value)) < 0.12  # R is 1.1 mV high


def test_beats_alike_are_found_five_minutes_away() -> None:
    """All beats are upside down for 100 s on either side of the one with the gap::

        /\\ /\\ /\\ .... \\/ \\/ \\/ [lost] \\/ \\/ \\/ .... /\\ /\\ /\\
    """
    value, beats = heartbeats(700, jitter=0.02, noise=0.005)
    r = round(beats[430])
    apart = np.abs(np.arange(len(value)) - r) / RATE
    turned = np.where((apart > 0.5) & (apart < 100), -value, value)
    lost = lost_at(len(value), (r - 30, r + 30))
    out, how = repaired(turned, lost)
    assert (how[lost] == PATTERN_FILL).all()
    assert out == pytest.approx(turned, abs=0.15)  # R is 1.1 mV high
    near = slice(r - 99 * 250, r + 99 * 250)
    alone = np.nan_to_num(repaired(turned[near], lost[near])[0])  # as if there were nothing further away
    assert np.abs(alone - turned[near]).max() > 0.5


def test_fills_do_not_depend_on_where_a_recording_is_cut() -> None:
    """Cuts a whole number of bins apart, with a margin as wide as the search: the same bits."""
    value, beats = heartbeats(700, jitter=0.1, noise=0.05)
    middle = [round(r) - 20 for r in beats[405:450:5]]
    lost = lost_at(len(value), *((start, start + 5 + start % 57) for start in middle))
    starts, ends = runs(lost)
    whole, _ = pattern(value, ~lost, starts, ends, RATE)
    first = bin_width(RATE) * 200
    margin = round((SEARCH_S + 2 * CONTEXT_S) * RATE)
    assert first < starts[0] - margin
    assert ends[-1] + margin < len(value) - 1_000
    part = slice(first, len(value) - 1_000)
    cut, _ = pattern(value[part], ~lost[part], starts - first, ends - first, RATE)
    assert all(np.array_equal(one, other) for one, other in zip(whole, cut, strict=True))


def test_weights_are_the_least_squares_under_their_sum() -> None:
    """Lagrange's equations of the same problem, solved by numpy as one linear system."""
    rng = np.random.default_rng(4)
    rest, share = rng.normal(0, 1, (3, 6, 40)), rng.dirichlet(np.ones(6), 3)
    common, least = rest @ rest.transpose(0, 2, 1) / 40, np.array([0.0, 0.1, 1.0])
    for one, held, matrix, weight in zip(share, least, common, blend(share, common, least), strict=True):
        system = np.ones((7, 7))
        system[:6, :6] = matrix + np.diag((RIDGE + RIDGE_NOISE * held) / one)
        system[6, 6] = 0.0
        assert weight == pytest.approx(np.linalg.solve(system, np.r_[np.zeros(6), 1.0])[:6])


def test_a_context_between_two_stretches_is_rebuilt_from_both() -> None:
    rng = np.random.default_rng(5)
    early, late = rng.normal(0, 1, (2, 61))
    offset = np.arange(61) - 25
    value = (0.5 * (early + late)).astype(np.float32)[None]
    context = Context.of(value, np.ones((1, 61)), offset, 11, 60.0)
    piece = np.stack([early, late])[None].astype(np.float32)
    product = (np.einsum("gs,gps->gp", row, piece) for row in context.rows)
    common = residual_products(context, piece, np.ones((1, 2)), *product)
    rest = [
        context.value[0] - Context.of(each, np.ones((1, 61)), offset, 11, 60.0).value[0]
        for each in piece[0][:, None]
    ]
    naive = [[(context.weight[0] * a * b).sum() / context.total[0, 0] for a in rest] for b in rest]
    assert common[0] == pytest.approx(np.array(naive), abs=1e-4)
    weight = blend(np.array([[0.9, 0.1]]), common, np.zeros(1))
    assert weight[0] == pytest.approx([0.5, 0.5], abs=0.01)


def test_short_gaps_away_from_a_qrs_take_the_monotone_cubic() -> None:
    """Between P and R, and on the T wave; never beyond the neighbours, unlike beside the R peak."""
    value, beats = heartbeats(60)
    r = round(beats[30])
    for shift, expected in ((60, SHORT_FILL), (110, SHORT_FILL), (-4, PATTERN_FILL)):
        lost = lost_at(len(value), (r + shift, r + shift + 9))
        out, how = repaired(value, lost)
        assert set(how[lost].tolist()) == {expected}
        if expected == SHORT_FILL:
            low, high = sorted((value[r + shift - 1], value[r + shift + 9]))
            assert low - 1e-9 <= out[lost].min() <= out[lost].max() <= high + 1e-9


def test_clipped_and_flat_samples_are_never_copied() -> None:
    value, beats = heartbeats(60)
    r = round(beats[30])
    lost, sound = lost_at(len(value), (r - 20, r + 20)), np.ones(len(value), np.bool_)
    sound[: r - 100] = sound[r + 100 :] = False  # all else stands at a rail
    broken = np.where(lost, np.nan, value)[:, None]
    how = mend(np.arange(len(value)) / RATE, broken, ~lost, sound & ~lost, lost & False, POLICY).code
    assert (how == np.where(lost, FILL_REFUSED, NOT_FILLED)).all()


def test_an_r_peak_inside_a_fill_is_marked_so() -> None:
    """Stage `features` reads origins: a beat on a pattern fill is imputed, those beside it are measured."""
    value, beats = heartbeats(60, jitter=0.02, noise=0.005)
    r = round(beats[30])
    lost = lost_at(len(value), (r - 20, r + 20))
    out, how = repaired(value, lost)
    assert (how[lost] == PATTERN_FILL).all()
    origin, grade = np.where(lost, 2, 0), np.where(lost, how, 0)
    rows = pd.DataFrame(
        {
            "boot": np.zeros(len(value), np.int32),
            "utc_ns": np.arange(len(value)) * 4_000_000,
            "value": out.astype(np.float32),
            "origin": pd.Categorical.from_codes(origin, categories=list(codes.ORIGIN)),
            "quality": pd.Categorical.from_codes(grade, categories=list(codes.QUALITY)),
            "fill_probability": np.where(lost, np.float32(0.9), np.float32(np.nan)),
        }
    )
    found = beats_of(pieces_of(rows), RATE)
    at = found.utc_ns / 4_000_000
    imputed = np.asarray(found.origin) == list(codes.BEAT_ORIGIN).index("imputed")
    assert imputed.sum() == 1
    assert at[imputed][0] == pytest.approx(beats[30], abs=5)
    assert (lost[np.rint(at).astype(int)] == imputed).all()
    assert found.fill_probability[imputed] == pytest.approx(0.9)
    assert np.isnan(found.fill_probability[~imputed]).all()


@needs_records
@pytest.mark.filterwarnings("ignore:The inplace keyword")
def test_r_peaks_of_a_real_recording_come_back() -> None:
    """Record 100 of the MIT-BIH Arrhythmia Database, 10 minutes: a beat under each gap of 160 ms."""
    wfdb = pytest.importorskip("wfdb")
    name = str(Path(str(OPEN)) / "mitdb" / "100")
    value = wfdb.rdrecord(name, sampto=216_000, channels=[0]).p_signal[:, 0]
    marks = wfdb.rdann(name, "atr", sampto=216_000)
    beats = marks.sample[np.isin(marks.symbol, ["N", "A"])]
    rng, size = np.random.default_rng(5), round(0.16 * 360)
    chosen = beats[20:-20:4]
    starts = chosen - rng.integers(5, size - 5, len(chosen))
    lost = lost_at(len(value), *((start, start + size) for start in starts))
    out, how = repaired(value, lost, Policy("pattern", 90, 72, 360.0))
    filled = how[starts] == PATTERN_FILL
    off = np.array([np.argmax(out[s : s + size]) - np.argmax(value[s : s + size]) for s in starts[filled]])
    assert filled.mean() > 0.97
    assert (np.abs(off) <= 0.02 * 360).mean() >= 0.98
