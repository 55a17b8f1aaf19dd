"""Stage `repair`: received samples untouched, fills inside their gaps, everything else visibly missing."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as arrow
import pytest
from conftest import samples_in, store_frames, stored
from hypothesis import given, settings
from hypothesis import strategies as st
from nodeday.schemas import TABLES, codes
from scipy.interpolate import Akima1DInterpolator, PchipInterpolator

from nodeday.config.study import Study
from nodeday.core.arrays import runs, spread
from nodeday.core.errors import ContractError
from nodeday.layouts import load_layout, pack_counts
from nodeday.layouts.codec import payload_matrix
from nodeday.stages.repair import quality, stage
from nodeday.stages.repair.align import (
    PASS,
    STOP,
    Aligned,
    _last_before,
    grid,
    grid_range,
    kernel,
    on_grid,
)
from nodeday.stages.repair.fill import METHODS, fill, fillable
from nodeday.stages.repair.place_samples import follow_each_other, place_frames, sample_times
from nodeday.stages.repair.quality import INTERPOLATED, MISSING
from nodeday.storage import tables

CONFIG = Path(__file__).parents[1] / "config"
LAYOUT = load_layout(CONFIG / "layouts" / "beltframe.yaml")
START = 1_784_005_200_000_000_000
TICK = 32_768
masks = st.lists(st.booleans(), min_size=1, max_size=60).map(lambda bits: np.array(bits, np.bool_))
quick = settings(deadline=None, max_examples=50)


def may(*arguments: Any) -> np.ndarray:
    return spread(*fillable(*arguments), len(arguments[0]))


def bits(text: str) -> np.ndarray:
    return np.array([char == "1" for char in text.replace(" ", "")], np.bool_)


# --- runs and what may be filled --------------------------------------------------------


@quick
@given(masks)
def test_runs_tell_the_mask(mask: np.ndarray) -> None:
    starts, ends = runs(mask)
    assert (spread(starts, ends, len(mask)) == mask).all()
    assert (starts < ends).all()
    assert (ends[:-1] < starts[1:]).all()


def test_only_short_open_gaps_with_anchors_may_be_filled() -> None:
    """present   1 1 0 0 1 1 0 1 1 0 0 0 1     most_samples = 2
    barred    0 0 0 0 0 0 1 0 0 0 0 0 0
    fillable  0 0 1 1 0 0 0 0 0 0 0 0 0"""
    present, barred = bits("1100110110001"), bits("0000001000000")
    assert (may(present, present, barred, 2) == bits("0011000000000")).all()
    at_rail = bits("0100000000000")
    assert not may(present, present & ~at_rail, barred, 2).any()
    assert not may(present, present, ~present, 9).any()


def test_a_fill_needs_its_context_on_both_sides() -> None:
    """Of twice three samples on each side three must be there; the last gap has two behind it.

    present   1 1 1 0 0 1 0 0 1 1 0 1 1
    may be          x x   x x     (no)
    """
    present = bits("1110010011011")
    assert (may(present, present, present & False, 2, 3) == bits("0001101100000")).all()
    assert (may(present, present, present & False, 2, 2) == bits("0001101100100")).all()


def test_a_gap_at_either_end_is_never_filled() -> None:
    assert not may(bits("0110"), bits("0110"), bits("0000"), 9).any()


@quick
@given(masks, masks, st.integers(0, 6), st.sampled_from(METHODS), st.integers(0, 2**32 - 1))
def test_fills_stay_in_their_gaps(
    present: np.ndarray, barred: np.ndarray, most: int, method: str, seed: int
) -> None:
    n = len(present)
    barred = np.resize(barred, n) & ~present
    value = np.where(present, np.random.default_rng(seed).normal(size=n), np.nan)
    starts, ends = fillable(present, present, barred, most)
    inside, seconds = spread(starts, ends, n), np.arange(n) / 50.0
    once = fill(seconds, value, present, starts, ends, method)
    assert once[~inside].tobytes() == value[~inside].tobytes()
    assert np.isfinite(once[inside]).all()
    assert not (inside & (present | barred)).any()
    assert (ends - starts <= most).all()
    assert set(zip(starts, ends, strict=True)) <= set(zip(*runs(~present), strict=True))  # whole gaps
    assert fill(seconds, once, present, starts, ends, method).tobytes() == once.tobytes()
    if method == "pchip":  # never leaves the range of its neighbours
        for start, end in zip(starts, ends, strict=True):
            low, high = sorted((value[start - 1], value[end]))
            assert (once[start:end] >= low - 1e-9).all()
            assert (once[start:end] <= high + 1e-9).all()


@quick
@given(masks, st.integers(1, 6), st.integers(0, 2**32 - 1))
def test_cubics_are_those_of_scipy_on_each_stretch(present: np.ndarray, most: int, seed: int) -> None:
    """scipy's interpolators over a whole stretch without a lasting gap are the oracle."""
    n, seconds = len(present), np.cumsum(np.random.default_rng(seed).uniform(0.5, 1.5, len(present)))
    value = np.where(present, np.random.default_rng(seed).normal(size=n), np.nan)
    starts, ends = fillable(present, present, present & False, most)
    inside = spread(starts, ends, n)
    for method, oracle in (("akima", Akima1DInterpolator), ("pchip", PchipInterpolator)):
        found = fill(seconds, value, present, starts, ends, method)
        for first, last in zip(*runs(present | inside), strict=True):
            known = np.flatnonzero(present[first:last]) + first
            for start, end in zip(starts, ends, strict=True):
                before, after = known[known < start], known[known >= end]
                if first <= start < last and min(len(before), len(after)) >= 3:
                    want = oracle(seconds[known], value[known])(seconds[start:end])
                    assert found[start:end] == pytest.approx(want, abs=1e-9)


