"""The probability of a fill: what raises and lowers it, what refuses a fill, how far it can be trusted."""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import pytest
from hearts import r_peaks
from hypothesis import given
from hypothesis import strategies as st
from test_pattern import LEFT, POLICY, RATE, heartbeats, lost_at

from nodeday.core.arrays import runs
from nodeday.stages.repair.certainty import (
    FLANK,
    INSIDE,
    LINES,
    QUIET,
    content,
    evidence,
    probability_right,
)
from nodeday.stages.repair.fill import Mended, Policy, mend
from nodeday.stages.repair.quality import FILL_REFUSED, PATTERN_FILL

OPEN = os.environ.get("NODEDAY_OPEN_DATA")


def mended(value: np.ndarray, lost: np.ndarray, policy: Policy) -> Mended:
    broken = np.where(lost, np.nan, value)[:, None]
    return mend(np.arange(len(value)) / policy.rate_hz, broken, ~lost, ~lost, lost & False, policy)


def test_the_content_of_a_gap_is_where_the_beat_lies() -> None:
    """A gap of ten samples; the centre before it, on its ends, behind it, and no QRS at all."""
    centre = np.array([-1.0, 0.0, 9.0, 9.5, 5.0])
    has_qrs = np.array([True, True, True, True, False])
    assert content(centre, has_qrs, 10).tolist() == [FLANK, INSIDE, INSIDE, FLANK, QUIET]


def test_as_many_candidates_vote_as_have_equal_shares() -> None:
    share = np.array([[0.25, 0.25, 0.25, 0.25], [1.0, 0.0, 0.0, 0.0], [0.0, 0.0, 0.0, 0.0]])
    facts = evidence(0.2, np.array([0.1, 0.1, 1.0]), share)
    assert np.exp(facts[:2, 3]) == pytest.approx([4.0, 1.0])
    assert facts[:, :2].tolist() == [[1.0, 0.2]] * 3
    assert np.isfinite(facts).all()


@given(st.integers(0, 2), st.floats(0.01, 0.24), st.floats(0, 0.9), st.integers(1, 12), st.integers(1, 12))
def test_longer_gaps_poorer_matches_and_fewer_voters_are_less_sure(
    kind: int, length: float, rest: float, voters: int, more: int
) -> None:
    def of(length_s: float, left: float, count: int) -> float:
        share = np.array([[1 / count] * count + [0.0] * (24 - count)])
        return float(probability_right(np.array([kind]), evidence(length_s, np.array([left]), share))[0])

    least = of(length, rest, voters)
    assert 0 < least < 1
    assert of(length + 0.01, rest, voters) < least
    assert of(length, rest + 0.01, voters) < least
    assert of(length, rest, voters + more) >= least


def test_the_lines_are_logistic_regressions() -> None:
    """By hand: one fact of each kind at one, all others at zero, is the coefficient itself."""
    for kind, line in enumerate(LINES):
        for column, slope in enumerate(line):
            stated = probability_right(np.array([kind]), np.eye(4)[[column]])[0]
            assert np.log(stated / (1 - stated)) == pytest.approx(slope)


def test_fills_state_a_probability_and_what_was_received_none() -> None:
    value, beats = heartbeats(120, jitter=0.03, noise=0.02)
    starts = [round(r) + shift for r, shift in zip(beats[10:-10:3], range(-60, 61, 4), strict=False)]
    lost = lost_at(len(value), *((start, start + 6 + start % 55) for start in starts))
    out = mended(value, lost, POLICY)
    assert (np.isnan(out.probability) == ~out.filled).all()
    for start, end in zip(*runs(lost), strict=True):
        assert np.ptp(out.probability[start:end]) == 0 or not out.filled[start]
    assert (out.probability[out.filled] > 0.5).all()


def test_a_fill_that_is_not_sure_enough_is_left_out_with_a_code() -> None:
    value, beats = heartbeats(120, jitter=0.05, noise=0.05)
    lost = lost_at(
        len(value), *((round(r) - 5 - 3 * i, round(r) + 50 - 3 * i) for i, r in enumerate(beats[20:36]))
    )
    every = mended(value, lost, POLICY)
    least = float(np.median(every.probability[every.code == PATTERN_FILL]))
    some = mended(value, lost, Policy("pattern", POLICY.most_samples, POLICY.context_samples, RATE, least))
    refused = every.filled & (every.probability < least)
    assert 0.2 < refused.sum() / every.filled.sum() < 0.8
    assert (some.code[refused] == FILL_REFUSED).all()
    assert np.isnan(some.values[refused]).all()
    assert np.isnan(some.probability[refused]).all()
    kept = every.filled & ~refused
    assert np.array_equal(some.values[kept], every.values[kept])
    assert np.isin(some.code[~kept], LEFT).all()


@pytest.mark.skipif(not OPEN, reason="NODEDAY_OPEN_DATA names no folder of open recordings")
@pytest.mark.filterwarnings("ignore:The inplace keyword")
def test_stated_probabilities_are_those_found_on_records() -> None:
    """Gaps at random in MIT-BIH records, by another detector than the one that the lines were fitted with."""
    each = [of_record(name) for name in ("100", "101", "112", "117", "201", "228")]
    stated, right = np.concatenate(each, axis=1)
    assert len(stated) > 1000
    assert right.mean() == pytest.approx(stated.mean(), abs=0.02)
    sure = stated >= 0.95
    assert sure.mean() > 0.8
    assert right[sure].mean() > 0.97
    assert right[~sure].mean() < right[sure].mean() - 0.03


def of_record(name: str) -> np.ndarray:
    """Stated probability, and whether right, of the fills that show a beat or stand for one: (2, fills)."""
    wfdb = pytest.importorskip("wfdb")
    path, rate = str(Path(str(OPEN)) / "mitdb" / name), 360.0
    value = wfdb.rdrecord(path, channels=[0]).p_signal[:, 0]
    rng = np.random.default_rng(8)
    starts = 20_000 + np.cumsum(rng.integers(300, 700, 1200))
    size = rng.integers(7, 87, len(starts))
    lost = lost_at(len(value), *zip(starts, starts + size, strict=True))
    out = mended(value, lost, Policy("pattern", 90, 72, rate))
    left = lost & ~out.filled
    true = r_peaks(value, rate).sample
    shown = r_peaks(np.where(left, 0.0, out.values[:, 0]), rate, ~left, ~lost).sample
    right = np.full(len(value), np.nan)
    for at, among in ((true, shown), (shown, true)):
        inside = at[out.filled[at]]
        apart = np.abs(inside[:, None] - among).min(axis=1)
        right[inside] = np.fmin(right[inside], apart <= 0.02 * rate)
    by_gap = np.array([np.nanmin(right[s : s + n], initial=2) for s, n in zip(starts, size, strict=True)])
    tells = out.filled[starts] & (by_gap < 2)
    return np.stack([out.probability[starts[tells]].astype(np.float64), by_gap[tells]])
