"""Motion: published equations and cut-points, closed forms, naive oracles, known walks, real recordings."""

from __future__ import annotations

import importlib.util
import itertools
import re
from collections.abc import Callable
from dataclasses import replace
from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from nodeday.schemas import FEATURE, codes

from nodeday.config import checks
from nodeday.config.device_records import Calibration
from nodeday.config.models import EpochSettings, Mounting, Node
from nodeday.config.study import Study
from nodeday.core.errors import SettingsError
from nodeday.layouts import Layout
from nodeday.stages.features import others
from nodeday.stages.features.motion import autocalibration as auto
from nodeday.stages.features.motion import bouts, cadence, intensity, joint, nonwear, posture
from nodeday.stages.features.motion.blocks import blocks
from nodeday.stages.features.motion.epochs import Motion, motion_of
from nodeday.stages.features.motion.intensity import above_gravity_mg, mad_mg, magnitude
from nodeday.stages.features.motion.subwindows import count, per_window, sub_windows, total
from nodeday.stages.features.pieces import INTERPOLATED, MEASURED, MISSING
from nodeday.stages.features.stream import FeatureValues, Samples, SampleSource
from nodeday.stages.features.windows import Windows, windows_over
from nodeday.storage.row_groups import Group

START = 1_784_005_200_000_000_000
SECOND = 1_000_000_000
CHEST = Mounting(up="y", front="z")
quick = settings(deadline=None, max_examples=40)


def instants(n: int, rate_hz: float) -> np.ndarray:
    return START + np.rint(np.arange(n) * SECOND / rate_hz).astype(np.int64)


def stream_of(
    layout: Layout,
    vector: np.ndarray,
    lost: np.ndarray | None = None,
    filled: np.ndarray | None = None,
    placement: str = "chest",
    seconds: int = 30,
    utc: np.ndarray | None = None,
) -> SampleSource:
    """An acceleration stream at the layout's 50 Hz from vectors (n, 3) in g; ``filled`` are lost too."""
    n = len(vector)
    lost = np.zeros(n, np.bool_) if lost is None else lost
    filled = np.zeros(n, np.bool_) if filled is None else filled
    utc = instants(n, 50.0) if utc is None else utc
    origin = np.where(filled, INTERPOLATED, np.where(lost, MISSING, MEASURED)).astype(np.int8)
    values = np.where((lost & ~filled)[:, None], np.nan, vector).astype(np.float32)
    samples = Samples(utc, origin, dict(zip("xyz", values.T, strict=True)))
    node = Node(session="*", node="one", address=1, placement=placement)
    windows = windows_over(int(utc.min()), int(utc.max()), seconds)
    group = Group(0, n, int(utc.min()), int(utc.max()))
    return SampleSource(
        node, layout.stream("acc"), [group], lambda: [samples], windows, EpochSettings(seconds=seconds)
    )


def moved(
    stream: SampleSource, mounting: Mounting | None = CHEST, bench: Calibration | None = None
) -> Motion:
    return motion_of(stream, bench, None, mounting)


def value(motion: Motion, name: str) -> np.ndarray:
    return next(one.value for one in motion.features if one.name == name)


def reasons(motion: Motion, name: str) -> list[str | None]:
    found = next(one.reason for one in motion.features if one.name == name)
    return [None if index < 0 else list(codes.NO_VALUE)[index] for index in found]


def walk(seconds: float, spm: float, rate_hz: float = 50.0, limb: bool = False, seed: int = 1) -> np.ndarray:
    """Steps along y: a trunk bobs at each step, one foot harder than the other; a limb moves each stride."""
    at = np.arange(int(seconds * rate_hz)) / rate_hz
    turn = np.pi * at * spm / 60
    bob = (
        0.4 * np.sin(turn) + 0.1 * np.sin(2 * turn) if limb else 0.25 * np.sin(2 * turn) + 0.08 * np.sin(turn)
    )
    out = 0.004 * np.random.default_rng(seed).standard_normal((len(at), 3))
    out[:, 1] += 1 + bob
    return out


def still(seconds: float, up: tuple[float, float, float] = (0, 1, 0), rate_hz: float = 50.0) -> np.ndarray:
    noise = 0.004 * np.random.default_rng(2).standard_normal((int(seconds * rate_hz), 3))
    return noise + np.array(up) / np.linalg.norm(up)


# --- intensity --------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("vector", "mg"),
    [((0, 0, 1), 0.0), ((0, 0, 1.05), 50.0), ((1, 1, 1), 732.05), ((0.6, 0, 0.8), 0.0), ((0, 0, 0.2), 0.0)],
)
def test_enmo_of_known_vectors(vector: tuple[float, float, float], mg: float) -> None:
    """Worked by hand from ENMO = max(|a| - 1 g, 0)."""
    assert above_gravity_mg(magnitude(*np.array([vector], float).T))[0] == pytest.approx(mg, abs=5e-3)


