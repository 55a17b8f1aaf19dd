"""Stage `devices`: the bench against known devices, the budget against frames worked by hand."""

from __future__ import annotations

import shutil
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from nodeday.cli.commands.bench import bench_study
from nodeday.cli.main import main
from nodeday.config.bench_plan import UPS, BenchPlan, load_bench
from nodeday.config.checks import problems
from nodeday.config.device_records import Check, Record, calibrated, calibration_of, write
from nodeday.config.study import Study
from nodeday.core import errors, yaml_io
from nodeday.core.arrays import Floats
from nodeday.core.errors import SettingsError
from nodeday.core.paths import DEMO_CONFIG
from nodeday.engine import snakemake_run
from nodeday.layouts import Layout
from nodeday.stages.clock.stage import run as clock_stage
from nodeday.stages.devices import checks
from nodeday.stages.devices.electrode import ElectrodeSignal, blocks, noise_and_mains, quiet_windows, rate_bpm
from nodeday.stages.devices.page import lines, render
from nodeday.stages.devices.positions import from_1_g_mg, rest_of, six_positions
from nodeday.stages.devices.stage import run as devices_stage
from nodeday.stages.features.stage import run as features_stage
from nodeday.stages.frames.stage import run as frames_stage
from nodeday.stages.loss.stage import run as loss_stage
from nodeday.stages.repair.stage import run as repair_stage
from nodeday.stages.simulate.bench import Device, simulate_bench
from nodeday.stages.simulate.scenario import RadioChannel, Sensor

RATE_HZ = 250.0
OFFSET_G, GAIN = np.array([0.030, -0.020, 0.050]), np.array([1.03, 0.98, 1.01])

PLAN = """
bench: trial
start: 2026-07-01T09:00:00+02:00
captures: trial.bin
layout: beltframe
nodes:
  heart:
    address: 16
    steps:
{steps}
  wrist:
    address: 18
    positions:
{positions}
  ankle:
    address: 19
    positions: [{{at_s: 10, seconds: 40, up: +x}}, {{at_s: 60, seconds: 40, up: +y}},
      {{at_s: 110, seconds: 40, up: +z}}, {{at_s: 160, seconds: 40, up: -x}},
      {{at_s: 210, seconds: 40, up: -y}}, {{at_s: 260, seconds: 40, up: -z}}]
  spare: {{address: 21}}
limits: {{min_delivery: 0.98}}
"""
RATES = (80, 100, 120, 140, 160, 180)
STEPS = "\n".join(
    f"      - {{at_s: {10 + 45 * n}, seconds: 40, {'bpm: ' + str(bpm) if bpm else 'flat: true'}}}"
    for n, bpm in enumerate((0, *RATES))
)
POSITIONS = "\n".join(
    f"      - {{at_s: {10 + 40 * n}, seconds: 35{', up: ' + up if up else ''}}}"
    for n, up in enumerate((*UPS, "", ""))
)
DEVICES = {
    "heart": Device(ppm=21, noise_uv=6, mains_uv=25),
    "wrist": Device(ppm=-40, sensor=Sensor(offset_mg=(30, -20, 50), gain=(1.03, 0.98, 1.01))),
    "ankle": Device(ppm=8, noise_mg=20),
}


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, BenchPlan, dict[str, Record]]:
    """A study whose bench was simulated, sent through the chain and checked; ``spare`` never sends."""
    root = tmp_path_factory.mktemp("bench")
    shutil.copytree(DEMO_CONFIG, root / "config", ignore=shutil.ignore_patterns("scenario.yaml"))
    path = root / "bench.yaml"
    path.write_text(PLAN.format(steps=STEPS, positions=POSITIONS))
    plan = load_bench(path)
    study = Study(root)
    layout = study.layout_of("S01-clean")
    sending = plan.model_copy(update={"nodes": {k: v for k, v in plan.nodes.items() if k != "spare"}})
    data, _ = simulate_bench(
        sending, layout, DEVICES, ZoneInfo("UTC"), RadioChannel(loss=0.005, burst=2), seed=3
    )
    (root / "trial.bin").write_bytes(data)
    own = bench_study(study, plan, path)
    assert not problems(own, "trial")
    for stage in (frames_stage, clock_stage, loss_stage, repair_stage, features_stage):
        stage(own, "trial")
    return root, plan, {record.node: record for record in devices_stage(own, plan)}


