"""Edges under one-sided delays, maps from ticks to UTC with known truth, and the stage."""

from __future__ import annotations

import time
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from nodeday.schemas import TABLES
from nodeday.schemas.codes import CLOCK_STATUS
from scipy.optimize import linprog
from scipy.signal import lfilter

from nodeday.core import timeline
from nodeday.core.errors import ContractError
from nodeday.stages.clock import delay_distribution, edge, hub, maps, smooth, stage
from nodeday.stages.clock import marks as host
from nodeday.stages.clock.boots import Captured
from nodeday.stages.clock.hull import edge_line, lower_hull
from nodeday.stages.clock.rounding import Unit
from nodeday.stages.simulate.crystal import skew_ppm
from nodeday.stages.simulate.stamps import StampedDay, Way, day
from nodeday.stages.simulate.stamps import marks as host_marks
from nodeday.storage import frames as received
from nodeday.storage import tables

TICK_HZ = 32_768
START_NS = 1_784_000_000_000_000_000
MS = 1_000_000

# --- hull ---------------------------------------------------------------------------------------


def test_worked_hull():
    # Worked by hand:  y  2  5.1  2.4  9  2.8  rests on its first and last point.
    x, y = np.array([0.0, 10, 20, 30, 40]), np.array([2.0, 5.1, 2.4, 9, 2.8])
    assert lower_hull(x, y).tolist() == [0, 4]
    a, b = edge_line(x, y)
    assert (a, b) == (pytest.approx(2), pytest.approx(0.02))
    # Least squares goes through the middle instead: 3.16 and 0.055.
    slope, offset = np.polyfit(x, y, 1)
    assert (offset, slope) == (pytest.approx(3.16), pytest.approx(0.055))


points = st.lists(
    st.tuples(st.integers(-50, 50), st.integers(-1000, 1000)),
    min_size=2,
    max_size=40,
    unique_by=lambda p: p[0],
)


@settings(deadline=None, max_examples=50)
@given(points)
def test_line_is_the_linear_program(pairs):
    x, y = np.array(sorted(pairs), np.float64).T
    a, b = edge_line(x, y)
    # Least sum of y - a - b x with a + b x <= y: Moon, Skelly and Towsley's program.
    under = np.stack([np.ones_like(x), x], axis=1)
    best = linprog(-under.sum(axis=0), under, y, bounds=[(None, None)] * 2)
    assert (a + b * x <= y + 1e-9).all()
    assert (a + b * x).sum() == pytest.approx(-best.fun, abs=1e-6)


def naive_hull(x, y):
    """Every point that lies under all chords of others: by definition, in O(n^3)."""
    out = []
    for j in range(len(x)):
        chords = [
            y[i] + (y[k] - y[i]) * (x[j] - x[i]) / (x[k] - x[i])
            for i in range(j)
            for k in range(j + 1, len(x))
        ]
        if all(y[j] < chord - 1e-9 for chord in chords):
            out.append(j)
    return out


@settings(deadline=None, max_examples=50)
@given(points)
def test_hull_equals_the_naive_one(pairs):
    x, y = np.array(sorted(pairs), np.float64).T
    assert lower_hull(x, y).tolist() == naive_hull(x, y)


def test_hull_without_sweeps_and_in_groups():
    # A bowl whose last point undercuts it: sweeps alone would need one pass a point.
    x = np.arange(100.0)
    y = (x - 50) ** 2
    y[-1] = -5000
    assert lower_hull(x, y).tolist() == naive_hull(x, y)
    both = lower_hull(np.tile(x, 2), np.tile(y, 2), np.repeat([0, 1], 100))
    assert both.tolist() == [*naive_hull(x, y), *(100 + np.array(naive_hull(x, y)))]
    assert lower_hull(np.zeros(3), np.array([2.0, 1, 3])).tolist() == [1]