@pytest.mark.parametrize(("offset_g", "enmo"), [(0.0, 95.49), (0.02, 105.8)])
def test_enmo_and_mad_of_a_sine(beltframe: Layout, offset_g: float, enmo: float) -> None:
    """1 g + 0.3 g sine: ENMO 300/pi = 95.5 mg, MAD 600/pi = 191.0; an offset moves ENMO, not MAD."""
    turn = 2 * np.pi * 0.5 * np.arange(3000) / 50
    flat = np.zeros(3000)
    motion = moved(stream_of(beltframe, np.stack([flat, 1 + offset_g + 0.3 * np.sin(turn), flat], axis=1)))
    assert value(motion, "enmo_mg") == pytest.approx(enmo, abs=0.15)
    assert value(motion, "mad_mg") == pytest.approx(600 / np.pi, abs=0.1)
    assert value(motion, "vector_magnitude_mg") == pytest.approx(1000 * (1 + offset_g), abs=0.01)


def test_enmo_and_mad_of_noise(beltframe: Layout) -> None:
    """4 mg on each axis about 1 g: ENMO 4/sqrt(2 pi) = 1.6, MAD 4 sqrt(2/pi) = 3.2 mg."""
    motion = moved(stream_of(beltframe, still(600)))
    assert value(motion, "enmo_mg").mean() == pytest.approx(1.6, abs=0.03)
    assert value(motion, "mad_mg").mean() == pytest.approx(3.2, abs=0.03)


@quick
@given(
    st.lists(st.tuples(st.floats(0.2, 3), st.booleans()), min_size=1, max_size=60),
    st.lists(st.integers(0, 60), max_size=6),
)
def test_sums_and_mad_against_a_naive_reading(rows: list[tuple[float, bool]], cuts: list[int]) -> None:
    norm, got = np.array([row[0] for row in rows]), np.array([row[1] for row in rows], np.bool_)
    edges = np.clip(np.sort(np.array([0, *cuts, len(rows)], np.int64)), 0, len(rows))
    mad, held, sums = mad_mg(norm, got, edges), count(got, edges), total(norm, got, edges)
    low = per_window(np.minimum, norm, edges, np.inf)
    for k, (start, end) in enumerate(itertools.pairwise(edges)):
        own = norm[start:end][got[start:end]]
        assert held[k] == len(own)
        assert sums[k] == pytest.approx(own.sum())
        assert low[k] == min(norm[start:end], default=np.inf)
        expected = 1000 * np.abs(own - own.mean()).mean() if len(own) else np.nan
        assert mad[k] == pytest.approx(expected, abs=1e-6, nan_ok=True)


def test_windows_divide_an_epoch_evenly() -> None:
    for seconds, parts in ((30, 5), (20, 3), (7, 1), (1, 1), (3600, 600)):
        found = sub_windows(Windows(START, seconds, 3), 6.0)
        assert found.parts == parts
        assert found.edges_ns[:: found.parts].tolist() == [START + k * seconds * SECOND for k in range(4)]
        assert np.ptp(np.diff(found.edges_ns)) <= 1


# --- bands ------------------------------------------------------------------------------


def test_cut_points_where_published_and_nowhere_else() -> None:
    """Hip: 91 and 414 mg MAD (abstract of doi 10.1371/journal.pone.0134813). Wrist: the equation
    VO2 = 0.0320 ENMO + 7.28 (Hildebrand et al. 2014) is 3 and 6 times 3.5 ml/kg/min there."""
    hip, wrist = intensity.cut_points_of("hip"), intensity.cut_points_of("left_wrist")
    assert hip is not None
    assert (hip.metric, hip.met3_mg, hip.met6_mg) == ("mad", 91, 414)
    assert wrist is not None
    assert wrist.metric == "enmo"
    for met, mg in ((3, wrist.met3_mg), (6, wrist.met6_mg)):
        assert 0.0320 * mg + 7.28 == pytest.approx(3.5 * met, abs=0.01)
    assert [intensity.cut_points_of(each) for each in ("chest", "ankle", "back", "thigh")] == [None] * 4


