"""Ticks to UTC in whole nanoseconds, against Python's unbounded integers."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from nodeday.core import timeline

DAY_NS = 86_400_000_000_000
START_NS = 1_784_000_000_000_000_000


def ints(*values: int) -> np.ndarray:
    return np.array(values, np.int64)


def exact(at: int, knots: list[int], values: list[int]) -> int:
    """Round half up of the straight line, with integers that have no end."""
    left = max([k for k in range(len(knots) - 1) if knots[k] <= at], default=0)
    run, rise = knots[left + 1] - knots[left], values[left + 1] - values[left]
    return values[left] + (2 * (at - knots[left]) * rise + run) // (2 * run)


def test_a_second_of_a_32768_hz_crystal_is_a_second():
    ticks = ints(0, 1, 16384, 32768, -32768, 65536)
    utc = timeline.ticks_to_utc(ticks, ints(0, 32768), ints(START_NS, START_NS + 10**9))
    # 1 / 32768 s = 30517.578125 ns
    assert (utc - START_NS).tolist() == [0, 30518, 500_000_000, 10**9, -(10**9), 2 * 10**9]


def test_each_segment_has_its_own_slope_and_the_end_ones_go_on():
    # ticks  0 ---- 10 ---------- 20      utc  0 .. 100 .. 300
    knots, utc = ints(0, 10, 20), ints(0, 100, 300)
    assert timeline.ticks_to_utc(ints(-5, 5, 10, 15, 25), knots, utc).tolist() == [-50, 50, 100, 200, 400]


def test_a_day_at_20_ppm_is_off_by_1728_ms():
    ticks = ints(0, 86_400 * 32_768)  # worked figure: 20 ppm = 1.728 s a day
    utc = timeline.ticks_to_utc(ticks, ints(0, 1_000_000), ints(0, round(1e15 / 32_768 * (1 + 20e-6))))
    assert abs((utc[1] - DAY_NS) / 1e6 - 1728) < 0.1


@pytest.mark.parametrize(
    ("knots", "utc"),
    [([0], [0]), ([], []), ([0, 1], [0]), ([0, 0], [0, 1]), ([0, 1], [5, 5]), ([1, 0], [0, 1])],
)
def test_what_is_no_map_is_refused(knots, utc):
    with pytest.raises(ValueError, match="map"):
        timeline.ticks_to_utc(ints(0), ints(*knots), ints(*utc))


steps = st.lists(st.tuples(st.integers(1, 10**12), st.integers(1, 40 * DAY_NS)), min_size=1, max_size=5)


@settings(deadline=None, max_examples=50)
@given(steps, st.integers(-(10**12), 10**12), st.lists(st.integers(-(10**9), 10**9), min_size=1, max_size=20))
def test_equals_exact_arithmetic(pairs, first, at):
    knots = np.cumsum([first, *(a for a, _ in pairs)]).astype(np.int64)
    values = np.cumsum([START_NS, *(b for _, b in pairs)]).astype(np.int64)
    # Ticks may lie anywhere; keep the line's end within 64 bits.
    inside = [first + tick % int(knots[-1] - first + 1) for tick in at]
    found = timeline.ticks_to_utc(ints(*inside), knots, values)
    assert found.tolist() == [exact(tick, knots.tolist(), values.tolist()) for tick in inside]


@settings(deadline=None, max_examples=50)
@given(
    st.integers(-100, 100), st.lists(st.integers(-(10**10), 10**10), min_size=1, max_size=30), st.integers()
)
def test_forth_and_back_is_the_same_tick(ppm, ticks, seed):
    rng = np.random.default_rng(abs(seed))
    knots = np.cumsum(rng.integers(1000, 10**7, 6))
    slope = 1e9 / 32768 * (1 + (ppm + rng.normal(0, 1, 5)) * 1e-6)
    utc = START_NS + np.concatenate([[0], np.cumsum(np.rint(np.diff(knots) * slope).astype(np.int64))])
    there = timeline.ticks_to_utc(ints(*ticks), knots, utc)
    assert timeline.invert(there, knots, utc).tolist() == ticks


@settings(deadline=None, max_examples=50)
@given(st.integers(-(10**17), 10**17), st.lists(st.integers(-(10**9), 10**9), min_size=1, max_size=20))
def test_a_shift_of_the_clock_shifts_the_map(shift, ticks):
    knots, utc = ints(0, 32_768_000, 65_000_000), ints(0, 10**12 + 12_345, 2 * 10**12 - 7) + START_NS
    before = timeline.ticks_to_utc(ints(*ticks), knots, utc)
    assert (timeline.ticks_to_utc(ints(*ticks), knots, utc + shift) - before == shift).all()