def found(record: Record, check: str, of: str | None = None) -> Check:
    (one,) = [each for each in record.checks if each.check == check and of in (None, each.of)]
    return one


def value(record: Record, check: str, of: str | None = None) -> float:
    one = found(record, check, of).value
    assert one is not None
    return one


def test_every_step_of_the_patient_simulator_is_read(
    bench: tuple[Path, BenchPlan, dict[str, Record]],
) -> None:
    heart = bench[2]["heart"]
    errors_bpm = [value(heart, "rate_error", f"{bpm} bpm") for bpm in RATES]
    assert max(map(abs, errors_bpm)) < 0.05


def test_noise_and_mains_are_what_was_put_in(bench: tuple[Path, BenchPlan, dict[str, Record]]) -> None:
    heart = bench[2]["heart"]
    # The converter's step of 2 uV adds 2 / sqrt(12) uV.
    assert value(heart, "noise") == pytest.approx(np.hypot(6, 2 / np.sqrt(12)), rel=0.05)
    assert value(heart, "mains") == pytest.approx(25, rel=0.05)
    assert (found(heart, "mains").outcome, heart.verdict) == ("fail", "fail")
    assert value(heart, "clipped") == 0


def test_six_positions_find_the_coefficients(bench: tuple[Path, BenchPlan, dict[str, Record]]) -> None:
    wrist = bench[2]["wrist"]
    assert wrist.acceleration is not None
    assert wrist.acceleration.offset_g == pytest.approx(tuple(OFFSET_G), abs=0.0005)
    assert wrist.acceleration.gain == pytest.approx(tuple(GAIN), abs=0.0005)
    # The two further directions gave no coefficient: they show what was won.
    assert value(wrist, "rest") > 20
    assert abs(value(wrist, "rest_calibrated")) < 1.5
    assert wrist.verdict == "pass"


def test_skew_is_found_within_its_band(bench: tuple[Path, BenchPlan, dict[str, Record]]) -> None:
    for node in ("heart", "wrist", "ankle"):
        one = found(bench[2][node], "skew")
        assert one.uncertainty is not None
        assert one.uncertainty < 15
        assert one.value == pytest.approx(DEVICES[node].ppm, abs=one.uncertainty)


def test_a_node_that_shakes_gets_no_coefficients(bench: tuple[Path, BenchPlan, dict[str, Record]]) -> None:
    ankle = bench[2]["ankle"]
    assert ankle.acceleration is None
    assert ankle.verdict == "incomplete"
    assert "the node moved in position +x at 10 s" in found(ankle, "offset").note


def test_a_node_without_frames_fails(bench: tuple[Path, BenchPlan, dict[str, Record]]) -> None:
    spare = bench[2]["spare"]
    assert spare.verdict == "fail"
    assert (value(spare, "delivery"), found(spare, "delivery").note) == (0.0, "no frame arrived")


def test_records_reach_a_session_and_the_page(bench: tuple[Path, BenchPlan, dict[str, Record]]) -> None:
    root, plan, records = bench
    for record in records.values():
        write(root, record)
    study = Study(root)
    sheet = root / "config" / "sessions.tsv"
    sheet.write_text(sheet.read_text().replace("Madrid\t\t\n", "Madrid\t2026-07-14T07:00\t\n", 1))
    coefficients = calibration_of(Study(root), "S01-clean", "wrist")
    assert coefficients is not None
    true = np.array([[0.6, 0.0, 0.8], [-1.0, 0.0, 0.0]])
    assert np.allclose(coefficients.apply(true * GAIN + OFFSET_G), true, atol=0.001)
    page = render(plan, list(records.values()), study.file.title)
    for words in (
        "Not passed:</b> heart, spare break limits; ankle",
        "not measured: the node moved",
        "Never charge a node",
        "battery-powered",
        "address 18",
    ):
        assert words in page
    assert "http" not in page.replace("http://www.w3.org", "")