def test_first_curve_is_the_best_line_under_each_stretch():
    # Of the best line under a stretch, the height at the stretch's mean x: the linear program's, by scipy.
    rng = np.random.default_rng(2)
    x, y = np.sort(rng.uniform(0, 100, 300)), rng.exponential(2, 300)
    stretch = (x // 25).astype(np.int64)
    middle = np.array([x[stretch == each].mean() for each in range(4)])
    found = edge.first_curve(x, y, stretch, middle)
    for each in range(4):
        own_x, own_y = x[stretch == each], y[stretch == each]
        under = np.stack([np.ones_like(own_x), own_x], axis=1)
        best = linprog(-under.sum(axis=0), under, own_y, bounds=[(None, None)] * 2)
        assert found[each] == pytest.approx(-best.fun / len(own_x), abs=1e-7)


def test_false_early_stamps_are_left_out():
    rng = np.random.default_rng(4)
    x, y = np.sort(rng.uniform(0, 3600, 9000)), rng.exponential(2, 9000)
    y[[100, 4000, 8999]] -= [30, 4_000, 15]
    assert np.flatnonzero(edge.early(y, (x // 300).astype(np.int64))).tolist() == [100, 4000, 8999]


# --- the law of delays and the smoother ---------------------------------------------------------


@pytest.mark.parametrize(
    "blur", [delay_distribution.Blur((1.0,), -1.0), delay_distribution.Blur((1.0, 0.5), 0.0)]
)
def test_bells_are_sums_of_uniform_parts(blur):
    rng = np.random.default_rng(7)
    parts = [rng.uniform(0, each, 200_000) for each in (3.0, *blur.widths)]
    drawn, cells = np.sum(parts, axis=0) + blur.low, np.linspace(-2, 6, 81)
    share = np.histogram(drawn, cells)[0] / 200_000
    middle = (cells[:-1] + cells[1:]) / 2
    made = delay_distribution.bells(middle, np.array([3.0]), blur)[:, 0] * 0.1
    assert np.abs(made - share).max() < 1e-3
    assert made.sum() == pytest.approx(1, abs=1e-6)
    # A normal part on top keeps the sum and the mean.
    blurred = delay_distribution.bells(middle, np.array([3.0]), blur, smear=0.2)[:, 0] * 0.1
    assert (blurred.sum(), blurred @ middle) == pytest.approx((1, made @ middle), abs=1e-3)


def test_uniform_parts_make_exponential_delays():
    steps = np.geomspace(0.02, 60, 60)
    at = np.linspace(0.2, 4, 20)  # in median delays
    made = np.minimum(at[:, None] / steps, 1) @ delay_distribution.exponential(steps)
    assert made == pytest.approx(1 - 0.5**at, abs=0.01)


def test_few_stamps_do_not_pile_up_at_the_edge():
    # 300 exponential delays of median 1, and what is counted of them: the narrowest parts stay rare.
    rng = np.random.default_rng(12)
    steps = delay_distribution.STEPS
    cells = np.linspace(0, 3, 121)
    shapes = np.diff(np.minimum(cells[:, None] / steps, 1), axis=0)
    alone, expected = [], []
    for _ in range(40):
        counts = np.histogram(rng.exponential(1 / np.log(2), 300), cells)[0].astype(float)
        before = delay_distribution.EXPECTED * delay_distribution.exponential(steps)
        alone.append(delay_distribution.weigh(counts, shapes, rounds=400)[0][0])
        expected.append(delay_distribution.weigh(counts, shapes, rounds=400, before=before)[0][0])
    true = delay_distribution.exponential(steps)[0]
    assert abs(np.mean(expected) - true) < abs(np.mean(alone) - true)


def test_readings_are_unbiased_and_say_how_far_they_err():
    # Blocks of 300 stamps: exponential delays of 2 ms, rounded down to 1 ms at a phase that sweeps.
    rng = np.random.default_rng(8)
    blur, n, blocks = delay_distribution.Blur((1.0,), -1.0), 300, 400
    phase = np.linspace(0, 1, n)[None, :] + rng.random(blocks)[:, None]
    above = np.floor(phase + rng.exponential(2, (blocks, n))) - phase
    cells = delay_distribution.cells_for(above.ravel(), blur, 0.4)
    cell, within = cells.of(above.ravel())
    learnt = delay_distribution.DelayDistribution.learnt(
        np.bincount(cell[within], minlength=len(cells)), cells, blur, 0.001, 0.4
    )
    assert learnt.shift == pytest.approx(0, abs=0.02)
    block = np.repeat(np.arange(blocks + 1)[:blocks], n)
    counts = np.bincount((block * len(cells) + cell)[within], minlength=(blocks + 1) * len(cells))
    read = learnt.readings(counts.reshape(blocks + 1, -1), 0.4)
    # What others know is as good as nothing here: flat over all offsets.
    precision, weighted = read.sites(np.zeros(blocks + 1), np.full(blocks + 1, 12 / 0.8**2))
    assert (precision[-1], weighted[-1]) == (0, 0)  # a block without stamps says nothing
    seen = weighted[:-1] / precision[:-1]
    assert np.mean(seen) == pytest.approx(0, abs=0.02)
    assert np.mean(seen**2 * precision[:-1]) == pytest.approx(1, abs=0.35)


def test_a_block_is_weighed_as_by_quadrature():
    # Oracle: moments of normal times likelihood on a grid of a million points.
    offsets = np.linspace(-1, 1, 161)
    # Eight exponential delays of 2 ms: the likelihood rises, and ends at the lowest stamp.
    told = np.where(offsets < 0.3, 4.0 * offsets, -60.0)
    read = delay_distribution.Readings(offsets, told[None], np.array([True]))
    fine = np.linspace(-1, 1, 1_000_001)
    for mean, deviation in ((0.0, 0.15), (0.25, 0.05), (-0.1, 0.1)):
        precision, weighted = read.sites(np.array([mean]), np.array([deviation**-2]))
        weight = np.exp(np.interp(fine, offsets, told) - ((fine - mean) / deviation) ** 2 / 2)
        middle = np.average(fine, weights=weight)
        both = precision[0] + deviation**-2
        assert (weighted[0] + mean / deviation**2) / both == pytest.approx(middle, abs=0.05 * deviation)
        expected = np.sqrt(np.average((fine - middle) ** 2, weights=weight))
        assert both**-0.5 == pytest.approx(expected, rel=0.05)


@pytest.mark.parametrize("kept", [1.0, 0.8])
def test_smoother_equals_dense_algebra(kept):
    # Oracle: the same normal equations, dense, by numpy.
    rng = np.random.default_rng(9)
    seen, precision = rng.normal(size=40), rng.uniform(0, 5, 40) * (rng.random(40) < 0.7)
    found = smooth.smooth(precision * seen, precision, [smooth.Wander(0.3, kept, 2.0)])
    rate = np.diff(np.eye(40), axis=0)
    bend = rate[1:] - kept * rate[:-1]
    first = rate[:1].T @ rate[:1] / 2.0**2
    inverse = np.linalg.inv(np.diag(np.maximum(precision, 1e-9)) + first + bend.T @ bend / 0.09)
    assert found.level == pytest.approx(inverse @ (precision * seen), abs=1e-8)
    assert found.variance == pytest.approx(np.diag(inverse), rel=1e-8)


@pytest.mark.parametrize("kept", [1.0, 0.9])
def test_smoother_finds_how_the_rate_wanders(kept):
    rng = np.random.default_rng(10)
    bends = 10.0 ** np.arange(-4, 0.1, 0.25)
    wanders = [smooth.Wander(bend, share, 1.0) for bend in bends.tolist() for share in (1.0, 0.9)]
    for bend in (0.003, 0.1):
        level = np.cumsum(lfilter([1.0], [1.0, -kept], rng.normal(0, bend, 800)))
        seen, precision = level + rng.normal(0, 0.05, 800), np.full(800, 400.0)
        found = smooth.smooth(precision * seen, precision, wanders)
        assert found.wander.bend == pytest.approx(bend, rel=0.8)
        assert found.wander.kept == kept or bend < 0.05  # too little moves to tell
        near = [each for each in wanders if abs(np.log10(each.bend / found.wander.bend)) < 1]
        means, variances = smooth.averaged(precision * seen, precision, near)
        off = (means - level) / np.sqrt(variances)
        assert np.mean(np.abs(off) < 1.96) == pytest.approx(0.95, abs=0.04)


# --- figures of crystals ------------------------------------------------------------------------


def test_crystal_figures():
    # Data sheet: 45 degC -> -12.0 ppm at -.030; computed with -.034 for the others.
    for celsius, ppm in ((22, -0.31), (33, -2.18), (37, -4.90)):
        assert skew_ppm(np.array([float(celsius)]), 0.0)[0] == pytest.approx(ppm, abs=0.006)
    # 20 ppm is 1.728 s a day, 50 ppm 4.32 s, 1 ppm 3.6 ms an hour.
    for ppm, seconds, off_ms in ((20, 86_400, 1728), (50, 86_400, 4320), (1, 3_600, 3.6)):
        ticks = np.array([0, seconds * TICK_HZ])
        utc = START_NS + np.rint(ticks / TICK_HZ * 1e9 / (1 + ppm * 1e-6)).astype(np.int64)
        assert maps.skew_ppm(ticks, utc, TICK_HZ) == pytest.approx(ppm, abs=1e-6)
        assert maps.offset_ms(ticks, utc, TICK_HZ)[1] == pytest.approx(-off_ms, rel=1e-4)


# --- maps with known truth ----------------------------------------------------------------------


def errors_ms(found: maps.Map, rec: StampedDay) -> np.ndarray:
    return (found(rec.ticks) - rec.true_ns) / 1e6


def within_share(found: maps.Map, rec: StampedDay) -> float:
    """Share of minutes whose truth lies in the 95 % band."""
    minute = np.unique(rec.ticks // (60 * TICK_HZ), return_index=True)[1]
    inside = np.abs(errors_ms(found, rec)) <= found.uncertainty(rec.ticks)
    return float(inside[minute].mean())


def fit(rec: StampedDay, unit_ms: float = 1.0) -> maps.Map:
    return maps.fit_map(rec.ticks, rec.stamp_ns, TICK_HZ, Unit(unit_ms), delay_ms=3.0)


@pytest.mark.parametrize(
    ("hours", "ppm", "fps", "unit_ms", "rms_ms", "worst_ms"),
    [
        (15, 30, 10, 1, 0.01, 0.05),
        (2, -30, 12.5, 1, 0.02, 0.1),
        (2, 3, 5, 1, 0.03, 0.1),
        (2, 30, 0.25, 1, 0.1, 0.3),
        (4, 30, 10, 10, 0.1, 0.5),
        (1, 30, 5, 0.001, 0.01, 0.05),
    ],
)
def test_known_truth(hours, ppm, fps, unit_ms, rms_ms, worst_ms):
    inside = []
    for seed in range(3):
        rec = day(seed, hours, fps, ppm, way=Way(unit_ms=unit_ms)).received()
        found = fit(rec, unit_ms)
        error = errors_ms(found, rec)
        print(f"{ppm:+} ppm {fps}/s rms {np.sqrt(np.mean(error**2)):.3f} worst {np.abs(error).max():.3f} ms")
        assert found.status == "fitted"
        assert np.sqrt(np.mean(error**2)) < rms_ms
        assert np.abs(error).max() < worst_ms
        inside.append(within_share(found, rec))
    assert np.mean(inside) >= 0.7  # errors of one recording go together; benchmarks/clock.py has more


def test_steps_of_temperature_are_followed():
    # 33 -> 22 -> 33 degC: 1.87 ppm (worked), 10 ms over 90 minutes, against a straight line.
    rec = day(7, 4.5, 10, 20, ((1.5, 22.0), (3.0, 33.0))).received()
    found = fit(rec)
    straight = np.polynomial.Polynomial.fit(rec.ticks, rec.true_ns - rec.true_ns[0], 1)
    assert np.abs(straight(rec.ticks) - (rec.true_ns - rec.true_ns[0])).max() > MS
    assert np.sqrt(np.mean(errors_ms(found, rec) ** 2)) < 0.03
    assert np.abs(errors_ms(found, rec)).max() < 0.3
    assert within_share(found, rec) >= 0.9


def test_a_clock_in_step_with_the_unit_says_that_it_cannot_know():
    # At 0 ppm the cut-off part of the stamps hardly moves: half a unit either way is honest.
    for seed in range(4):
        rec = day(seed, 2, 10, 0.0).received()
        found = fit(rec)
        assert np.median(found.uncertainty_ms) > 0.4
        assert within_share(found, rec) >= 0.9


def test_one_false_early_stamp_changes_nothing_much():
    rec = day(5, 2, 10, 20).received()
    stamp_ns = rec.stamp_ns.copy()
    stamp_ns[40_000] -= 700 * MS
    false = maps.fit_map(rec.ticks, stamp_ns, TICK_HZ, Unit(1.0), 3.0)
    assert np.abs(false(rec.ticks) - fit(rec)(rec.ticks)).max() < MS // 100


def test_uncertainty_grows_in_a_hole_and_truth_stays_inside():
    rec = day(6, 2, 10, 25).received()
    hole = (rec.ticks > 2400 * TICK_HZ) & (rec.ticks < 4800 * TICK_HZ)
    found = maps.fit_map(rec.ticks[~hole], rec.stamp_ns[~hole], TICK_HZ, Unit(1.0), 3.0)
    middle = found.uncertainty(np.array([3600 * TICK_HZ]))[0]
    assert middle > 1.0 > 5 * found.uncertainty(np.array([1200 * TICK_HZ]))[0]
    assert within_share(found, rec) >= 0.9


def test_marks_rounded_at_both_ends():
    for in_step, rms_ms in ((False, 0.1), (True, 0.5)):
        own = host_marks(3, 6, 10.0, 4.0, in_step=in_step)
        found = host.fit_marks(own.hub_ns, own.utc_ns, 1.0, 1.0, "up", "after")
        error = (found(own.hub_ns) - own.true_ns) / 1e6
        assert host.in_step(own.hub_ns, MS) == in_step
        assert np.sqrt(np.mean(error**2)) < rms_ms
        assert (np.abs(error) <= found.uncertainty(own.hub_ns)).mean() >= 0.9


@pytest.mark.parametrize("read", ["after", "before"])
@pytest.mark.parametrize("rounding", ["up", "down", "nearest"])
@pytest.mark.parametrize("unit_ms", [1, 1000])
@pytest.mark.parametrize("sent", ["free", "by hub", "by utc"])
def test_marks_of_any_convention_declared_or_not(read, rounding, unit_ms, sent):
    """A host that is 4 ppm slow; marks come freely, in step with the hub's clock, or with UTC."""
    rng = np.random.default_rng(21)
    true_s = 1e3 + np.arange(720) * 10.0 + (rng.uniform(0, 0.3, 720) if sent == "free" else 0.237)
    if sent == "by hub":
        true_s = 1e3 + np.arange(720) * 10.0 / (1 + 4e-6)
    hub_s = 500.3337 + (true_s - 1e3) * (1 + 4e-6)
    read_s = true_s + rng.exponential(0.0015, 720) * (1 if read == "after" else -1)
    to_unit = {"down": np.floor, "up": np.ceil, "nearest": np.rint}[rounding]
    utc_ns = (to_unit(read_s * 1e3 / unit_ms) * unit_ms).astype(np.int64) * MS
    hub_ns = np.floor(np.round(hub_s * 1e3, 6)).astype(np.int64) * MS
    true_ns = np.rint(true_s * 1e9 - (hub_s * 1e9 - hub_ns)).astype(np.int64)
    for written in ((rounding, read), (rounding, None), (None, read), (None, None)):
        found = host.fit_marks(hub_ns, utc_ns, 1.0, float(unit_ms), *written)
        error = np.abs(found(hub_ns) - true_ns) / 1e6
        assert (error <= found.uncertainty(hub_ns)).mean() >= 0.9, written


def test_declared_marks_are_not_less_certain_than_undeclared_ones():
    own = host_marks(3, 6, 10.0, 4.0)
    known, unknown = (
        host.fit_marks(own.hub_ns, own.utc_ns, 1.0, 1.0, *written) for written in (("up", "after"), ())
    )
    assert np.median(known.uncertainty_ms) < 0.3 < np.median(unknown.uncertainty_ms)


def swinging(seed, every_s, kelvin, hours):
    """Stamps of a crystal at 33 degC that swings by some kelvin within two hours."""
    moves = tuple((h, 33 + kelvin * np.sin(np.pi * h)) for h in np.arange(1 / 30, hours, 1 / 30))
    return day(seed, hours, 1 / every_s, 20, moves)


@pytest.mark.parametrize("kelvin", [1.0, 2.5, 5.0])
@pytest.mark.parametrize(("every_s", "hours"), [(60.0, 24), (60.0, 72), (10.0, 24)])
def test_bands_of_slow_nodes_hold_under_swings_of_temperature(every_s, hours, kelvin):
    at_knots, between = [], []
    for seed in range(3 if hours == 24 else 2):
        rec = swinging(seed, every_s, kelvin, hours)
        found = fit(rec.received())
        inside = np.abs(errors_ms(found, rec)) <= found.uncertainty(rec.ticks)
        near = np.clip(np.searchsorted(rec.ticks, found.at), 0, len(rec.ticks) - 1)
        at_knots.append(inside[near].mean())
        between.append(inside.mean())
        assert found.uncertainty_ms.max() < 5
    print(f"{every_s} s, {hours} h, {kelvin} K: {np.mean(at_knots):.3f} at knots, {np.mean(between):.3f}")
    assert np.mean(between) >= 0.93
    assert np.mean(at_knots) >= 0.92


def test_counters_that_are_no_clock_are_placed_by_stamps():
    rng = np.random.default_rng(31)
    sent_s = np.cumsum(rng.lognormal(0, 1.5, 600))
    stamps = np.rint((sent_s + 0.003 + rng.exponential(0.002, 600)) * 1e3).astype(np.int64) * MS
    found = maps.fit_map(np.arange(600), stamps, 1.0, Unit(1.0), 3.0, counted=True)
    assert found.status == "by_stamps"
    assert (np.abs(found(np.arange(600)) / 1e9 - sent_s) * 1e3 <= found.uncertainty(np.arange(600))).all()
    steady = maps.fit_map(np.arange(600), np.arange(600) * 10**9, 1.0, Unit(1.0), 0.0, counted=True)
    assert steady.status == "fitted"


@pytest.mark.parametrize("rate_hz", [0.4, 1.0, 66.7, 32768.0])
@pytest.mark.parametrize("unit_ms", [0.001, 1.0, 1000.0])
@pytest.mark.parametrize("case", ["equal delays", "900 ppm", "ticks stand still", "one tick", "minutes late"])
def test_hard_stamps_give_a_map_with_a_code(rate_hz, unit_ms, case):
    rng = np.random.default_rng(41)
    sent_s = np.arange(400) * 1.5
    late_s = {"equal delays": np.zeros(400), "minutes late": rng.lognormal(0, 2.5, 400)}.get(
        case, rng.exponential(0.3, 400)
    )
    clock_s = sent_s * (1 + 900e-6) if case == "900 ppm" else sent_s
    ticks = np.floor(clock_s * rate_hz + 1e-6).astype(np.int64)
    if case in ("ticks stand still", "one tick"):
        ticks //= 16 if case == "ticks stand still" else 10**12
    stamps = np.floor((sent_s + late_s) * 1e3 / unit_ms).astype(np.int64) * round(unit_ms * 1e6)
    for counted in (False, True):
        found = maps.fit_map(ticks, stamps, rate_hz, Unit(unit_ms), counted=counted)
        assert found.status in CLOCK_STATUS
        assert (np.diff(found.at) > 0).all()
        assert (np.diff(found.to) > 0).all()
        assert np.isfinite(found.uncertainty_ms).all()
        assert (found.uncertainty_ms > 0).all()


@settings(deadline=None, max_examples=6)
@given(st.integers(0, 2**32), st.floats(0.02, 0.4))
def test_dropping_random_frames_moves_the_map_within_its_band(seed, share):
    rec = day(8, 1, 5, -17).received()
    kept = np.random.default_rng(seed).random(len(rec.ticks)) > share
    whole = fit(rec)
    part = maps.fit_map(rec.ticks[kept], rec.stamp_ns[kept], TICK_HZ, Unit(1.0), 3.0)
    at = rec.ticks[kept]
    moved = np.abs(part(at) - whole(at)) / 1e6
    assert (moved <= whole.uncertainty(at) + part.uncertainty(at)).all()


@settings(deadline=None, max_examples=6)
@given(st.integers(0, 2**32))
def test_the_order_of_frames_does_not_matter(seed):
    rec = day(8, 1, 5, -17).received()
    order = np.random.default_rng(seed).permutation(len(rec.ticks))
    one, two = fit(rec), maps.fit_map(rec.ticks[order], rec.stamp_ns[order], TICK_HZ, Unit(1.0), 3.0)
    assert (one.at == two.at).all()
    assert (one.to == two.to).all()


@settings(deadline=None, max_examples=6)
@given(st.sampled_from([2, 3, 5, 10]))
def test_scaling_the_hubs_clock_scales_the_map(factor):
    # A hub whose second is a factor shorter, with its unit and delays: ticks at the nominal rate to match.
    rec = day(8, 1, 5, -17).received()
    one = fit(rec)
    stamp_ns = rec.stamp_ns[0] + (rec.stamp_ns - rec.stamp_ns[0]) * factor
    two = maps.fit_map(rec.ticks, stamp_ns, TICK_HZ / factor, Unit(1.0 * factor), 3.0 * factor)
    scaled = rec.stamp_ns[0] + (one(rec.ticks) - rec.stamp_ns[0]) * factor
    assert np.abs(two(rec.ticks) - scaled).max() <= (one.uncertainty(rec.ticks) * factor).max() * 1e6


@settings(deadline=None, max_examples=10)
@given(st.integers(-(10**12), 10**12), st.integers(-(10**9), 10**9))
def test_shifts_of_both_clocks_shift_the_map(hub_ms, ticks):
    rec = day(8, 0.5, 2, -17).received()
    one = fit(rec)
    two = maps.fit_map(rec.ticks + ticks, rec.stamp_ns + hub_ms * MS, TICK_HZ, Unit(1.0), 3.0)
    assert (two.at == one.at + ticks).all()
    assert (two.to == one.to + hub_ms * MS).all()
    assert (two.uncertainty_ms == one.uncertainty_ms).all()


@settings(deadline=None, max_examples=50)
@given(st.lists(st.tuples(st.integers(0, 10**6), st.integers(0, 10**4)), min_size=1, max_size=60))
def test_any_stamps_give_a_rising_map(pairs):
    ticks, late = np.array(pairs, np.int64).T
    stamps = (ticks * 1000 // TICK_HZ + late) * MS
    found = maps.fit_map(ticks, stamps, TICK_HZ, Unit(1.0))
    assert len(found.at) >= 2
    assert (np.diff(found.at) > 0).all()
    assume(found.status == "nominal_rate" or late.max() < 1000)
    assert (np.diff(found.to) > 0).all()
    assert np.isfinite(found.uncertainty_ms).all()


def test_few_stamps_take_the_nominal_rate_with_a_wide_band():
    found = maps.fit_map(np.array([0, 5]) * TICK_HZ, np.array([100, 5104]) * MS, TICK_HZ, Unit(1.0), 3.0)
    assert found.status == "nominal_rate"
    assert found.to.tolist() == [97_500_000, 5_097_500_000]
    assert (found.uncertainty_ms >= 20).all()
    lone = maps.fit_map(np.array([7]), np.array([100 * MS]), TICK_HZ, Unit(1.0))
    assert (lone.at.tolist(), lone.status) == ([7, 7 + TICK_HZ], "nominal_rate")


def test_half_a_million_frames():
    rec = day(9, 15, 10, 12).received()
    assert len(rec.ticks) > 500_000
    begin = time.perf_counter()
    found = fit(rec)
    print(f"{len(rec.ticks)} frames in {time.perf_counter() - begin:.2f} s")
    assert np.abs(errors_ms(found, rec)).max() < 0.05


def test_runs_of_the_hub_end_as_well_where_marks_and_stamps_jump():
    # Marks each 10 s tell of 3 s put back, too little for a fall; the stamps show it before row 600.
    stamps = np.arange(1200, dtype=np.int64) * 10**9
    stamps[600:] -= 3 * 10**9
    rows = np.arange(5, 1200, 10)
    x_s = rows.astype(np.float64)
    late_ms = np.ceil(np.random.default_rng(14).exponential(2.0, len(rows)))
    stamp_ms = (stamps[rows] - rows * 10**9) / 1e6 - late_ms
    marks = hub.BootStamps(hub.MARKS, rows, x_s, stamp_ms, Unit(1.0, "up", 1.0), turned=True)
    known = hub.RunStarts(np.array([0]))
    found = hub.with_jumps(known, marks, lambda wanted: stamps[wanted])
    assert found.first.tolist() == [0, 600]
    assert found.of(np.array([0, 599, 600, 1199])).tolist() == [0, 0, 1, 1]
    # The host's clock was moved, and the hub's went on.
    assert hub.with_jumps(known, marks, lambda wanted: wanted * 10**9).first.tolist() == [0]
    assert hub.with_jumps(known, None, lambda wanted: stamps[wanted]) == known


# --- the stage -----------------------------------------------------------------------------------


def layout() -> SimpleNamespace:
    fields = {"ticks": SimpleNamespace(rate_hz=float(TICK_HZ)), "hub_time": SimpleNamespace(unit_ns=MS)}
    utc = SimpleNamespace(role="utc", unit_ns=MS, rounding="up", read="after")
    kind = SimpleNamespace(kind=1, stream="acc", least_lag_s=0.0, fields=[utc], channels=())
    return SimpleNamespace(
        delay_ms=3.0,
        field=fields.get,
        kinds=[kind],
        streams=[kind],
        kinds_of=lambda _: [kind],
        has_ticks=True,
        network_ticks=None,
        tick_hz=lambda _: float(TICK_HZ),
        stream=lambda _: kind,
    )


def study(tmp_path, frames: pd.DataFrame, start: int | None = None) -> SimpleNamespace:
    frames = frames.sort_values("capture", kind="stable", ignore_index=True).assign(
        row=np.arange(len(frames))
    )
    for key, own in frames.groupby(["node", "stream"], observed=True):
        out = received.path(tmp_path, "S01", key)
        out.parent.mkdir(parents=True, exist_ok=True)
        own.to_parquet(out)
    runs = tables.build(
        TABLES["hub_runs"],
        {
            "row": [0],
            "hub_run": np.zeros(1, np.int16),
            "began": ["capture"],
            "hub_ns": [int(frames["hub_ns"].iloc[0])],
            "before_hub_ns": pd.array([None], "Int64"),
        },
    )
    tables.write(tables.path(tmp_path, "hub_runs", "S01"), TABLES["hub_runs"], runs)
    movements = SimpleNamespace(movements=SimpleNamespace(phases=("taps",), correct=False))
    return SimpleNamespace(
        results=tmp_path,
        layout_of=lambda *_: layout(),
        written_span=lambda _: (start, None),
        session=lambda _: SimpleNamespace(start=start, end=None),
        sharing=lambda _: [],
        file=movements,
        nodes_of=lambda _: {},
        phases_of=lambda _: [],
    )


def frame(node: str, boot: int, ticks, hub_ns, mark=None) -> pd.DataFrame:
    n = len(ticks)
    return pd.DataFrame(
        {
            "capture": np.zeros(n, np.int16),
            "node": pd.Categorical([node] * n),
            "stream": pd.Categorical(["acc"] * n),
            "boot": np.full(n, boot, np.int32),
            "ticks": ticks,
            "hub_ns": hub_ns,
            "mark_utc_ns": pd.array([pd.NA] * n if mark is None else mark, "Int64"),
            "samples": np.ones(n, np.int32),
            "status": pd.Categorical(["good"] * n),
        }
    )


def joined(*pieces: pd.DataFrame) -> pd.DataFrame:
    out = pd.concat(pieces).sort_values("hub_ns", kind="stable", ignore_index=True)
    return out.astype(dict.fromkeys(["node", "stream", "status"], "category"))


def marks(rec: StampedDay, ppm: float, seed: int = 0) -> tuple[pd.DataFrame, maps.Map]:
    """Marks every 10 s of a hub ``ppm`` slow, and the true map of hub time to UTC."""
    rng = np.random.default_rng(seed)
    first, last = int(rec.true_ns[0]) - 10**10, int(rec.true_ns[-1]) + 10**10
    ends = np.array([first, last])
    true = maps.Map(
        ends,
        START_NS + np.rint((ends - first) * (1 + ppm * 1e-6)).astype(np.int64),
        np.zeros(2),
        np.zeros(2),
        "fitted",
    )
    at = np.arange(first, last, 10**10) + rng.integers(0, 10**9, len(np.arange(first, last, 10**10)))
    seen = true(at) + np.rint(rng.exponential(1.5e6, len(at))).astype(np.int64)
    utc = -(-seen // MS) * MS  # a host is never early
    return frame("hub", 0, at // MS, at // MS * MS, utc), true


def run(tmp_path, frames, start=None) -> pd.DataFrame:
    stage.run(study(tmp_path, frames, start), "S01")
    clock = tables.read(tables.path(tmp_path, "clock", "S01"), "clock")
    tables.validate(TABLES["clock"], clock)
    assert tables.path(tmp_path, "ledger", "S01", "clock").exists()
    return clock


def test_stage_composes_both_maps(tmp_path):
    rec = day(10, 2, 12.5, -25).received()
    mark, hub = marks(rec, 7.0)
    clock = run(tmp_path, joined(mark, frame("heart", 0, rec.ticks, rec.stamp_ns)))
    utc = timeline.ticks_to_utc(rec.ticks, clock["ticks"].to_numpy(), clock["utc_ns"].to_numpy())
    error = (utc - hub(rec.true_ns)) / 1e6
    assert set(clock["status"]) == {"fitted"}
    assert np.sqrt(np.mean(error**2)) < 0.7  # half a unit of the hub's stamps in marks stays unknown
    assert error.std() < 0.25
    band = np.interp(rec.ticks, clock["ticks"], clock["uncertainty_ms"])
    assert (np.abs(error) <= band).mean() >= 0.9
    # The node runs 25 ppm slower than the hub, and that 7 ppm slower than true time.
    assert clock["skew_ppm"].to_numpy()[5:-5] == pytest.approx(-25 - 7, abs=0.5)
    assert (clock["delay_ms"] == 3.0).all()


def test_the_hosts_marks_stay_whole_nanoseconds(tmp_path):
    # A double holds no whole nanosecond of these years: it steps by 256 of them (IEEE 754, 53 bits).
    utc = START_NS + 1 + np.arange(40) * 10**10
    assert (utc.astype(np.float64).astype(np.int64) != utc).all()
    own = study(tmp_path, frame("hub", 0, np.arange(40), np.arange(40) * 10**10, utc))
    assert Captured.of(received.columns_of(own.results, "S01")).marks[2].tolist() == utc.tolist()


def test_a_node_that_only_a_further_capture_heard_has_no_map(tmp_path):
    rec = day(10, 2, 1.0, -25).received()
    mark, _ = marks(rec, 7.0)
    frames = joined(
        mark,
        frame("heart", 0, rec.ticks, rec.stamp_ns),
        frame("ankle", 0, rec.ticks, rec.stamp_ns).assign(capture=np.int16(1)),
    )
    alone = joined(mark, frame("heart", 0, rec.ticks, rec.stamp_ns))
    pd.testing.assert_frame_equal(run(tmp_path, frames), run(tmp_path, alone))


def test_stage_has_a_map_for_each_boot(tmp_path):
    rec = day(11, 2, 12.5, 15).received()
    mark, _ = marks(rec, 0.0)
    cut = len(rec.ticks) - 20
    clock = run(
        tmp_path,
        joined(
            mark,
            frame("wrist", 0, rec.ticks[:cut], rec.stamp_ns[:cut]),
            frame("wrist", 1, rec.ticks[cut:] - rec.ticks[cut], rec.stamp_ns[cut:]),
        ),
    )
    status = clock.groupby("boot")["status"].unique()
    assert [list(status[boot]) for boot in (0, 1)] == [["fitted"], ["nominal_rate"]]
    assert (
        clock.groupby(["node", "boot"], observed=True)["utc_ns"]
        .apply(lambda s: (s.diff()[1:] > 0).all())
        .all()
    )


def test_stage_takes_the_written_start_without_marks(tmp_path):
    rec = day(12, 0.5, 12.5, 15).received()
    clock = run(tmp_path, frame("heart", 0, rec.ticks, rec.stamp_ns), start=START_NS)
    assert set(clock["status"]) == {"start_by_hand"}
    assert abs(clock["utc_ns"].iloc[0] - START_NS) < 100 * MS
    assert (clock["uncertainty_ms"] >= 60_000).all()


def test_stage_says_what_is_missing(tmp_path):
    rec = day(13, 0.2, 12.5, 15).received()
    with pytest.raises(ContractError) as error:
        run(tmp_path, frame("heart", 0, rec.ticks, rec.stamp_ns))
    assert str(error.value) == (
        "session S01, run 0 of the hub: no host mark ties the hub's clock to UTC; expected host marks in the "
        "capture, or the session's start in config/sessions.tsv."
    )