def test_a_straight_line_is_filled_exactly_by_all_methods() -> None:
    present = bits("1110011101111")
    seconds = np.arange(13) / 50.0
    line = np.where(present, 3.0 - 2.0 * seconds, np.nan)
    for method in METHODS:
        found = fill(seconds, line, present, *runs(~present), method)
        assert found == pytest.approx(3.0 - 2.0 * seconds)
        both = fill(seconds, np.stack([line, -line], axis=1), present, *runs(~present), method)
        assert (both == np.stack([found, -found], axis=1)).all()


def test_nothing_reaches_across_what_stays_lost() -> None:
    """The fill of the short gap must not change with what lies beyond the long one."""
    present = bits("11110000000 11 0 11111")
    gap = fillable(present, present, present & False, 1)
    seconds = np.arange(len(present)) / 50.0
    value = np.where(present, np.sin(seconds * 9), np.nan)
    other = value.copy()
    other[:4] += 100.0
    for method in METHODS:
        assert (fill(seconds, value, present, *gap, method) == fill(seconds, other, present, *gap, method))[
            13
        ]


def test_cubic_follows_a_crest_that_a_line_cuts_off() -> None:
    seconds = np.arange(100) / 50.0
    true = np.sin(2 * np.pi * 2.0 * seconds)
    present = np.ones(100, np.bool_)
    present[[5, 6, 7, 30, 31, 56]] = False
    value, gaps = np.where(present, true, np.nan), runs(~present)
    error = {m: np.abs(fill(seconds, value, present, *gaps, m) - true).max() for m in ("linear", "akima")}
    assert error["akima"] < error["linear"] / 2


def test_an_unknown_method_is_refused() -> None:
    with pytest.raises(ValueError, match="no fill method is named spline"):
        fill(np.zeros(1), np.zeros(1), bits("1"), *runs(bits("0")), "spline")


# --- quality ----------------------------------------------------------------------------


def test_flat_needs_enough_equal_counts_in_a_row() -> None:
    counts = np.array([5, 5, 5, 7, 7, 7, 7, 9, 9, 9, 9], np.int32)
    present = np.ones(11, np.bool_)
    assert (quality.flat(counts, present, 4) == bits("00011111111")).all()
    present[5] = False
    assert (quality.flat(counts, present, 4) == bits("00000001111")).all()


def test_rails_and_grades() -> None:
    counts = np.array([0, 1, 4094, 4095, 0], np.int32)
    rail = quality.clipped(counts, (0, 4095))
    assert rail.tolist() == [True, False, False, True, True]
    assert not quality.clipped(counts, None).any()
    off = quality.lead_off(rail, 2)
    assert off.tolist() == [False, False, False, True, True]
    grades = quality.grade(bits("11110"), rail, bits("11000"), off)
    names = [list(codes.QUALITY)[place] for place in grades]
    assert names == ["clipped", "flat", "good", "lead_off", "lead_off"]
    nothing = rail & False
    assert quality.grade(bits("10000"), nothing, nothing, nothing).tolist() == [
        quality.GOOD,
        *[quality.NOT_MEASURED] * 4,
    ]