# --- figures, from signals with known answers --------------------------------------------


def sampled(value_mv: Floats, lost: Floats | None = None) -> ElectrodeSignal:
    utc = 1_783_000_000_000_000_000 + np.arange(len(value_mv), dtype=np.int64) * round(1e9 / RATE_HZ)
    measured = np.ones(len(value_mv), bool)
    if lost is not None:
        measured[lost.astype(int)] = False
    return ElectrodeSignal(utc, value_mv, measured, RATE_HZ)


def test_rate_is_of_complete_intervals_and_a_missed_beat_shows() -> None:
    signal = sampled(np.zeros(5000), lost=np.arange(1900, 1910))
    beats = signal.utc_ns[np.arange(50, 4900, 125)]
    assert rate_bpm(beats, signal) == (pytest.approx(120), len(beats) - 2)
    missed = np.delete(beats, 5)
    rate, intervals = rate_bpm(missed, signal)
    assert rate == pytest.approx(120 * intervals / (intervals + 1))
    assert np.isnan(rate_bpm(beats[:1], signal)[0])


@pytest.mark.parametrize(("mains_hz", "off_hz"), [(50.0, 0.0), (60.0, 0.0), (50.0, 0.5), (60.0, -0.5)])
def test_noise_and_mains_of_a_flat_line(mains_hz: float, off_hz: float) -> None:
    rng = np.random.default_rng(5)
    at = np.arange(10_000) / RATE_HZ
    drift = 0.3 * np.sin(2 * np.pi * 0.2 * at)
    wave = np.sqrt(2) * 0.020 * np.sin(2 * np.pi * (mains_hz + off_hz) * at + 1)
    noise, mains = noise_and_mains(
        blocks(sampled(drift + wave + 0.005 * rng.standard_normal(10_000))), RATE_HZ, mains_hz
    )
    assert mains == pytest.approx(0.020, rel=0.03)
    assert noise == pytest.approx(0.005, rel=0.1 if off_hz == 0 else 0.6)
    alone, none = noise_and_mains(blocks(sampled(0.005 * rng.standard_normal(10_000))), RATE_HZ, mains_hz)
    assert alone == pytest.approx(0.005, rel=0.05)
    assert none < 0.001


def test_what_cannot_be_measured_is_no_number() -> None:
    few = noise_and_mains(np.zeros((3, 50)), RATE_HZ, 50)
    assert np.isnan(few).all()
    _, slow = noise_and_mains(np.random.default_rng(0).standard_normal((40, 20)), 100.0, 50)
    assert np.isnan(slow)
    holed = sampled(np.zeros(500), lost=np.arange(0, 500, 25))
    assert not len(blocks(holed))
    assert not len(quiet_windows(holed, np.empty(0, np.int64)))


def test_without_a_flat_step_noise_is_found_between_the_waves(beltframe: Layout) -> None:
    from nodeday.stages.simulate import ecg

    n = int(40 * ecg.FINE_HZ)
    rng = np.random.default_rng(2)
    heart = ecg.synthesise(np.full(n, 80.0), np.zeros(n), 0.0, rng)
    at = np.arange(1, 39, 1 / RATE_HZ)
    wave = np.sqrt(2) * 0.008 * np.sin(2 * np.pi * 50 * at)
    signal = sampled(heart.at(at) + wave + 0.010 * rng.standard_normal(len(at)))
    inside = heart.r_s[(heart.r_s > 1.1) & (heart.r_s < 38.9)]
    beats = signal.utc_ns[0] + np.rint((inside - 1) * 1e9).astype(np.int64)
    noise, mains = noise_and_mains(quiet_windows(signal, beats), RATE_HZ, 50)
    assert noise == pytest.approx(0.010, rel=0.08)
    assert mains == pytest.approx(0.008, rel=0.08)