@pytest.mark.parametrize(
    ("placement", "amplitude", "share"),
    [
        ("hip", 0.14, (1, 0, 0)),
        ("hip", 0.15, (0, 1, 0)),
        ("hip", 0.66, (0, 0, 1)),
        ("wrist", 0.30, (1, 0, 0)),
        ("wrist", 0.33, (0, 1, 0)),
        ("chest", 0.66, None),
    ],
)
def test_bands_of_a_sine(
    beltframe: Layout, placement: str, amplitude: float, share: tuple[int, int, int] | None
) -> None:
    """MAD of a sine is 2/pi, ENMO 1/pi of its amplitude: 91 mg are 0.143 g, 100.6 mg 0.316 g."""
    turn = 2 * np.pi * 2 * np.arange(3000) / 50
    flat = np.zeros(3000)
    motion = moved(
        stream_of(
            beltframe, np.stack([flat, 1 + amplitude * np.sin(turn), flat], axis=1), placement=placement
        )
    )
    names = ("below_3_met_share", "met_3_to_6_share", "above_6_met_share")
    if share is None:
        assert not set(names) & {one.name for one in motion.features}
    else:
        assert [value(motion, name)[0] for name in names] == list(share)


# --- calibration ------------------------------------------------------------------------

GAIN, OFFSET = np.array([1.03, 0.98, 1.01]), np.array([0.030, -0.020, 0.050])


def sphere(n: int, seed: int = 5) -> np.ndarray:
    out = np.random.default_rng(seed).standard_normal((n, 3))
    return out / np.linalg.norm(out, axis=1, keepdims=True)


def test_autocalibration_round_trip() -> None:
    """Gains 1.03, 0.98, 1.01, offsets 30, -20, 50 mg, 2 mg of noise, 300 points: about 30 mg before,
    at most 1.5 mg after; and the truth is found, not only a small residual."""
    noise = 0.002 * np.random.default_rng(6).standard_normal((300, 3))
    raw = sphere(300) * GAIN + OFFSET + noise
    found = auto.autocalibrated(raw)
    assert isinstance(found, auto.Coefficients)
    assert auto.residual_mg(raw) == pytest.approx(29.9, abs=3)
    assert auto.residual_mg(found.corrected(raw)) < 1.7
    fresh = sphere(300, 7)
    assert auto.residual_mg(found.corrected(fresh * GAIN + OFFSET)) < 1.5
    assert found.offset_g == pytest.approx(OFFSET, abs=0.001)
    assert found.gain == pytest.approx(GAIN, abs=0.002)


def test_autocalibration_follows_temperature() -> None:
    """19.6 mg in 5 degC on z, as van Hees et al. 2014 report it."""
    warm = np.random.default_rng(8).uniform(20, 35, 400)
    slope = np.array([0.0, 0.001, 0.0196 / 5])
    raw = sphere(400) * GAIN + OFFSET + np.outer(warm - 27, slope)
    found = auto.autocalibrated(raw, warm)
    assert isinstance(found, auto.Coefficients)
    assert found.slope_g_per_c is not None
    assert found.slope_g_per_c == pytest.approx(slope, abs=1e-4)
    assert auto.residual_mg(found.corrected(raw, warm)) < 0.1
    without = auto.autocalibrated(raw)
    assert isinstance(without, auto.Coefficients)
    assert auto.residual_mg(without.corrected(raw)) > 5
    steady = auto.autocalibrated(sphere(400) * GAIN + OFFSET, np.full(400, 27.0))
    assert isinstance(steady, auto.Coefficients)
    assert steady.slope_g_per_c is None


@pytest.mark.parametrize(
    ("raw", "why"),
    [
        (sphere(20), "few_still"),
        (np.abs(sphere(300)), "sphere_not_covered"),
        (sphere(300) * np.random.default_rng(9).uniform(0.9, 1.1, (300, 1)), "residual_too_large"),
    ],
)
def test_what_cannot_be_calibrated_says_why(raw: np.ndarray, why: str) -> None:
    assert auto.autocalibrated(raw) == why


def turned(seconds_each: float, count_: int) -> np.ndarray:
    """A node that is laid down in ``count_`` directions, as its flawed sensor sees it."""
    return np.concatenate([still(seconds_each, tuple(way)) for way in sphere(count_)]) * GAIN + OFFSET


def test_bench_first_then_its_own_record_then_none(beltframe: Layout) -> None:
    raw = turned(30, 40)
    bench = Calibration(tuple(OFFSET), tuple(GAIN), date(2026, 7, 1), "config/devices/one-2026-07-01.yaml")
    own, by_bench = (
        moved(stream_of(beltframe, raw)).calibration,
        moved(stream_of(beltframe, raw), bench=bench).calibration,
    )
    assert (own.method, own.note, own.sides) == ("autocalibration", None, 6)
    assert (by_bench.method, by_bench.source) == ("six_position", bench.source)
    for each in (own, by_bench):
        assert each.before_mg > 20
        assert each.after_mg < 1.5
        assert each.coefficients.offset_g == pytest.approx(OFFSET, abs=0.002)
    none = moved(stream_of(beltframe, still(600)))
    assert (none.calibration.method, none.calibration.note) == ("none", "sphere_not_covered")
    other = Calibration((0.1, 0.1, 0.1), (1, 1, 1), date(2026, 7, 1), "another device's")
    assert moved(stream_of(beltframe, still(600)), bench=other).calibration.note == "worse_than_raw"