# --- laying and timing ------------------------------------------------------------------


def test_frames_are_laid_by_number_and_ticks_of_lost_ones_lie_on_the_line() -> None:
    """seq 12 13 - - 16, arriving out of order"""
    laid = place_frames(np.array([13, 12, 16]), np.array([130, 120, 161]), bits("111"), 10.0)
    assert laid.first_seq == 12
    assert laid.row.tolist() == [1, 0, -1, -1, 2]
    assert laid.ticks.tolist() == [120, 130, 140, 151, 161]


def test_a_doubtful_frame_off_the_line_is_timed_by_its_neighbours() -> None:
    seq, ticks = np.arange(5), np.array([0, 10, 27, 30, 40])
    assert place_frames(seq, ticks, bits("11011"), 10.0).ticks.tolist() == [0, 10, 20, 30, 40]
    assert place_frames(seq, np.array([0, 10, 21, 30, 40]), bits("11011"), 10.0).ticks.tolist() == [
        0,
        10,
        21,
        30,
        40,
    ]
    assert place_frames(seq, np.array([900, 10, 20, 30, 40]), bits("01111"), 10.0).ticks.tolist()[0] == 0


def test_ticks_that_stand_still_or_fall_refuse_no_frame() -> None:
    """Frames 1 and 2 share a tick; the tick of frame 3 falls, so it lies on the line from 2 to 4."""
    laid = place_frames(np.arange(5), np.array([0, 10, 10, 4, 30]), bits("11111"), 10.0)
    assert laid.ticks.tolist() == [0, 10, 10, 20, 30]
    assert laid.received.all()
    assert follow_each_other(np.array([0, 10, 10, 9, 30]), 1).tolist() == [0, 10, 11, 12, 30]


@pytest.mark.parametrize(
    ("seq", "ticks", "told"),
    [
        ([0, 0], [0, 10], "occurs twice"),
        ([0, 1 << 40], [0, 10], "span 1099511627777 frames"),
    ],
)
def test_counters_that_contradict_each_other_are_refused(seq: list[int], ticks: list[int], told: str) -> None:
    with pytest.raises(ValueError, match=told):
        place_frames(np.array(seq), np.array(ticks), bits("11"), 10.0)


@pytest.mark.parametrize("last", [True, False])
def test_samples_are_a_period_apart_from_the_stamped_one(last: bool) -> None:
    """4 ms are 131.072 ticks: no rounding to whole ticks, and no drift within the frame."""
    knots, utc = np.array([0, TICK * 1000]), START + np.array([0, 1_000_020_000_000])  # 20 ppm slow
    ticks = np.array([TICK * 10, TICK * 10 + 2621])
    times = sample_times(ticks, 20, TICK / 250, last, knots, utc)
    true = START + 10_000_200_000 + (np.arange(20) - (19 if last else 0)) * 4_000_080
    assert np.abs(times[0] - true).max() <= 1
    assert (np.diff(times.ravel()) > 0).all()


def test_a_rate_that_does_not_fit_the_frames_is_refused() -> None:
    knots, utc = np.array([0, TICK]), START + np.array([0, 1_000_000_000])
    with pytest.raises(ValueError, match="rate_hz is too low"):
        follow_each_other(sample_times(np.array([1000, 2000]), 20, TICK / 250, True, knots, utc).ravel(), 20)


def test_payloads_are_read_where_they_lie() -> None:
    rows = [bytes([i, i + 1, i + 2]) for i in range(5)]
    column = pd.Series(rows, dtype=pd.ArrowDtype(arrow.binary()))
    assert payload_matrix(column, 3).tolist() == [list(row) for row in rows]
    assert payload_matrix(column.iloc[[4, 1]], 3).tolist() == [list(rows[4]), list(rows[1])]
    assert payload_matrix(column.iloc[2:4], 3).tolist() == [list(rows[2]), list(rows[3])]
    assert payload_matrix(column.iloc[:0], 3).shape == (0, 3)
    with pytest.raises(ContractError, match="payloads of unequal length; expected 4 bytes each"):
        payload_matrix(column, 4)


# --- the grid ---------------------------------------------------------------------------