def test_one_axis_worked_by_hand() -> None:
    # ALGORITHMS: 0.97 and -1.03 give an offset of -0.03 and a gain of 1.00.
    plus, minus = np.diag([0.97, 1.0, 1.0]), np.diag([-1.03, -1.0, -1.0])
    own = six_positions(plus, minus)
    assert own.offset_g == pytest.approx([-0.03, 0, 0])
    assert own.gain == pytest.approx([1.0, 1.0, 1.0])
    assert own.cross_axis == pytest.approx(np.zeros((3, 3)))


@given(
    offset=st.lists(st.floats(-0.2, 0.2), min_size=3, max_size=3),
    gain=st.lists(st.floats(0.8, 1.2), min_size=3, max_size=3),
    cross=st.floats(-0.05, 0.05),
)
def test_six_positions_are_the_inverse_of_the_device(
    offset: list[float], gain: list[float], cross: float
) -> None:
    response = np.diag(gain) + cross * (1 - np.eye(3))
    own = six_positions(np.eye(3) @ response.T + offset, -np.eye(3) @ response.T + offset)
    assert np.allclose(own.offset_g, offset)
    assert np.allclose(own.gain, gain)
    assert np.allclose(own.cross_axis, cross * (1 - np.eye(3)))


def test_a_tilted_position_costs_cross_axis_and_not_gain() -> None:
    tilt = np.deg2rad(1.0)
    plus = np.eye(3)
    plus[0] = [np.cos(tilt), np.sin(tilt), 0]
    own = six_positions(plus, -np.eye(3))
    assert abs(own.gain[0] - 1) < 0.0001
    assert own.cross_axis[1, 0] == pytest.approx(np.sin(tilt) / 2)


def test_the_worked_example_round_trip() -> None:
    """300 still readings of the worked device (2 mg of noise on each sample, a reading the mean of 2 s
    at 50 Hz), coefficients from six such readings."""
    rng = np.random.default_rng(11)

    def reading(directions: Floats) -> Floats:
        return directions * GAIN + OFFSET_G + 0.002 / 10 * rng.standard_normal(directions.shape)

    own = six_positions(reading(np.eye(3)), reading(-np.eye(3)))
    directions = rng.standard_normal((300, 3))
    directions /= np.linalg.norm(directions, axis=1, keepdims=True)
    raw = reading(directions)
    before, after = (
        np.abs(from_1_g_mg(raw)).mean(),
        np.abs(from_1_g_mg(calibrated(raw, own.offset_g, own.gain))).mean(),
    )
    assert 28 < before < 36
    assert after <= 1.5


def test_a_position_the_wrong_way_up_is_named() -> None:
    def rests(swap: bool) -> list[object]:
        out = []
        for up in UPS:
            axis, sign = "xyz".index(up[1]), 1.0 if up[0] == "+" else -1.0
            mean = np.zeros(3)
            mean["yxz".index(up[1]) if swap else axis] = sign
            out.append(rest_of(up, 5.0, np.tile(mean, (10, 1))))
        return out

    limits = load_limits()
    good, coefficients = checks.acceleration(rests(False), limits, None)  # type: ignore[arg-type]
    assert coefficients is not None
    assert {check.outcome for check in good} == {"pass"}
    bad, none = checks.acceleration(rests(True), limits, None)  # type: ignore[arg-type]
    assert none is None
    assert bad[0].note == "position +x at 5 s reads x +0.00, y +1.00, z +0.00 g"


def load_limits():  # type: ignore[no-untyped-def]
    from nodeday.config.bench_plan import BenchLimits

    return BenchLimits()


def test_limits_are_inclusive_and_lines_never_flatter() -> None:
    assert checks.at_most("offset", -100.0, "mg", 100.0).outcome == "pass"
    assert checks.at_most("offset", -100.1, "mg", 100.0).outcome == "fail"
    assert checks.at_least("delivery", 0.99, "1", 0.99).outcome == "pass"
    assert checks.at_most("mains", float("nan"), "uV", 5.0).outcome == "not_measured"
    (line,) = lines([checks.at_least("delivery", 0.99999, "1", 0.99)])
    assert line.figures == [("", "0.9999")]