def test_features_rest_on_calibrated_values(beltframe: Layout) -> None:
    motion = moved(stream_of(beltframe, turned(30, 40)))
    assert value(motion, "vector_magnitude_mg") == pytest.approx(1000, abs=3)
    assert np.abs(
        value(moved(stream_of(beltframe, still(60, (0, 0, 1)) * 1.05)), "vector_magnitude_mg")
    ) == pytest.approx(1050, abs=1)


# --- orientation ------------------------------------------------------------------------


def test_angles_of_known_vectors() -> None:
    """(0.6, 0, 0.8): z stands 53.13 degrees over the horizontal and 36.87 off the vertical."""
    one = np.array([[0.6, 0.0, 0.8]])
    assert posture.elevations_deg(one)[0] == pytest.approx([36.87, 0, 53.13], abs=0.01)
    assert posture.inclination_deg(one, "z")[0] == pytest.approx(36.87, abs=0.01)
    assert posture.inclination_deg(one, "-z")[0] == pytest.approx(143.13, abs=0.01)
    assert (posture.left_axis("z", "x"), posture.left_axis("y", "z"), posture.left_axis("-z", "x")) == (
        "y",
        "x",
        "-y",
    )


@pytest.mark.parametrize(
    ("up", "share"),
    [
        ((0, 1, 0), "upright_share"),
        ((0, 1, -1), "leaning_share"),
        ((0, 0, 1), "face_up_share"),
        ((0, 0, -1), "face_down_share"),
        ((1, 0, 0), "right_side_share"),
        ((-1, 0, 0), "left_side_share"),
    ],
)
def test_postures_of_a_trunk(beltframe: Layout, up: tuple[float, float, float], share: str) -> None:
    """``up`` is which way is up for a node with y to the head and z to the front, so x to the left: with x
    up the wearer lies on the right side."""
    motion = moved(stream_of(beltframe, still(60, up)))
    names = [one.name for one in motion.features if one.name.endswith("_share")]
    assert value(motion, share) == pytest.approx(1.0)
    level = share not in ("upright_share", "leaning_share")
    assert value(motion, "level_share") == pytest.approx(float(level))
    for name in set(names) - {share, "level_share", "walking_share"}:
        assert value(motion, name) == pytest.approx(0.0), name


def test_posture_only_where_it_means_something(beltframe: Layout) -> None:
    def named(placement: str, mounting: Mounting | None) -> set[str]:
        motion = moved(stream_of(beltframe, still(60), placement=placement), mounting)
        return {one.name for one in motion.features}

    assert "level_share" in named("thigh", CHEST)
    assert "face_up_share" not in named("thigh", CHEST)
    assert "level_share" not in named("wrist", CHEST)
    assert "inclination_deg" in named("wrist", CHEST)
    without = moved(stream_of(beltframe, still(60)), None)
    assert reasons(without, "inclination_deg") == ["no_mounting"] * 2
    assert "level_share" not in {one.name for one in without.features}


@pytest.mark.parametrize(("length", "kept"), [(5, True), (6, False)])
def test_fills_of_up_to_100_ms_may_serve_orientation(length: int, kept: bool) -> None:
    """At 50 Hz a fill of five samples is 100 ms."""
    filled = np.zeros(50, np.bool_)
    filled[10 : 10 + length] = True
    assert posture.usable(~filled, filled, 50.0).all() == kept


# --- walking ----------------------------------------------------------------------------


@pytest.mark.parametrize("spm", [80.0, 96.0, 111.0, 128.0, 160.0])
@pytest.mark.parametrize("placement", ["chest", "ankle"])
def test_cadence_is_of_steps_not_strides(beltframe: Layout, placement: str, spm: float) -> None:
    motion = moved(stream_of(beltframe, walk(120, spm, limb=placement == "ankle"), placement=placement))
    assert value(motion, "walking_share") == pytest.approx(1.0)
    assert value(motion, "cadence_step_min") == pytest.approx(spm, rel=0.01)


