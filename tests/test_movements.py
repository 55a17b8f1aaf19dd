"""Offsets from shared movements: correlation under gaps, taps at 50 Hz, steps that must not pass."""

from __future__ import annotations

import numpy as np
import pytest

from nodeday.stages.clock import movements
from nodeday.stages.clock.movements import (
    MovementMatch,
    MovementSignal,
    Pair,
    corrections,
    jerks,
    masked_correlation,
    match,
    matches,
    moments,
    pairs_of,
)
from nodeday.stages.simulate.motion import PLACEMENTS, gait, taps

NS = 1_000_000_000


def signal(node: str, size, late_ms: float = 0.0, rate_hz: float = 50.0, seed: int = 0, lost: float = 0.0):
    """Ten minutes of ``size`` (a function of seconds) with 4 mg of noise; clock ``late_ms`` late."""
    rng = np.random.default_rng([seed, len(node)])
    seconds = np.arange(600 * rate_hz) / rate_hz + rng.uniform(0, 1 / rate_hz)
    kept = np.repeat(rng.random(len(seconds) // 10) >= lost, 10)
    utc = np.rint((seconds + late_ms / 1e3) * NS).astype(np.int64)
    values = size(seconds) + 0.004 * rng.standard_normal(len(seconds))
    utc, values = utc[kept], values[kept]
    one = np.zeros(1, np.int64)  # frames of a sample each
    return MovementSignal.of(node, utc, one, np.arange(len(utc)), rate_hz, lambda rows: values[rows][:, None])


def found_in(signals: list[MovementSignal], within: tuple[int, int] | None = None) -> list[int]:
    return moments(jerks(signals), within)


def three_taps(seconds):
    return taps(seconds, 300 + np.array([0.0, 0.7, 1.6]))


def test_masked_correlation_equals_numpy_on_what_both_know():
    # Oracle: numpy.corrcoef of the samples that both have, shift by shift.
    rng = np.random.default_rng(1)
    a, b = rng.normal(size=60), rng.normal(size=80)
    known_a, known_b = rng.random(60) < 0.9, rng.random(80) < 0.9
    found = masked_correlation(a, known_a, b, known_b)
    for shift in range(21):
        both = known_a & known_b[shift : shift + 60]
        assert found[shift] == pytest.approx(np.corrcoef(a[both], b[shift : shift + 60][both])[0, 1])


@pytest.mark.parametrize("block", [4, 100_000])
def test_a_signal_is_the_same_wherever_it_is_looked_at(block, monkeypatch):
    """Frames of 4 samples, some late and some over others, against all samples sorted at once."""
    monkeypatch.setattr(movements, "BLOCK", block)
    rng = np.random.default_rng(3)
    stamps = np.arange(500) * 40_000_000 + rng.integers(0, 60, 500) * 1_000_000
    stamps[250:] += 30 * NS  # a gap
    values, wait = rng.normal(size=(500, 4)), np.arange(4) * 10_000_000
    values[:, 0] *= 3  # jerks at the edges of frames count most
    rows = rng.permutation(500)
    one = MovementSignal.of("one", stamps[rows], wait, rows, 100.0, lambda mine: values[mine])
    at, size = (stamps[rows][:, None] + wait).ravel(), values[rows].ravel()
    order = np.argsort(at, kind="stable")
    at, size = at[order], size[order]
    for start, end in ((-NS, 60 * NS), (5 * NS, 5 * NS + 70_000_000), (12 * NS, 13 * NS), (50 * NS, 60 * NS)):
        inside = (at >= start) & (at < end)
        found = one.between(start, end)
        assert (found[0].tolist(), found[1].tolist()) == (at[inside].tolist(), size[inside].tolist())
    jerk = np.where(np.diff(at) < 15_000_000, np.abs(np.diff(size)), 0.0)
    second = (at[1:] - at[0]) // NS
    peak = {each: jerk[second == each].max() for each in np.unique(second)}
    usual = np.quantile(list(peak.values()), 0.95)
    strength = jerks([one, one]).strength[0]
    assert {k: strength[k] for k in peak} == {k: each / usual for k, each in peak.items()}
    assert not np.delete(strength, list(peak)).any()


@pytest.mark.parametrize("late_ms", [-430.0, -3.3, 0.0, 7.0, 250.0])
def test_taps_at_50_hz_to_within_two_milliseconds(late_ms):
    for seed in range(4):
        pair = [
            signal("one", three_taps, seed=seed, lost=0.05),
            signal("other", three_taps, late_ms, seed=seed),
        ]
        found = matches(pair, found_in(pair))
        assert len(found) == 1
        assert found[0].offset_ms == pytest.approx(late_ms, abs=2)
        assert abs(found[0].offset_ms - late_ms) <= found[0].uncertainty_ms


def test_rates_may_differ_and_stated_times_are_enough():
    pair = [signal("one", three_taps, rate_hz=50), signal("other", three_taps, 12.0, rate_hz=100)]
    (at,) = found_in(pair, (295 * NS, 310 * NS))
    found = match(*pair, at)
    assert found is not None
    assert found.offset_ms == pytest.approx(12, abs=1.5)
    assert found_in(pair[:1]) == []


def test_walking_does_not_pass_for_a_match():
    # Two placements walk in step: one shift by a step fits as well as the next.
    def walk(place):
        return lambda seconds: gait(seconds * 0.9, np.full(len(seconds), 5.0), PLACEMENTS[place])[0]

    pair = [signal("one", walk("ankle")), signal("other", walk("wrist"), 30.0)]
    at = [int(seconds * NS) for seconds in range(50, 550, 25)]
    assert matches(pair, at) == []
    still = [signal("one", lambda seconds: 0 * seconds), signal("other", lambda seconds: 0 * seconds)]
    assert matches(still, at) == []


def test_several_moments_say_more_than_one():
    many = [MovementMatch("a", "b", at, offset, 0.9, 2.0) for at, offset in enumerate((1.0, 1.2, 0.8, 1.1))]
    (pair,) = pairs_of(many)
    assert (pair.moments, pair.offset_ms, pair.uncertainty_ms) == (4, pytest.approx(1.05), pytest.approx(1.0))


def test_the_odd_one_out_is_moved():
    # Worked by hand: c is 10 ms later than a and b.
    pairs = [Pair("a", "b", 2, 0.0, 1.0), Pair("a", "c", 2, 10.0, 1.0), Pair("b", "c", 2, 10.0, 1.0)]
    band = {"a": 0.5, "b": 0.5, "c": 0.5}
    assert corrections(pairs, band) == {"c": pytest.approx(-10)}
    # Of two, the one with the wider band.
    assert corrections(pairs[1:2], {"a": 0.5, "c": 4.0}) == {"c": pytest.approx(-10)}
    assert corrections(pairs[1:2], {"a": 0.5, "c": 0.1}) == {"a": pytest.approx(10)}
    assert corrections(pairs[:1], band) == {}
    assert corrections([], {}) == {}
