"""Edges under one-sided delays, maps from ticks to UTC with known truth, and the room."""

from __future__ import annotations

import time
from dataclasses import dataclass
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from nodeday.schemas import TABLES
from scipy.optimize import linprog

from nodeday import tables, timeline
from nodeday.clock import edge, maps, room
from nodeday.clock.edge import Unit
from nodeday.clock.hull import edge_line, lower_hull
from nodeday.errors import ContractError
from nodeday.simulate.crystal import skew_ppm

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
)  # fmt: skip


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


def test_broken_line_of_two_knots_is_the_edge_line():
    rng = np.random.default_rng(2)
    x, y = np.sort(rng.uniform(0, 100, 300)), rng.exponential(2, 300)
    a, b = edge_line(x, y)
    knots = np.array([0.0, 100.0])
    assert edge.broken_line(x, y, knots, 1.0) == pytest.approx(a + b * knots, abs=1e-7)


def test_broken_line_lies_under_everything_and_bends_with_the_edge():
    rng = np.random.default_rng(3)
    x = np.sort(rng.uniform(0, 100, 4000))
    y = np.abs(x - 50) + rng.exponential(2, 4000)
    knots = np.linspace(0, 100, 11)
    level = edge.broken_line(x, y, knots, 0.25)
    assert (np.interp(x, knots, level) <= y + 1e-7).all()
    assert level == pytest.approx(np.abs(knots - 50), abs=0.2)


def test_false_early_stamps_are_left_out():
    rng = np.random.default_rng(4)
    x, y = np.sort(rng.uniform(0, 3600, 9000)), rng.exponential(2, 9000)
    y[[100, 4000, 8999]] -= [30, 4_000, 15]
    knots = edge.place_knots(x, 300)
    assert np.flatnonzero(edge.early(y, edge.segment_of(x, knots))).tolist() == [100, 4000, 8999]


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


@dataclass
class Recording:
    """Stamps of a node (ticks, hub ms cut down) and the hub's true time of each tick."""

    ticks: np.ndarray
    hub_ns: np.ndarray
    true_ns: np.ndarray


def recording(
    seed: int, ppm: float, hours: float = 2, fps: float = 12.5, wander: float = 0.0, step: float = 0.0
) -> Recording:
    """A clock ``ppm`` slow, wandering by ``wander`` ppm an hour, ``step`` ppm slower for a third.

    Delays of 3 ms + exp(2 ms), a minute's worth of bursts of 5 to 60 ms an hour, 5 % loss.
    """
    rng = np.random.default_rng(seed)
    n = int(hours * 3600 * fps)
    ticks = np.rint(np.arange(n) / fps * TICK_HZ).astype(np.int64)
    x = ticks / TICK_HZ
    middle = (x > x[-1] / 3) & (x < x[-1] * 2 / 3)
    rate = (ppm + wander * np.sin(2 * np.pi * x / 3600) + step * middle) * 1e-6
    true_s = x + np.cumsum(rate) / fps + rng.uniform(0, 1)
    burst = np.zeros(n)
    for start in rng.uniform(0, x[-1], int(hours * 60)):
        burst += ((x >= start) & (x < start + rng.exponential(8))) * rng.uniform(5, 60)
    delay_ms = 3 + rng.exponential(2, n) + burst * rng.uniform(0.3, 1, n)
    stamp_ms = np.floor(true_s * 1e3 + delay_ms).astype(np.int64) + 10**9
    kept = rng.random(n) > 0.05
    true_ns = np.rint(true_s * 1e9).astype(np.int64) + 10**9 * MS
    return Recording(ticks[kept], stamp_ms[kept] * MS, true_ns[kept])


def errors_ms(found: maps.Map, rec: Recording) -> np.ndarray:
    return (found(rec.ticks) - rec.true_ns) / 1e6