def test_a_trunk_that_leans_to_one_foot_keeps_its_steps(beltframe: Layout) -> None:
    """The stride is the highest peak here: 111 steps/min would pass for 55.5."""
    at = np.pi * np.arange(6000) / 50 * 111 / 60
    vector = still(120)
    vector[:, 1] += 0.2 * np.sin(2 * at) + 0.15 * np.sin(at)
    assert value(moved(stream_of(beltframe, vector)), "cadence_step_min") == pytest.approx(111, rel=0.01)


@quick
@given(st.floats(75, 170), st.integers(0, 99), st.floats(0, 0.2))
def test_cadence_through_lost_frames(beltframe: Layout, spm: float, seed: int, loss: float) -> None:
    """Frames of ten samples are lost here and there; what is left gives the same cadence, a window of 6 s
    to 8 %, a minute to 2 %."""
    gone = np.repeat(np.random.default_rng(seed).random(300) < loss, 10)
    stream, utc = stream_of(beltframe, walk(60, spm, seed=seed), gone), instants(3000, 50.0)
    rows = sub_windows(stream.windows, 6.0)
    found = cadence.steps_per_minute(
        np.nan_to_num(magnitude(*walk(60, spm, seed=seed).T)), ~gone, utc, rows.edges_among(utc), 50.0, False
    )
    assert found[found > 0] == pytest.approx(spm, rel=0.08)
    assert np.median(found[found > 0]) == pytest.approx(spm, rel=0.02)
    assert (found > 0).mean() >= 0.8


@quick
@given(st.integers(0, 999), st.integers(20, 60), st.floats(0, 0.5))
def test_autocorrelation_against_a_naive_reading(seed: int, n: int, lost: float) -> None:
    rng = np.random.default_rng(seed)
    mask = rng.random((3, n)) >= lost
    signal = np.where(mask, rng.standard_normal((3, n)), 0.0)
    found, variance = cadence.autocorrelation(signal, mask, 8)
    for row in range(3):
        own = signal[row][mask[row]]
        if len(own) < 2:
            continue
        centred = np.where(mask[row], signal[row] - own.mean(), 0)
        assert variance[row] == pytest.approx(own.var(), rel=1e-4, abs=1e-6)
        for lag in range(9):
            both = mask[row][: n - lag] & mask[row][lag:]
            if not both.any():
                assert np.isnan(found[row, lag])
                continue
            pairs = (centred[: n - lag] * centred[lag:])[both]
            assert found[row, lag] * variance[row] == pytest.approx(pairs.mean(), abs=1e-5)


@pytest.mark.parametrize("signal", ["still", "noise", "nothing", "one knock"])
def test_what_does_not_walk(beltframe: Layout, signal: str) -> None:
    vector = still(60)
    if signal == "noise":
        vector += 0.2 * np.random.default_rng(3).standard_normal(vector.shape)
    if signal == "nothing":
        vector[:] = 0.0
    if signal == "one knock":
        vector[1000, 1] += 5
    motion = moved(stream_of(beltframe, vector))
    assert value(motion, "walking_share").tolist() == [0.0, 0.0]
    assert reasons(motion, "cadence_step_min") == ["no_walking"] * 2
    assert len(motion.bouts.start_ns) == 0


def test_epochs_too_short_to_walk_in_say_so(beltframe: Layout) -> None:
    motion = moved(stream_of(beltframe, walk(12, 100), seconds=3))
    assert set(reasons(motion, "walking_share")) == {"too_few_samples"}