def gridded(
    utc: np.ndarray, value: np.ndarray, origin: np.ndarray, grades: np.ndarray, rate: float, grid_hz: float
) -> Aligned:
    return on_grid(
        utc,
        value[:, None].astype(np.float32),
        origin.astype(np.int8),
        grades[:, None].astype(np.int8),
        slice(0, len(utc)),
        rate,
        grid_hz,
    )


RATES = [(250.0, 250.0, 20), (500.0, 100.0, -35), (100.0, 250.0, 50), (64.0, 50.0, 0), (50.0, 50.0, -50)]


@given(st.lists(st.integers(0, 40)), st.lists(st.integers(0, 40)))
def test_the_sample_before_an_instant_is_found_from_the_side_of_the_fewer(
    at: list[int], utc: list[int]
) -> None:
    """numpy's search from the side of the instants as the reference."""
    instants, samples = (np.array(sorted(each), np.int64) for each in (at, utc))
    found = _last_before(samples, instants)
    assert (found == np.searchsorted(samples, instants, side="right") - 1).all()


@pytest.mark.parametrize(("rate", "grid_hz", "ppm"), RATES)
def test_a_band_limited_signal_comes_out_on_the_grid(rate: float, grid_hz: float, ppm: int) -> None:
    """Twelve tones within the pass-band, at a crystal that is off: the closed form is the truth."""
    rng, slower = np.random.default_rng(2), min(rate, grid_hz)
    utc = START + 123_456 + np.rint(np.arange(int(rate * 40)) / rate * (1e9 + 1000 * ppm)).astype(np.int64)
    tones = rng.uniform(0, PASS * slower * 0.999, 12)
    phases = rng.uniform(0, 6.28, 12)

    def signal(at: np.ndarray) -> np.ndarray:
        seconds = (at - START) / 1e9
        return np.asarray(np.sin(2 * np.pi * tones * seconds[:, None] + phases).sum(axis=1))

    none = np.zeros(len(utc))
    found = gridded(utc, signal(utc), none, none, rate, grid_hz)
    at = grid(found.first, found.first + len(found.value), grid_hz)
    inner = found.quality[:, 0] == quality.GOOD
    assert (found.origin == 0).all()
    assert inner.sum() >= len(at) - 4 * np.ceil(9.7 / slower * grid_hz)
    error = (found.value[:, 0] - signal(at))[inner]
    assert np.sqrt(np.mean(error**2)) < 1e-3 * np.sqrt(6)  # of a root mean square of sqrt(12 / 2)
    assert at[0] >= utc[0] > at[0] - 1e9 / grid_hz
    assert at[-1] <= utc[-1] < at[-1] + 1e9 / grid_hz


@pytest.mark.parametrize(("rate", "grid_hz", "ppm"), RATES)
def test_the_stop_band_lets_nothing_through(rate: float, grid_hz: float, ppm: int) -> None:
    """A tone above 0.6 of the slower rate would fold into the band; 60 dB of it must go. At a grid
    that is faster no sampled tone lies there; the images of a pass-band tone do, in the test above."""
    utc = START + np.rint(np.arange(int(rate * 40)) / rate * (1e9 + 1000 * ppm)).astype(np.int64)
    none = np.zeros(len(utc))
    for tone in np.linspace(STOP * min(rate, grid_hz) * 1.001, rate / 2, 7):
        if tone > rate / 2 or grid_hz >= rate:
            continue
        value = np.sin(2 * np.pi * tone * (utc - START) / 1e9)
        found = gridded(utc, value, none, none, rate, grid_hz)
        inner = found.quality[:, 0] == quality.GOOD
        assert np.abs(found.value[inner]).max() < 1e-3