# --- the bench plan -----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("old", "new", "sentence"),
    [
        ("bpm: 80", "bmp: 80", r"line 11: .*unknown key nodes\.heart\.steps\.1\.bmp \(did you mean bpm\?\)"),
        ("at_s: 55,", "at_s: 20,", r"line 11: nodes\.heart\.steps\.1\.at_s.*the end of the one before it"),
        ("up: -z}", "up: +z}", r"\+z is up twice"),
        ("address: 18", "address: 16", r"address 16 is there twice"),
        ("seconds: 40, flat: true", "seconds: 4, flat: true", "leave nothing after settle_s"),
        ("bpm: 80", "bpm: 80, flat: true", "either a rate in bpm or flat"),
        ("  spare:", "  Spare:", r"nodes\.Spare: no node's name"),
        ("min_delivery: 0.98", "min_delivery: 98", "min_delivery"),
    ],
)
def test_a_wrong_bench_plan_says_where(tmp_path: Path, old: str, new: str, sentence: str) -> None:
    path = tmp_path / "bench.yaml"
    text = PLAN.format(steps=STEPS, positions=POSITIONS)
    assert old in text
    path.write_text(text.replace(old, new, 1))
    with pytest.raises(SettingsError, match=sentence):
        load_bench(path)


def test_the_demos_bench_plan_can_be_read() -> None:
    plan = yaml_io.load(DEMO_CONFIG / "bench.yaml", BenchPlan)
    assert {step.bpm for step in plan.nodes["heart"].steps} == {None, *RATES}
    assert plan.end_s >= 300


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        ([], "PLAN, or --demo DIR"),
        (["nowhere.yaml"], "no such file"),
    ],
)
def test_bench_refuses_what_it_cannot_use(
    arguments: list[str], sentence: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["bench", *arguments, "--study", str(DEMO_CONFIG.parent)]) == errors.USAGE
    assert sentence in capsys.readouterr().err


def test_the_demo_of_the_bench_and_the_command(
    tmp_path: Path, capfd: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """What a newcomer types: a bench, its records and page; the same plan again, as one's own would be."""
    root = tmp_path / "study"
    assert main(["bench", "--demo", str(root)]) == errors.GOOD
    printed = capfd.readouterr().out
    assert "offset of z is 126" in printed
    assert [line.split()[2] for line in printed.splitlines() if line[:5] in ("heart", "trunk", "ankle")] == [
        "pass",
        "pass",
        "fail",
    ]
    made = {path.name for path in (root / "config" / "devices").iterdir()}
    nodes = ("heart", "trunk", "wrist", "ankle", "skin")
    assert made == {f"{node}-2026-07-10.yaml" for node in nodes} | {"before-harvest-2026-07-10.html"}
    plan = str(root / "config" / "bench.yaml")
    with monkeypatch.context() as patched:  # its tables are there already
        patched.setattr(snakemake_run, "run", lambda *_: snakemake_run.RunOutcome(["before-harvest"], []))
        assert main(["bench", plan, "--study", str(root)]) == errors.CONTRACT
    (root / "captures" / "before-harvest.bin").write_bytes(bytes(range(256)) * 100)
    shutil.rmtree(root / "results")
    assert main(["bench", plan, "--study", str(root)]) == errors.CONTRACT
    assert f"bench plan {plan}: " in (printed := capfd.readouterr().err)
    assert "bytes are frames of layout beltframe" in printed
    (root / "captures" / "before-harvest.bin").unlink()
    assert main(["bench", plan, "--study", str(root)]) == errors.USAGE
    assert "no capture at" in capfd.readouterr().err
    assert main(["bench", "--demo", str(root)]) == errors.USAGE
    assert "holds a study already" in capfd.readouterr().err