def test_bouts_and_how_they_end() -> None:
    """windows   . W W W . ? ? W W |      . still, W walking, ? lost, | end of the session
    bouts       [seen,seen)  [gap,session_edge)"""
    known = np.array([1, 1, 1, 1, 1, 0, 0, 1, 1], np.bool_)
    steps = np.array([0, 100, 110, 120, 0, 90, 0, 60, 60], float)
    found = bouts.bouts_of(START + 6 * SECOND * np.arange(10), known, steps, np.full(9, 50.0))
    assert ((found.start_ns - START) // SECOND).tolist() == [6, 42]
    assert ((found.end_ns - START) // SECOND).tolist() == [24, 54]
    assert found.cadence == pytest.approx([110, 60])
    assert found.steps == pytest.approx([33, 12])
    names = list(codes.BOUT_EDGE)
    assert [names[k] for k in found.before] == ["seen", "gap"]
    assert [names[k] for k in found.after] == ["seen", "session_edge"]


def test_a_bout_is_found_where_it_was(beltframe: Layout) -> None:
    vector = np.concatenate([still(60), walk(90, 105), still(60)])
    found = moved(stream_of(beltframe, vector)).bouts
    assert len(found.start_ns) == 1
    assert abs(found.start_ns[0] - START - 60 * SECOND) <= 6 * SECOND
    assert abs(found.end_ns[0] - START - 150 * SECOND) <= 6 * SECOND
    assert found.steps[0] == pytest.approx(90 * 105 / 60, rel=0.08)


# --- wear -------------------------------------------------------------------------------


def day(*parts: tuple[str, float]) -> tuple[np.ndarray, np.ndarray]:
    """Vectors and what was lost, of parts (what, minutes): worn, off or lost. At 2 Hz, to be quick."""
    rng, vectors, lost = np.random.default_rng(4), [], []
    for what, minutes in parts:
        n = int(minutes * 120)
        vectors.append(np.array([0, 0, 1]) + (0.1 if what == "worn" else 0.003) * rng.standard_normal((n, 3)))
        lost.append(np.full(n, what == "lost"))
    return np.concatenate(vectors), np.concatenate(lost)


def wear_of(*parts: tuple[str, float], share: float = 0.8) -> list[int]:
    """State of each quarter of an hour, from epochs of 30 s."""
    vector, lost = day(*parts)
    utc = instants(len(vector), 2.0)
    windows = windows_over(int(utc[0]), int(utc[-1]), 30)
    edges = sub_windows(windows, 30).edges_among(utc)
    vector[lost] = np.nan
    blocks = edges[:: nonwear.epochs_of(30)]
    sums = nonwear.AxisSums.of(list(vector.T), ~lost, blocks)
    return nonwear.wear(sums, np.diff(edges), 30, 2.0, share)[::30].tolist()


def test_a_node_that_was_taken_off() -> None:
    assert wear_of(("worn", 60), ("off", 90), ("worn", 60)) == [0] * 4 + [1] * 6 + [0] * 4


def test_lost_is_never_not_worn() -> None:
    """Two hours of loss between worn hours are unknown; so is stillness that loss leaves too short."""
    assert wear_of(("worn", 60), ("lost", 120), ("worn", 60)) == [0] * 4 + [-1] * 8 + [0] * 4
    assert wear_of(("worn", 60), ("off", 30), ("lost", 60), ("worn", 60))[4:6] == [-1, -1]


def test_stillness_shorter_than_an_hour_is_worn_where_all_is_known() -> None:
    assert wear_of(("worn", 60), ("off", 30), ("worn", 90)) == [0] * 12
    assert wear_of(("off", 30)) == [-1, -1]
    assert wear_of(("worn", 30)) == [0, 0]


@quick
@given(
    st.lists(
        st.tuples(st.sampled_from(["worn", "lost"]), st.sampled_from([15.0, 45.0, 90.0])),
        min_size=1,
        max_size=5,
    )
)
def test_whatever_is_lost_of_a_worn_day_is_never_non_wear(parts: list[tuple[str, float]]) -> None:
    assert 1 not in wear_of(*parts)


def test_features_of_the_wearer_are_null_while_nobody_wears_it(beltframe: Layout) -> None:
    motion = moved(stream_of(beltframe, still(3600)))
    assert value(motion, "nonwear").tolist() == [1.0] * 120
    assert set(reasons(motion, "upright_share")) == {"not_worn"}
    assert np.isfinite(value(motion, "enmo_mg")).all()


# --- coverage ---------------------------------------------------------------------------


def test_too_little_received_gives_a_reason_and_fills_are_no_samples(beltframe: Layout) -> None:
    """Epochs of 30 s: whole, 27 % lost, lost, 27 % lost but filled in runs of 100 ms."""
    vector, lost = walk(120, 100), np.zeros(6000, np.bool_)
    lost[1500:1900] = True
    lost[3000:4500] = True
    filled = np.zeros(6000, np.bool_)
    filled[4500:6000] = np.arange(1500) % 18 < 5
    stream = stream_of(beltframe, vector, lost, filled)
    motion = moved(stream)
    for one in motion.features:
        expected = 1.0, 1100 / 1500, 0.0, 1 - 420 / 1500
        assert one.coverage == pytest.approx(expected, abs=0.002), one.name
        assert np.isnan(one.value[1:]).all(), one.name
    assert reasons(motion, "mad_mg") == [None, "low_coverage", "no_data", "low_coverage"]


@quick
@given(st.integers(0, 999), st.floats(0.02, 0.19))
def test_intensity_knows_nothing_of_fills(beltframe: Layout, seed: int, loss: float) -> None:
    """Whatever stands in filled places, intensities stay as they are without it."""
    gone = np.repeat(np.random.default_rng(seed).random(300) < loss, 5)  # 100 ms each
    wild = np.where(gone[:, None], 9.0, walk(30, 100))
    kept, filled = (moved(stream_of(beltframe, wild, gone, each, "hip")) for each in (None, gone))
    for name in ("enmo_mg", "mad_mg", "vector_magnitude_mg", "met_3_to_6_share"):
        assert value(filled, name) == pytest.approx(value(kept, name), nan_ok=True)


def test_overlapping_boots_are_put_in_order(beltframe: Layout) -> None:
    vector, utc = walk(60, 100), instants(3000, 50.0)
    swapped = np.r_[1500:3000, 0:1500]
    plain = moved(stream_of(beltframe, vector))
    boots = stream_of(beltframe, vector[swapped], utc=utc[swapped])
    for one, other in zip(plain.features, moved(boots).features, strict=True):
        assert other.value == pytest.approx(one.value, nan_ok=True), one.name


@quick
@given(st.lists(st.integers(1, 700), min_size=1, max_size=9), st.integers(0, 40), st.integers(0, 999))
def test_motion_is_the_same_however_rows_are_stored_and_read(
    beltframe: Layout, lengths: list[int], overlap: int, seed: int
) -> None:
    """In stretches of any length, in groups of some of them, with fills across borders and a second boot that
    begins before the first one ends; compared with all rows in one stretch."""
    n, rng = sum(lengths), np.random.default_rng(seed)
    gone = np.repeat(rng.random(n) < 0.1, rng.integers(1, 9, n))[:n]
    utc = instants(n, 50.0)
    utc[n // 2 :] -= min(overlap, n // 2) * 20_000_000 + 7
    full = stream_of(
        beltframe, walk(n / 50 + 1, 100)[:n], gone, gone & (rng.random(n) < 0.9), utc=utc, seconds=4
    )
    (rows,) = full.read()
    edges = np.cumsum([0, *lengths]).tolist()
    stretches = [
        Samples(utc[low:high], rows.origin[low:high], {k: v[low:high] for k, v in rows.values.items()})
        for low, high in itertools.pairwise(edges)
    ]
    borders = sorted({*edges[:: int(rng.integers(1, 4))], n})
    groups = [
        Group(low, high, int(utc[low:high].min()), int(utc[low:high].max()))
        for low, high in itertools.pairwise(borders)
    ]
    parts = replace(full, groups=groups, read=lambda: iter(stretches))
    for epochs in (1, 3, 1000):
        for one, other in zip(blocks(full, epochs), blocks(parts, epochs), strict=True):
            assert one.windows == other.windows
            assert one.utc_ns.tolist() == other.utc_ns.tolist()
            assert (one.received == other.received).all()
            assert (one.usable == other.usable).all()
            np.testing.assert_array_equal(np.stack(one.axes), np.stack(other.axes))
    assert sum(len(block.utc_ns) for block in blocks(parts, 2)) == n


# --- joint, others, settings ------------------------------------------------------------


def test_joint_features_need_both() -> None:
    trunk = Node(session="*", node="trunk", address=1, placement="chest")
    heart = Node(session="*", node="heart", address=2, placement="chest")

    def one(node: Node, name: str, values: list[float], reason: list[int]) -> FeatureValues:
        channel = "ecg" if node is heart else "acc"
        return FeatureValues(
            node, channel, name, np.array(values), np.array([1, 1, 0.9, 1.0]), np.array(reason)
        )

    nan = np.nan
    found = joint.features_of(
        [
            one(heart, "heart_rate_bpm", [110, 70, nan, 90], [-1, -1, 1, -1]),
            one(trunk, "walking_share", [1.0, 0.0, 1.0, 0.4], [-1] * 4),
            one(trunk, "mad_mg", [100, 4, 100, 60], [-1] * 4),
            one(trunk, "cadence_step_min", [100, nan, 100, 100], [-1, 6, -1, -1]),
        ]
    )
    by_name = {each.name: each for each in found}
    assert by_name["walking_heart_rate_bpm"].value == pytest.approx([110, nan, nan, nan], nan_ok=True)
    assert by_name["still_heart_rate_bpm"].value == pytest.approx([nan, 70, nan, nan], nan_ok=True)
    assert by_name["beats_per_step"].value == pytest.approx([1.1, nan, nan, nan], nan_ok=True)
    names = list(codes.NO_VALUE)
    why = [names[k] if k >= 0 else None for k in by_name["walking_heart_rate_bpm"].reason]
    assert why == [None, "not_this_movement", names[1], "not_this_movement"]
    assert {each.channel for each in found} == {"heart"}


@quick
@given(st.lists(st.tuples(st.floats(0, 89.9), st.floats(20, 40)), max_size=40))
def test_slope_against_numpy(rows: list[tuple[float, float]]) -> None:
    at, level = np.array([row[0] for row in rows]), np.array([row[1] for row in rows])
    found = others.slope(Windows(START, 30, 3), START + (at * SECOND).astype(np.int64), level)
    for k in range(3):
        own = (at >= 30 * k) & (at < 30 * (k + 1))
        if own.sum() > 2 and np.ptp(at[own]) > 1:
            assert found[k] == pytest.approx(np.polyfit(at[own] / 60, level[own], 1)[0], abs=1e-3, rel=1e-4)


def test_rate_of_change_needs_the_epoch_before() -> None:
    found = others.rate_of_change(np.array([30.0, 31.0, np.nan, 33.0, 32.0]), 30)
    assert found == pytest.approx([np.nan, 2.0, np.nan, np.nan, -2.0], nan_ok=True)


@pytest.mark.parametrize(
    ("mounting", "found"),
    [
        ("chest: {up: y, front: -y}", "which is one axis twice"),
        ("chets: {up: y}", "motion.mounting names chets, a placement of no node (did you mean chest?)"),
    ],
)
def test_a_mounting_must_make_sense(study_folder: Callable[..., Path], mounting: str, found: str) -> None:
    text = f"study: trial\nzone: Europe/Madrid\nmotion:\n  mounting:\n    {mounting}\n"
    root = study_folder(**{"study.yaml": text})
    with pytest.raises(SettingsError, match=re.escape(found)):  # noqa: PT012
        for problem in checks.problems(Study(root), "S1"):
            raise problem


# --- real recordings --------------------------------------------------------------------


def shipped(package: str, path: str) -> Path:
    found = importlib.util.find_spec(package)
    folders = found.submodule_search_locations if found else None
    if not folders or not (Path(folders[0]) / path).is_file():
        pytest.skip(f"the package {package} with {path} is not installed")
    return Path(folders[0]) / path


def test_three_nodes_on_one_walker() -> None:
    """Two minutes of the Daphnet recording as shipped with aeon 1.6.0: ankle, leg and trunk of one person.
    Still stretches near 1 g; the cadence plausible, and the same at all three."""
    frame = pd.read_csv(shipped("aeon", "datasets/data/Daphnet_S06R02E0/S06R02E0.csv"))
    utc = instants(len(frame), 64.0)
    windows = windows_over(int(utc[0]), int(utc[-1]), 30)
    edges, every = sub_windows(windows, 6.0).edges_among(utc), np.ones(len(frame), np.bool_)
    cadences, gravity = {}, {}
    for node in ("ankle", "leg", "trunk"):
        axes = list(frame[[name for name in frame if name.startswith(node)]].to_numpy(float).T / 1000)
        norm = magnitude(*axes)
        steps = cadence.steps_per_minute(norm, every, utc, edges, 64.0, cadence.on_limb(node))
        cadences[node] = np.median(steps[steps > 0])
        gravity[node] = total(norm, every, edges)[:3] / count(every, edges)[:3]
    assert all(100 < each < 130 for each in cadences.values()), cadences
    assert np.ptp(list(cadences.values())) < 2.0, cadences
    for node, g in gravity.items():
        assert g == pytest.approx(1.0, abs=0.06), node


def test_a_wrist_that_does_exercises() -> None:
    """Seven labelled shoulder exercises of ten people, 50 Hz, as shipped with seglearn 1.2.5. No arm is held
    truly still; half seconds in which no axis spreads by 50 mg are near 1 g. Nobody walks, but a pendulum of
    the arm (label 0) keeps a steady beat and so passes for walking: a known limit of a wrist, stated in the
    catalogue."""
    data = np.load(shipped("seglearn", "data/watch_dataset.npy"), allow_pickle=True).item()
    calm, swings = [], []
    for series, label in zip(data["X"], data["y"], strict=True):
        vector = np.asarray(series)[:, :3]
        utc, every = instants(len(vector), 50.0), np.ones(len(vector), np.bool_)
        norm = magnitude(*vector.T)
        halves = vector[: len(vector) // 25 * 25].reshape(-1, 25, 3)
        calm += list(np.linalg.norm(halves.mean(axis=1), axis=1)[halves.std(axis=1).max(axis=1) < 0.05])
        windows = windows_over(int(utc[0]), int(utc[-1]), 6)
        steps = cadence.steps_per_minute(
            norm, every, utc, sub_windows(windows, 6.0).edges_among(utc), 50.0, True
        )
        swings.append((steps > 0).mean() if label == 0 else np.nan)
    assert np.median(calm) == pytest.approx(1.0, abs=0.05)
    assert np.nanmean(swings) > 0.9
    assert "steady beat" in FEATURE["walking_share"].needs