@quick
@given(st.lists(st.tuples(st.integers(1, 40), st.integers(0, 3)), min_size=1, max_size=12), st.integers(0, 9))
def test_what_the_grid_says_against_a_naive_reading(parts: list[tuple[int, int]], shift: int) -> None:
    """Runs of samples of each origin; every instant is judged by looking at all samples near it."""
    origin = np.repeat([code for _, code in parts], [n for n, _ in parts])
    utc = START + shift * 1_000_000 + np.arange(len(origin)) * 10_000_000
    grades = np.where(origin == MISSING, quality.NOT_MEASURED, quality.GOOD)
    grades[origin == INTERPOLATED] = quality.SHORT_FILL
    value = np.where(origin == MISSING, np.nan, 5.0)
    found = gridded(utc, value, origin, grades, 100.0, 100.0)
    at, reach = grid(found.first, found.first + len(found.value), 100.0), kernel(100.0, 100.0).reach
    for i, instant in enumerate(at.tolist()):
        place = (instant - utc[0]) / 1e7
        low, high = int(np.floor(place)), int(np.ceil(place))
        near = [k for k in range(-1, len(origin) + 1) if abs(k - place) < reach]
        gone = [k for k in near if k < 0 or k == len(origin) or origin[k] == MISSING]
        if MISSING in (origin[low], origin[high]):
            assert (found.origin[i], found.quality[i, 0]) == (MISSING, quality.NOT_MEASURED)
            assert np.isnan(found.value[i, 0])
            continue
        assert found.value[i, 0] == pytest.approx(5.0, abs=1e-5)  # a constant stays one, near a gap as well
        weakest = max((int(origin[k]) for k in near if k not in gone), default=0)
        assert found.origin[i] == weakest
        filled = weakest == INTERPOLATED
        expected = quality.SHORT_FILL if filled else quality.NEAR_GAP if gone else quality.GOOD
        assert found.quality[i, 0] == expected


def test_the_grid_does_not_depend_on_where_a_stream_is_cut() -> None:
    rng, n = np.random.default_rng(8), 6000
    utc = START + np.rint(np.arange(n) * 4_000_080.0 + rng.normal(0, 30_000, n)).astype(np.int64)
    origin = np.where(rng.random(n) < 0.01, MISSING, 0)
    grades = np.where(origin == MISSING, quality.NOT_MEASURED, quality.GOOD)
    value = np.where(origin == MISSING, np.nan, rng.normal(size=n))
    whole = gridded(utc, value, origin, grades, 250.0, 100.0)
    parts = []
    for start in range(0, n, 1500):
        cut = slice(max(start - 200, 0), start + 1700)
        core = slice(start - cut.start, start - cut.start + 1500)
        parts.append(
            on_grid(
                utc[cut],
                value[cut, None].astype(np.float32),
                origin[cut].astype(np.int8),
                grades[cut, None].astype(np.int8),
                core,
                250.0,
                100.0,
            )
        )
    assert [part.first for part in parts] == [
        whole.first + sum(len(each.value) for each in parts[:i]) for i in range(4)
    ]
    for name in ("origin", "quality"):
        assert (np.concatenate([getattr(part, name) for part in parts]) == getattr(whole, name)).all()
    joined = np.concatenate([part.value for part in parts])
    # Places are counted from the first sample of a part, and the last digits of a double with them.
    assert joined == pytest.approx(whole.value, abs=1e-6, nan_ok=True)


@quick
@given(
    st.integers(0, 10**18),
    st.sampled_from([1.0, 12.5, 50.0, 60.0, 250.0, 33.3333, 999.0]),
    st.integers(1, 50),
)
def test_grid_is_the_same_wherever_it_begins(first_ns: int, rate: float, skip: int) -> None:
    k, _ = grid_range(first_ns, first_ns, rate)
    whole = grid(k, k + 100, rate)
    assert whole[0] >= first_ns - 1  # an instant is rounded down to whole nanoseconds
    assert whole[0] - first_ns <= 1e9 / rate + 1
    assert (grid(k + skip, k + 100, rate) == whole[skip:]).all()
    assert np.abs(np.diff(whole) - 1e9 / rate).max() <= 1.5
    if 1e9 % rate == 0:
        assert (whole % int(1e9 / rate) == 0).all()


# --- the stage ---------------------------------------------------------------------------


def frames_of(
    node: str, stream: str, boot: int, seq: np.ndarray, counts: np.ndarray, offset: int
) -> dict[str, object]:
    kind = LAYOUT.stream(stream)
    per_frame = kind.samples * TICK / (kind.rate_hz or 1)
    n, raw = len(seq), pack_counts(counts, kind)
    return {
        "capture": np.zeros(n, np.int16),
        "offset": offset + np.arange(n),
        "length": np.full(n, 50, np.int32),
        "node": np.full(n, node, object),
        "stream": np.full(n, stream, object),
        "kind": np.full(n, kind.kind, np.int32),
        "boot": np.full(n, boot, np.int32),
        "seq_raw": seq % 256,
        "seq": seq,
        "ticks_raw": seq,
        "ticks": np.rint((seq + 1) * per_frame).astype(np.int64),
        "hub_ns": seq * 1000,
        "mark_utc_ns": [None] * n,
        "rssi_dbm": np.full(n, -60, np.float32),
        "lqi": np.full(n, 9, np.float32),
        "battery_v": np.full(n, 3.5, np.float32),
        "samples": np.full(n, kind.samples, np.int32),
        "payload": [row.tobytes() for row in raw],
        "status": np.full(n, "good", object),
    }