def within_share(found: maps.Map, rec: Recording) -> float:
    """Share of minutes whose truth lies in the 95 % band."""
    minute = np.unique(rec.ticks // (60 * TICK_HZ), return_index=True)[1]
    inside = np.abs(errors_ms(found, rec)) <= found.uncertainty(rec.ticks)
    return float(inside[minute].mean())


@pytest.mark.parametrize(
    ("ppm", "fps", "wander", "rms_ms", "worst_ms"),
    [(30, 12.5, 0, 0.05, 0.2), (-30, 12.5, 0, 0.05, 0.2), (30, 12.5, 2, 0.06, 0.3), (-10, 5, 1, 0.08, 0.4),
     (30, 0.25, 0, 0.3, 1.0)],
)  # fmt: skip
def test_two_hours_with_known_truth(ppm, fps, wander, rms_ms, worst_ms):
    inside = []
    for seed in range(4):
        rec = recording(seed, ppm, fps=fps, wander=wander)
        found = maps.fit_map(rec.ticks, rec.hub_ns, TICK_HZ, Unit(1.0), delay_ms=3.0)
        error = errors_ms(found, rec)
        print(f"{ppm:+} ppm {fps}/s rms {np.sqrt(np.mean(error**2)):.3f} worst {np.abs(error).max():.3f} ms")
        assert found.status == "fitted"
        assert np.sqrt(np.mean(error**2)) < rms_ms
        assert np.abs(error).max() < worst_ms
        inside.append(within_share(found, rec))
    assert np.mean(inside) >= 0.9


def test_a_clock_in_step_with_the_unit_says_that_it_cannot_know():
    # At 0 ppm the cut-off part of the stamps hardly moves: half a unit either way is honest.
    for seed in range(4):
        rec = recording(seed, 0.0)
        found = maps.fit_map(rec.ticks, rec.hub_ns, TICK_HZ, Unit(1.0), delay_ms=3.0)
        assert np.median(found.uncertainty_ms) > 0.4
        assert within_share(found, rec) >= 0.9


def test_one_false_early_stamp_changes_nothing_much():
    rec = recording(5, 20)
    clean = maps.fit_map(rec.ticks, rec.hub_ns, TICK_HZ, Unit(1.0), 3.0)
    hub_ns = rec.hub_ns.copy()
    hub_ns[40_000] -= 700 * MS
    assert (
        np.abs(maps.fit_map(rec.ticks, hub_ns, TICK_HZ, Unit(1.0), 3.0)(rec.ticks) - clean(rec.ticks)).max()
        < MS // 10
    )


def test_uncertainty_grows_in_a_hole_and_truth_stays_inside():
    rec = recording(6, 25, wander=1)
    hole = (rec.ticks > 2400 * TICK_HZ) & (rec.ticks < 4800 * TICK_HZ)
    found = maps.fit_map(rec.ticks[~hole], rec.hub_ns[~hole], TICK_HZ, Unit(1.0), 3.0)
    middle = found.uncertainty(np.array([3600 * TICK_HZ]))[0]
    assert middle > 1.0 > 5 * found.uncertainty(np.array([1200 * TICK_HZ]))[0]
    assert within_share(found, rec) >= 0.9


def test_a_step_of_temperature_is_followed():
    # 33 -> 22 -> 33 degC for a third of the time: 1.87 ppm (worked), 4.5 ms over that third.
    rec = recording(7, 20, step=1.87)
    found = maps.fit_map(rec.ticks, rec.hub_ns, TICK_HZ, Unit(1.0), 3.0)
    straight = np.polynomial.Polynomial.fit(rec.ticks, rec.true_ns - rec.true_ns[0], 1)
    line = straight(rec.ticks) - (rec.true_ns - rec.true_ns[0])
    assert np.abs(line).max() > 0.5 * MS
    assert np.abs(errors_ms(found, rec)).max() < 0.25
    assert within_share(found, rec) >= 0.9


@settings(deadline=None, max_examples=10)
@given(st.integers(-(10**12), 10**12), st.integers(-(10**9), 10**9))
def test_shifts_of_both_clocks_shift_the_map(hub_ms, ticks):
    rec = recording(8, -17, hours=0.5, fps=2)
    one = maps.fit_map(rec.ticks, rec.hub_ns, TICK_HZ, Unit(1.0), 3.0)
    two = maps.fit_map(rec.ticks + ticks, rec.hub_ns + hub_ms * MS, TICK_HZ, Unit(1.0), 3.0)
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
    rec = recording(9, 12, hours=11.2)
    assert len(rec.ticks) > 470_000
    begin = time.perf_counter()
    found = maps.fit_map(rec.ticks, rec.hub_ns, TICK_HZ, Unit(1.0), 3.0)
    print(f"{len(rec.ticks)} frames in {time.perf_counter() - begin:.2f} s")
    assert np.abs(errors_ms(found, rec)).max() < 0.3


def test_runs_of_the_hub():
    stamps = np.array([10, 11, 10, 3600, 5, 6], np.int64) * 1_000_000_000
    assert maps.hub_segments(stamps).tolist() == [0, 0, 0, 0, 1, 1]


# --- the room -----------------------------------------------------------------------------------


def layout() -> SimpleNamespace:
    fields = {"ticks": SimpleNamespace(rate_hz=float(TICK_HZ)), "hub_time": SimpleNamespace(unit_ns=MS)}
    utc = SimpleNamespace(role="utc", unit_ns=MS)
    kind = SimpleNamespace(stream="acc", least_lag_s=0.0, fields=[utc])
    return SimpleNamespace(delay_ms=3.0, field=fields.get, kinds=[kind])


def study(tmp_path, frames: pd.DataFrame, start: int | None = None) -> SimpleNamespace:
    out = tables.path(tmp_path, "frames", "S01")
    out.parent.mkdir(parents=True, exist_ok=True)
    frames.to_parquet(out)
    return SimpleNamespace(
        results=tmp_path, layout_of=lambda *_: layout(), written_span=lambda _: (start, None)
    )


def frame(node: str, boot: int, ticks, hub_ns, mark=None) -> pd.DataFrame:
    n = len(ticks)
    return pd.DataFrame({
        "capture": np.zeros(n, np.int16), "node": pd.Categorical([node] * n),
        "stream": pd.Categorical(["acc"] * n),
        "boot": np.full(n, boot, np.int32),
        "ticks": ticks, "hub_ns": hub_ns,
        "mark_utc_ns": pd.array([pd.NA] * n if mark is None else mark, "Int64"),
        "status": pd.Categorical(["good"] * n),
    })  # fmt: skip


def joined(*pieces: pd.DataFrame) -> pd.DataFrame:
    out = pd.concat(pieces).sort_values("hub_ns", kind="stable", ignore_index=True)
    return out.astype(dict.fromkeys(["node", "stream", "status"], "category"))


def marks(rec: Recording, ppm: float, seed: int = 0) -> tuple[pd.DataFrame, maps.Map]:
    """Marks every 10 s of a hub ``ppm`` slow, and the true map of hub time to UTC."""
    rng = np.random.default_rng(seed)
    first, last = int(rec.true_ns[0]) - 10**10, int(rec.true_ns[-1]) + 10**10
    ends = np.array([first, last])
    true = maps.Map(ends, START_NS + np.rint((ends - first) * (1 + ppm * 1e-6)).astype(np.int64),
                    np.zeros(2), np.zeros(2), "fitted")  # fmt: skip
    at = np.arange(first, last, 10**10) + rng.integers(0, 10**9, len(np.arange(first, last, 10**10)))
    seen = true(at) + np.rint(rng.exponential(1.5e6, len(at))).astype(np.int64)
    utc = -(-seen // MS) * MS  # a host is never early
    return frame("hub", 0, at // MS, at // MS * MS, utc), true


def run(tmp_path, frames, start=None) -> pd.DataFrame:
    room.run(study(tmp_path, frames, start), "S01")
    clock = tables.read(tables.path(tmp_path, "clock", "S01"), "clock")
    tables.validate(TABLES["clock"], clock)
    assert tables.path(tmp_path, "ledger", "S01", "clock").exists()
    return clock


def test_room_composes_both_maps(tmp_path):
    rec = recording(10, -25)
    mark, hub = marks(rec, 7.0)
    clock = run(tmp_path, joined(mark, frame("heart", 0, rec.ticks, rec.hub_ns)))
    utc = timeline.ticks_to_utc(rec.ticks, clock["ticks"].to_numpy(), clock["utc_ns"].to_numpy())
    error = (utc - hub(rec.true_ns)) / 1e6
    assert set(clock["status"]) == {"fitted"}
    assert np.sqrt(np.mean(error**2)) < 0.7  # half a unit of the hub's stamps in marks stays unknown
    assert error.std() < 0.25
    band = np.interp(rec.ticks, clock["ticks"], clock["uncertainty_ms"])
    assert (np.abs(error) <= band).mean() >= 0.9
    # The node's seconds last 25 ppm longer than the hub's, and those 7 ppm longer than true ones.
    assert clock["skew_ppm"].to_numpy()[5:-5] == pytest.approx(25 - 7, abs=1.0)
    assert (clock["delay_ms"] == 3.0).all()


def test_room_has_a_map_for_each_boot(tmp_path):
    rec = recording(11, 15)
    mark, _ = marks(rec, 0.0)
    cut = len(rec.ticks) - 20
    clock = run(tmp_path, joined(
        mark, frame("wrist", 0, rec.ticks[:cut], rec.hub_ns[:cut]),
        frame("wrist", 1, rec.ticks[cut:] - rec.ticks[cut], rec.hub_ns[cut:]),
    ))  # fmt: skip
    status = clock.groupby("boot")["status"].unique()
    assert [list(status[boot]) for boot in (0, 1)] == [["fitted"], ["nominal_rate"]]
    assert (
        clock.groupby(["node", "boot"], observed=True)["utc_ns"]
        .apply(lambda s: (s.diff()[1:] > 0).all())
        .all()
    )


def test_room_takes_the_written_start_without_marks(tmp_path):
    rec = recording(12, 15, hours=0.5)
    clock = run(tmp_path, frame("heart", 0, rec.ticks, rec.hub_ns), start=START_NS)
    assert set(clock["status"]) == {"start_by_hand"}
    assert abs(clock["utc_ns"].iloc[0] - START_NS) < 100 * MS
    assert (clock["uncertainty_ms"] >= 60_000).all()


def test_room_says_what_is_missing(tmp_path):
    rec = recording(13, 15, hours=0.2)
    with pytest.raises(ContractError) as error:
        run(tmp_path, frame("heart", 0, rec.ticks, rec.hub_ns))
    assert str(error.value) == (
        "session S01, run 0 of the hub: no host mark ties the hub's clock to UTC; expected host marks in the "
        "capture, or the session's start in config/sessions.tsv."
    )