def gap(node: str, stream: str, boot: int, start: int, end: int | None, cause: str) -> dict[str, object]:
    return {
        "node": node,
        "stream": stream,
        "boot": boot,
        "seq_from": start,
        "seq_to": end,
        "frames": None if end is None else end - start,
        "extent": "unknown" if end is None else "known",
        "cause": cause,
        "before_hub_ns": 0,
        "after_hub_ns": None,
        "reason": None if end else "restart",
    }


@pytest.fixture(scope="module")
def study(tmp_path_factory: pytest.TempPathFactory) -> Study:
    """A session of 60 ECG frames in two boots, and 30 temperature frames with a short gap and an outage."""
    root = tmp_path_factory.mktemp("study")
    shutil.copytree(CONFIG, root / "config")
    settings = root / "config" / "study.yaml"
    plain = settings.read_text().replace("pattern ", "cubic ").replace("max_ms: 250", "max_ms: 80")
    settings.write_text(plain)
    study, rng = Study(root), np.random.default_rng(4)
    ecg = rng.integers(0, 4096, (60, 20, 1))
    ecg[20:24] = 2000  # 320 ms without change
    lost = np.isin(np.arange(40), [10, 11, 30])
    pieces = [
        frames_of("heart", "ecg", 0, np.flatnonzero(~lost) + 250, ecg[:40][~lost], 0),
        frames_of("heart", "ecg", 1, np.arange(20), ecg[40:], 1000),
    ]
    seq = np.setdiff1d(np.arange(30), [5, 12, 13, 14])
    temp = np.rint(3300 + 100 * np.sin(np.arange(120) / 30)).reshape(30, 4, 1).astype(np.int64)
    pieces.append(frames_of("skin", "temp", 0, seq, temp[seq], 2000))
    columns = {key: [value for piece in pieces for value in piece[key]] for key in pieces[0]}  # type: ignore[attr-defined]
    numbers = {
        c.name: c.dtype
        for c in TABLES["frames"].columns
        if c.name not in ("row", "mark_utc_ns") and c.dtype[-1].isdigit()
    }
    kept = columns | {name: np.array(columns[name], dtype) for name, dtype in numbers.items()}
    store_frames(study.results, "S01-clean", kept)
    gaps = pd.DataFrame(
        [
            gap("heart", "ecg", 0, 260, 262, "radio"),
            gap("heart", "ecg", 0, 280, 281, "radio"),
            gap("heart", "ecg", 0, 290, None, "node_restart"),
            gap("skin", "temp", 0, 5, 6, "radio"),
            gap("skin", "temp", 0, 12, 15, "hub_outage"),
        ]
    )
    whole = {
        "boot": np.int32,
        "seq_from": np.int64,
        "before_hub_ns": np.int64,
        "seq_to": "Int64",
        "frames": "Int64",
        "after_hub_ns": "Int64",
    }
    gaps = gaps.astype(whole)
    tables.write(
        tables.path(study.results, "gaps", "S01-clean"),
        TABLES["gaps"],
        tables.build(TABLES["gaps"], {name: gaps[name] for name in gaps}),
    )
    write_clock(study, [("heart", 0, 0), ("heart", 1, 60), ("skin", 0, 0)])
    stage.run(study, "S01-clean")
    return study


def write_clock(study: Study, boots: list[tuple[str, int, int]]) -> None:
    n = 2 * len(boots)
    rows = [
        (node, boot, k * TICK * 500, START + int((late + 500 * k) * 1e9))
        for node, boot, late in boots
        for k in (0, 1)
    ]
    node, boot, ticks, utc = zip(*rows, strict=True)
    table, target = TABLES["clock"], tables.path(study.results, "clock", "S01-clean")
    tables.write(
        target,
        table,
        tables.build(
            table,
            {
                "node": list(node),
                "stream": ["*"] * n,
                "boot": np.array(boot, np.int32),
                "ticks": np.array(ticks, np.int64),
                "utc_ns": np.array(utc, np.int64),
                "skew_ppm": np.zeros(n),
                "offset_ms": np.zeros(n),
                "residual_ms": np.zeros(n),
                "uncertainty_ms": np.ones(n),
                "delay_ms": np.zeros(n),
                "corrected_ms": np.zeros(n),
                "status": ["fitted"] * n,
                "time_source": ["node"] * n,
            },
        ),
    )


def read(study: Study, name: str) -> pd.DataFrame:
    return stored(study.results, name, "S01-clean")


def read_samples(study: Study) -> pd.DataFrame:
    """Both streams, whose one channel each is the ``value``."""
    streams = (("heart", "ecg", "ecg"), ("skin", "temp", "skin"))
    return pd.concat([samples_in(study, "S01-clean", *each) for each in streams], ignore_index=True)


def test_raw_is_null_exactly_where_no_frame_arrived(study: Study) -> None:
    samples, frames = read_samples(study), read(study, "frames")
    got = set(zip(frames["node"], frames["boot"], frames["seq"], strict=True))
    arrived = [key in got for key in zip(samples["node"], samples["boot"], samples["seq"], strict=True)]
    assert (samples["raw"].notna() == arrived).all()
    assert ((samples["origin"] == "measured") == arrived).all()
    assert (samples["quality"].isin(["not_measured", "short_fill", "pattern_fill"]) != arrived).all()
    assert ((samples["quality"] == "not_measured") == (samples["origin"] == "missing")).all()
    assert (samples["value"].isna() == (samples["origin"] == "missing")).all()
    assert samples["fill_probability"].isna().all()  # lines and cubics state none
    assert len(samples) == (40 + 20) * 20 + 30 * 4


def test_received_values_are_scaled_counts_to_the_bit(study: Study) -> None:
    samples = read_samples(study)
    for node, scale, offset in (("heart", 0.002, -4.096), ("skin", 0.01, 0.0)):
        own = samples[(samples["node"] == node) & samples["raw"].notna()]
        want = (own["raw"].to_numpy(np.float64) * scale + offset).astype(np.float32)
        assert own["value"].to_numpy().tobytes() == want.tobytes()


def test_policy_fills_the_short_gap_and_never_the_outage(study: Study) -> None:
    """One ECG frame lasts 80 ms and may be filled, two may not; temperature may up to 30 s."""
    samples = read_samples(study)
    filled = samples[samples["origin"] == "interpolated"]
    assert set(zip(filled["node"], filled["seq"], strict=True)) == {("heart", 280), ("skin", 5)}
    missing = samples[samples["origin"] == "missing"]
    assert set(missing["seq"][missing["node"] == "heart"]) == {260, 261}
    assert set(missing["seq"][missing["node"] == "skin"]) == {12, 13, 14}
    skin = samples[samples["node"] == "skin"].set_index("seq")["value"]
    # The last of frame 4 and the first of frame 6 are five samples apart.
    line = np.linspace(skin[4].iloc[-1], skin[6].iloc[0], 6)[1:-1]
    assert skin[5].to_numpy() == pytest.approx(line, abs=1e-3)


def test_flat_and_time(study: Study) -> None:
    samples = read_samples(study)
    assert set(samples.loc[samples["quality"] == "flat", "seq"]) == {270, 271, 272, 273}
    first = samples[(samples["node"] == "heart") & (samples["boot"] == 1)].iloc[0]
    assert first["utc_ns"] == pytest.approx(START + 60_004_000_000, abs=40_000)  # stamped last: 4 ms to 80 ms


def test_grid_is_missing_outside_and_between_boots(study: Study) -> None:
    aligned, samples = read_aligned(study), read_samples(study)
    assert (np.diff(aligned["utc_ns"]) == 4_000_000).all()
    assert (aligned["utc_ns"] % 4_000_000 == 0).all()
    heart = samples[samples["node"] == "heart"]
    ends = heart.groupby("boot")["utc_ns"].agg(["min", "max"])
    inside = np.zeros(len(aligned), np.bool_)
    for low, high in ends.to_numpy():
        inside |= ((aligned["utc_ns"] >= low) & (aligned["utc_ns"] <= high)).to_numpy()
    assert (aligned.loc[~inside, "heart_ecg_origin"] == "missing").all()
    assert (aligned.loc[inside, "heart_ecg_origin"] == "measured").mean() > 0.9
    assert (aligned["heart_ecg"].isna() == (aligned["heart_ecg_origin"] == "missing")).all()
    assert set(aligned["skin_skin_origin"]) == {"measured", "interpolated", "missing"}


def read_aligned(study: Study) -> pd.DataFrame:
    table = TABLES["aligned"].for_channels({"heart_ecg": "mV", "skin_skin": "degC"})
    return tables.read(tables.path(study.results, "aligned", "S01-clean"), table)


def test_several_grids_share_their_instants(study: Study, tmp_path: Path) -> None:
    """``more_hz`` makes a table for each rate. Every fifth instant of the 250 Hz grid is one of the 50 Hz
    grid, where both say the same of what is missing, and nearly the same of slow signals."""
    copy = tmp_path / "copy"
    shutil.copytree(study.root, copy)
    settings = copy / "config" / "study.yaml"
    settings.write_text(settings.read_text().replace("rate_hz: 250", "rate_hz: 250\n  more_hz: [50, 12.5]"))
    other = Study(copy)
    assert other.file.grid.tables == {"aligned": 250.0, "aligned_50hz": 50.0, "aligned_12.5hz": 12.5}
    stage.run(other, "S01-clean")
    before = tables.path(study.results, "aligned", "S01-clean").read_bytes()
    assert tables.path(other.results, "aligned", "S01-clean").read_bytes() == before
    fine = read_aligned(other).set_index("utc_ns")
    table = TABLES["aligned"].for_channels({"heart_ecg": "mV", "skin_skin": "degC"})
    for name, step in (("aligned_50hz", 5), ("aligned_12.5hz", 20)):
        rows = tables.read(tables.path(other.results, name, "S01-clean"), table).set_index("utc_ns")
        assert (np.diff(rows.index) == step * 4_000_000).all()
        both = rows.join(fine.add_suffix("_fine"))
        assert len(fine) // step - 1 <= len(both) == len(rows) <= len(fine) // step + 1
        for channel in ("heart_ecg", "skin_skin"):
            missing = both[f"{channel}_origin"] == "missing"
            assert (missing == (both[f"{channel}_origin_fine"] == "missing")).all()
        assert both["skin_skin"].to_numpy() == pytest.approx(
            both["skin_skin_fine"].to_numpy(), abs=0.05, nan_ok=True
        )


def test_ledger_and_a_second_run_are_the_same_to_the_byte(study: Study) -> None:
    ledger = tables.read(tables.path(study.results, "ledger", "S01-clean", "repair"), "ledger")
    assert (ledger["entered"] == ledger["accounted"]).all()
    whole = ledger[(ledger["quantity"] == "samples") & (ledger["scope"] == "heart/ecg")]
    assert whole["entered"].tolist() == [1200]
    paths = sorted(path for name in ("samples", "aligned") for path in (study.results / name).rglob("*.*"))
    assert [path.name for path in paths if path.is_file()] == [
        "aligned.parquet",
        "heart.ecg.parquet",
        "skin.temp.parquet",
    ]
    before = [path.read_bytes() for path in paths if path.is_file()]
    stage.run(study, "S01-clean")
    assert [path.read_bytes() for path in paths if path.is_file()] == before


def test_a_boot_without_a_clock_is_set_aside_and_counted(study: Study, tmp_path: Path) -> None:
    copy = tmp_path / "copy"
    shutil.copytree(study.root, copy)
    other = Study(copy)
    write_clock(other, [("heart", 0, 0), ("skin", 0, 0)])
    stage.run(other, "S01-clean")
    ledger = tables.read(tables.path(other.results, "ledger", "S01-clean", "repair"), "ledger")
    assert "no_clock 400" in ledger.loc[ledger["scope"] == "heart/ecg", "detail"].iloc[0]
    assert set(read_samples(other).query("node == 'heart'")["boot"]) == {0}
    write_clock(other, [("trunk", 0, 0)])
    with pytest.raises(ContractError, match="no sample could be placed in time"):
        stage.run(other, "S01-clean")


def test_gaps_that_do_not_account_for_the_frames_stop_the_run(study: Study, tmp_path: Path) -> None:
    copy = tmp_path / "copy"
    shutil.copytree(study.root, copy)
    other = Study(copy)
    gaps = read(other, "gaps").iloc[1:].reset_index(drop=True)
    tables.write(tables.path(other.results, "gaps", "S01-clean"), TABLES["gaps"], gaps)
    with pytest.raises(ContractError, match="samples of heart/ecg: 1160 entered, 1200 accounted for"):
        stage.run(other, "S01-clean")
