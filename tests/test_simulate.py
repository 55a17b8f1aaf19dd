"""Stage `simulate`: signals, clocks, channel and bytes, and that the truth about them is exact."""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import find_peaks, periodogram

from nodeday.config.models import Node
from nodeday.core.errors import ContractError, SettingsError
from nodeday.layouts import Layout, crc, decode_fields, load_layout
from nodeday.stages.simulate import activity, channel, crystal, ecg, motion, nodes, stage
from nodeday.stages.simulate.scenario import (
    Death,
    Outage,
    PlannedPhase,
    RadioChannel,
    Restart,
    SessionPlan,
    load_scenario,
    random_scenario,
)
from nodeday.stages.simulate.session import plan_activity, plan_heart, simulate_session
from nodeday.stages.simulate.truth import CAUSES, Truth

CONFIG = Path(__file__).resolve().parents[1] / "config"
LAYOUT = load_layout(CONFIG / "layouts" / "beltframe.yaml")
NODES = {
    address: Node(session="*", node=node, address=address, placement=place)
    for address, node, place in [
        (0, "hub", "hub"),
        (16, "heart", "chest"),
        (17, "trunk", "chest"),
        (18, "wrist", "wrist"),
        (19, "ankle", "ankle"),
        (20, "skin", "back"),
    ]
}


def naive_frames(data: bytes, layout: Layout) -> list[tuple[str, str, int, int, int, int, int]]:
    """Every whole frame of a capture, a byte at a time: (node, stream, boot id, raw sequence, raw
    ticks, raw hub stamp, offset). An oracle with no cleverness in it."""
    found, at = [], 0
    checksum = layout.field("checksum")
    assert checksum is not None
    assert checksum.crc is not None
    names = {address: node.node for address, node in NODES.items()}
    while at + layout.overhead_bytes <= len(data):
        if data[at : at + 2] != layout.sync_bytes:
            at += 1
            continue
        size, kind = data[at + 2] + 3, layout.by_kind.get(data[at + 4] & 15)
        if kind is None or layout.frame_bytes(kind) != size or at + size > len(data):
            at += 1
            continue
        frame = data[at : at + size]
        sent = int.from_bytes(frame[size - 8 : size - 6], "big")
        if checksum.sum.of(frame[2 : size - 8]) != sent or frame[3] not in names:
            at += 1
            continue
        found.append(
            (
                names[frame[3]],
                kind.stream,
                frame[4] >> 4,
                frame[5],
                int.from_bytes(frame[6:9], "little"),
                int.from_bytes(frame[size - 6 : size - 2], "little"),
                at,
            )
        )
        at += size
    return found


@pytest.mark.parametrize("seed", range(12))
def test_the_truth_names_exactly_the_frames_in_the_capture(seed: int) -> None:
    data, truth = simulate_session(random_scenario(seed), LAYOUT, NODES)
    found = naive_frames(data, LAYOUT)
    sizes = {kind.stream: LAYOUT.frame_bytes(kind) for kind in LAYOUT.kinds}
    assert sum(sizes[frame[1]] for frame in found) == truth.good_bytes
    assert (
        truth.capture_bytes
        == len(data)
        == (truth.good_bytes + truth.damaged_bytes + truth.junk_bytes + truth.truncated_bytes)
    )
    for key, stream in truth.streams.items():
        node, name = key.split("/")
        own = [f for f in found if (f[0], f[1]) == (node, name)]
        # Raw counters that wrap may repeat, so frames are counted, not only named.
        seen = sorted((f[2], f[3], f[4]) for f in own)
        copies = len(seen) - len(set(seen))
        got = stream.received
        expected = sorted(
            zip(stream.boot[got] % 16, stream.seq[got] % 256, stream.ticks[got] % (1 << 24), strict=True)
        )
        assert sorted(set(seen)) == expected, key
        assert copies == truth.duplicates[key], key
        assert ((stream.cause == -1) == stream.received).all()


def test_stamps_are_one_sided_and_quantised_downwards() -> None:
    plan = random_scenario(3).model_copy(update={"hub_start_s": 100.0, "junk": 0.0})
    data, truth = simulate_session(plan, LAYOUT, NODES)
    least_ns = int(LAYOUT.delay_ms * 1e6)
    for key, stream in truth.streams.items():
        node, name = key.split("/")
        if node == "hub":
            continue
        sent = {
            (int(b), int(t) % (1 << 24)): int(h)
            for b, t, h in zip(stream.boot, stream.ticks, stream.hub_ns, strict=True)
        }
        own = [f for f in naive_frames(data, LAYOUT) if (f[0], f[1]) == (node, name)]
        late = np.array([f[5] * 1_000_000 - sent[f[2], f[4]] for f in own])
        assert late.min() > least_ns - 1_000_000, key
        assert np.median(late) < 20e6, key


def test_host_marks_are_never_early() -> None:
    plan = SessionPlan(
        start="2026-07-01T05:00:00Z",
        phases=(PlannedPhase(phase="rest", minutes=20),),
        nodes=random_scenario(0).nodes,
    )
    data, truth = simulate_session(plan, LAYOUT, NODES)
    kind = LAYOUT.stream("mark")
    rows = [f for f in naive_frames(data, LAYOUT) if f[1] == "mark"]
    size = LAYOUT.frame_bytes(kind)
    frames = np.stack([np.frombuffer(data[f[6] : f[6] + size], np.uint8) for f in rows])
    late = decode_fields(frames, LAYOUT, kind)["utc"] * 1_000_000 - truth.streams["hub/mark"].utc_ns
    assert len(rows) == 120
    assert late.min() >= 0
    assert late.min() < 2e6


def test_a_plan_gives_the_same_bytes_and_one_more_node_changes_no_other() -> None:
    plan = random_scenario(5).model_copy(
        update={"restarts": (), "deaths": (), "junk": 0.0, "truncated": False}
    )
    first, truth = simulate_session(plan, LAYOUT, NODES)
    assert simulate_session(plan, LAYOUT, NODES)[0] == first
    fewer = {address: node for address, node in NODES.items() if node.node != "wrist"}
    _, without = simulate_session(plan, LAYOUT, fewer)
    for key, stream in without.streams.items():
        for name in ("seq", "utc_ns", "received", "hub_ns"):
            np.testing.assert_array_equal(getattr(stream, name), getattr(truth.streams[key], name))


def test_restart_outage_and_death_leave_the_silence_they_should() -> None:
    plan = SessionPlan(
        start="2026-07-01T05:00:00Z",
        phases=(PlannedPhase(phase="work", minutes=4),),
        nodes=random_scenario(0).nodes,
        restarts=(Restart(node="wrist", at_min=3, silent_s=6),),
        outages=(Outage(at_min=1, minutes=0.5),),
        deaths=(Death(node="ankle", at_min=2.5),),
    )
    _, truth = simulate_session(plan, LAYOUT, NODES)
    start = plan.start_ns
    wrist, ankle, heart = (truth.streams[f"{n}"] for n in ("wrist/acc", "ankle/acc", "heart/ecg"))
    assert wrist.boot.tolist() == sorted(wrist.boot)
    second = wrist.boot == 1
    assert wrist.seq[second][0] == 0
    assert wrist.ticks[second][0] < 32768
    assert wrist.utc_ns[second][0] - start >= 186e9
    assert wrist.utc_ns[~second][-1] - start < 180e9
    assert ankle.utc_ns[-1] - start < 150e9
    lost = heart.cause == CAUSES.index("hub_outage")
    since = (heart.hub_ns - heart.hub_ns[0]) / 1e9
    assert (lost == ~heart.received).all()
    assert lost.sum() == pytest.approx(30 * 12.5, abs=2)
    assert np.ptp(since[lost]) < 30.0
    assert len(heart.lost_runs()) == 1


def test_truth_survives_its_file(tmp_path: Path) -> None:
    _, truth = simulate_session(random_scenario(11), LAYOUT, NODES)
    truth.save(tmp_path / "a.npz")
    again = Truth.load(tmp_path / "a.npz")
    assert again.streams.keys() == truth.streams.keys()
    assert again.skew_ppm == truth.skew_ppm
    assert again.capture_bytes == truth.capture_bytes
    np.testing.assert_array_equal(again.beat_utc_ns, truth.beat_utc_ns)
    for key in truth.streams:
        np.testing.assert_array_equal(again.streams[key].received, truth.streams[key].received)
    (tmp_path / "b.npz").write_bytes(b"no archive")
    with pytest.raises(ContractError, match=r"b\.npz: is no truth file"):
        Truth.load(tmp_path / "b.npz")


# --- signals -----------------------------------------------------------------------------------


def _constant_ecg(bpm: float, spread: float, seconds: float = 300) -> ecg.Ecg:
    n = int(seconds * ecg.FINE_HZ)
    return ecg.synthesise(np.full(n, bpm), np.full(n, spread), 0.0, np.random.default_rng(1))


def test_r_peaks_lie_where_the_voltage_peaks() -> None:
    heart = _constant_ecg(70, 3)
    top, _ = find_peaks(heart.voltage_mv, height=0.8, distance=100)
    inner = heart.r_s[1:-1]
    nearest = top[np.abs(top[:, None] / ecg.FINE_HZ - inner).argmin(axis=0)] / ecg.FINE_HZ
    assert np.abs(nearest - inner).max() <= 0.5 / ecg.FINE_HZ + 1e-9
    assert len(top) == len(heart.r_s)


def test_the_filter_agrees_with_a_plain_integration_of_the_model() -> None:
    """Oracle: the equation itself, by Euler steps a hundred times finer."""
    bpm = np.full(600, 60.0)
    seconds = np.arange(600) / ecg.FINE_HZ
    fast = ecg.voltage(seconds * 1.0, bpm, seconds)
    fine = 100
    z, slow = 0.0, []
    for step in range(600 * fine):
        t = step / (ecg.FINE_HZ * fine)
        if step % fine == 0:
            slow.append(z)
        angle = 2 * np.pi * (t - round(t))
        drive = ecg.BASELINE * np.sin(2 * np.pi * 0.25 * t)
        for degrees, a, b in zip(ecg.ANGLE_DEG, ecg.HEIGHT, ecg.WIDTH, strict=True):
            apart = (angle - np.deg2rad(degrees) + np.pi) % (2 * np.pi) - np.pi
            drive -= a * apart * np.exp(-(apart**2) / (2 * b * b))
        z += (drive - z) / (ecg.FINE_HZ * fine)
    assert np.abs(fast - slow).max() < 0.01 * np.ptp(slow)


def test_heart_rate_and_variability_are_those_asked_for() -> None:
    heart = _constant_ecg(75, 3, 900)
    rr = np.diff(heart.r_s)
    assert 60 / rr.mean() == pytest.approx(75, rel=0.01)
    assert rr.std() == pytest.approx(60 * 3 / 75**2, rel=0.15)
    even = np.interp(np.arange(heart.r_s[0], heart.r_s[-2], 0.25), heart.r_s[:-1], rr)
    frequency, power = periodogram(even - even.mean(), 4.0)
    low = power[(frequency > 0.07) & (frequency < 0.13)].sum()
    high = power[(frequency > 0.22) & (frequency < 0.28)].sum()
    assert (low + high) / power.sum() > 0.85
    # A beat averages over itself (sinc squared in power), the line between beats twice over that.
    damped = (np.sinc(0.1 * 0.8) / np.sinc(0.25 * 0.8)) ** 6
    assert low / high == pytest.approx(ecg.LOW_TO_HIGH * damped, rel=0.15)


def test_a_still_body_measures_one_g_and_a_walk_has_its_cadence() -> None:
    still = activity.activity([5], [60], [3], [0], [100], [1], np.random.default_rng(0))
    seconds = np.arange(0, 300, 0.02)
    for place in motion.PLACEMENTS.values():
        size = np.linalg.norm(motion.acceleration(seconds, still, place, np.random.default_rng(1)), axis=1)
        quiet = np.abs(seconds[:, None] - still.taps_s).min(axis=1) > 0.5
        assert np.abs(size[quiet] - 1).max() < 0.03
        peaks, _ = find_peaks(size, height=2.5)
        np.testing.assert_allclose(seconds[peaks], still.taps_s, atol=0.02)
    walk = activity.activity([10], [100], [3], [0.9], [110], [], np.random.default_rng(2))
    begin, end = walk.bouts_s[np.argmax(walk.bouts_s[:, 1] - walk.bouts_s[:, 0])]
    inside = np.arange(begin + 2, end - 2, 0.02)
    size = np.linalg.norm(
        motion.acceleration(inside, walk, motion.PLACEMENTS["chest"], np.random.default_rng(3)), axis=1
    )
    frequency, power = periodogram(size - size.mean(), 50, nfft=1 << 15)
    assert 60 * frequency[power.argmax()] == pytest.approx(110, rel=0.09)


# --- clocks ------------------------------------------------------------------------------------


def test_the_crystal_curve_gives_the_published_figures() -> None:
    """-0.034 ppm/K^2 around 25 degC: 22 -> -0.31, 33 -> -2.18, 37 -> -4.90 ppm."""
    got = crystal.skew_ppm(np.array([22.0, 25.0, 33.0, 37.0]), 0.0)
    np.testing.assert_allclose(got, [-0.306, 0, -2.176, -4.896], atol=1e-9)


@settings(deadline=None, max_examples=50)
@given(
    ppm=st.floats(-500, 500),
    worn=st.floats(-10, 60),
    swing=st.floats(0, 20),
    hours=st.floats(0.05, 24),
)
def test_a_clock_rises_and_whole_ticks_come_back(ppm: float, worn: float, swing: float, hours: float) -> None:
    seconds = 3600 * hours
    own = crystal.clock(ppm, seconds, (25.0, worn, 600.0, swing, 2400.0))
    assert (np.diff(own.clock_s) > 0).all()
    ticks = np.unique(np.linspace(0, seconds * 32768, 1001).astype(np.int64))
    assert (np.rint(own.to_clock(own.to_true(ticks / 32768)) * 32768).astype(np.int64) == ticks).all()
    assert own.to_clock(0.0) == 0.0


def test_a_constant_temperature_gives_a_constant_skew() -> None:
    own = crystal.clock(20.0, 86_400.0, (25.0, 25.0, 600.0, 0.0, 2400.0))
    assert float(own.to_clock(86_400.0)) - 86_400.0 == pytest.approx(1.728, abs=1e-9)  # 20 ppm for a day
    assert own.skew_ppm == pytest.approx(20.0, abs=1e-6)


# --- channel -----------------------------------------------------------------------------------


@pytest.mark.parametrize(("loss", "burst"), [(0.005, 1), (0.05, 5), (0.1, 5), (0.2, 20), (0.5, 2)])
def test_the_gilbert_channel_has_its_loss_and_burst(loss: float, burst: float) -> None:
    lost = channel.gilbert(400_000, loss, burst, np.random.default_rng(7))
    edges = np.diff(np.concatenate([[0], lost.astype(int), [0]]))
    runs = np.flatnonzero(edges == -1) - np.flatnonzero(edges == 1)
    spread = np.sqrt(2 * burst * loss / 400_000)
    assert lost.mean() == pytest.approx(loss, abs=4 * spread)
    assert runs.mean() == pytest.approx(burst, rel=0.1)


def test_fades_follow_the_stride() -> None:
    strides = np.where(np.arange(4000) < 2000, np.arange(4000) * 0.0613, np.nan)
    lost = channel.faded(strides, 1.0, (0.3, 0.5), np.random.default_rng(0))
    part = strides[:2000] % 1
    np.testing.assert_array_equal(lost[:2000], (part >= 0.3) & (part < 0.5))
    assert not lost[2000:].any()


@settings(deadline=None, max_examples=50)
@given(seed=st.integers(0, 2**32), share=st.floats(0, 1))
def test_only_late_frames_overtake(seed: int, share: float) -> None:
    rng = np.random.default_rng(seed)
    sent = np.cumsum(rng.uniform(0.01, 0.3, 200))
    delay = channel.delays(sent, 0.003, 0.002, 5.0, rng)
    late = rng.random(200) < share
    at = channel.arrivals(sent, delay, late, rng)
    assert (at >= sent + 0.003).all()
    assert (np.diff(at[~late]) >= 0).all()
    assert (at[late] >= sent[late] + channel.LATE_S[0]).all()


def test_damage_never_leaves_the_checksum_right() -> None:
    kind = LAYOUT.stream("ecg")
    rng = np.random.default_rng(0)
    n, size = 20_000, LAYOUT.frame_bytes(kind)
    from nodeday.layouts import encode_frames

    frames = encode_frames(
        LAYOUT, kind, {"sequence": np.arange(n)}, rng.integers(0, 256, (n, 30), dtype=np.uint8)
    )
    bad = channel.damage(frames, LAYOUT, kind, rng)
    sums = crc.checksums(crc.named("CRC-16/IBM-3740"), bad[:, 2 : size - 8])
    assert (sums != bad[:, size - 8].astype(np.uint64) * 256 + bad[:, size - 7]).all()
    changed = (bad != frames).any(axis=0)
    assert not changed[:2].any()
    assert not changed[size - 6 :].any()
    assert changed[2 : size - 6].all()


def test_counts_stop_at_the_rails() -> None:
    kind = LAYOUT.stream("ecg")
    clock = crystal.clock(0.0, 10.0, (25, 25, 600, 0, 600))
    sent = nodes.schedule(clock, [(0.0, 10.0)], kind, 32768.0, 0.0)
    values = np.tile([-9.0, 0.0, 9.0, np.nan], len(sent) * 5)
    got = nodes.counts(lambda i, t: values[:, None], sent, nodes.sample_times(sent, clock, kind, 0.0), kind)
    assert got.ravel()[:4].tolist() == [0, 2048, 4095, 0]


def test_a_stamp_of_the_last_sample_is_sent_with_it() -> None:
    kind = LAYOUT.stream("ecg")
    clock = crystal.clock(50.0, 100.0, (25, 25, 600, 0, 600))
    sent = nodes.schedule(clock, [(1.0, 60.0)], kind, 32768.0, 0.25)
    times = nodes.sample_times(sent, clock, kind, 0.25)
    assert np.abs(times[:, -1] - sent.stamp_s).max() <= 0.5 / 32768 + 1e-9
    np.testing.assert_array_equal(sent.stamp_s, sent.sent_s)
    first = kind.model_copy(update={"stamp": "first"})
    early = nodes.schedule(clock, [(1.0, 60.0)], first, 32768.0, 0.25)
    assert np.abs(times[:, 0] - early.stamp_s).max() <= 0.5 / 32768 + 1e-9
    assert np.abs(early.sent_s - times[:, -1]).max() <= 0.5 / 32768 + 1e-9


# --- settings and stage -------------------------------------------------------------------------


def test_the_demo_plans_what_its_sheets_say() -> None:
    from nodeday.config.study import Study

    study, plans = Study(CONFIG.parent), load_scenario(CONFIG / "scenario.yaml")
    assert set(plans.sessions) == set(study.sessions)
    for name in study.sessions:
        plan = plans.session(name)
        at = plan.start_ns
        for planned, (phase, start, _) in zip(plan.phases, study.phases_of(name), strict=True):
            assert (planned.phase, at) == (phase, start)
            at += round(planned.minutes * 60e9)


def test_beats_of_a_plan_follow_its_phases() -> None:
    plan = load_scenario(CONFIG / "scenario.yaml").session("S01-clean")
    r = plan_heart(plan, plan_activity(plan)).r_s
    for begin, end, bpm in [(120, 600, 64), (900, 2700, 104), (3000, 3600, 72)]:
        inside = r[(r >= begin) & (r < end)]
        assert 60 / np.diff(inside).mean() == pytest.approx(bpm, rel=0.02)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"restarts": (Restart(node="knee", at_min=1),)}, "no node is named knee"),
        ({"outages": (Outage(at_min=90, minutes=1),)}, "something happens at minute 90"),
        ({"nodes": {}}, "nothing is planned for node"),
    ],
)
def test_a_plan_that_does_not_fit_is_refused(change: dict[str, object], message: str) -> None:
    with pytest.raises(SettingsError, match=message):
        simulate_session(random_scenario(0).model_copy(update=change), LAYOUT, NODES)


def test_a_loss_that_its_bursts_cannot_give_is_refused() -> None:
    with pytest.raises(ValueError, match=r"a loss of 0\.8 needs bursts of 4 frames or more"):
        RadioChannel(loss=0.8, burst=2)


def _study(root: Path) -> Path:
    shutil.copytree(CONFIG, root / "config")
    (root / "config" / "scenario.yaml").write_text(
        "seed: 3\nnodes:\n  heart: {streams: [ecg]}\n  trunk: {}\n  wrist: {}\n  ankle: {}\n"
        "  skin: {streams: [temp]}\n"
        "sessions:\n  S01-clean: {start: 2026-07-14T05:00:00Z, phases: [{phase: rest, minutes: 1}]}\n"
    )
    return root


def test_the_stage_writes_a_capture_with_its_truth(tmp_path: Path) -> None:
    root = _study(tmp_path)
    stage.run(root, "S01-clean")
    capture, beside = stage.paths(root, "S01-clean")
    assert capture.stat().st_size == Truth.load(beside).capture_bytes > 0
    first = capture.read_bytes(), beside.read_bytes()
    stage.run(root, "S01-clean")
    assert (capture.read_bytes(), beside.read_bytes()) == first
    assert sorted(p.name for p in capture.parent.iterdir()) == [capture.name, beside.name]


def test_a_raw_capture_is_never_written_over(tmp_path: Path) -> None:
    root = _study(tmp_path)
    capture, _ = stage.paths(root, "S01-clean")
    capture.parent.mkdir()
    capture.write_bytes(b"a day of work")
    with pytest.raises(SettingsError, match="was not simulated, since it has no truth file"):
        stage.run(root, "S01-clean")
    assert capture.read_bytes() == b"a day of work"


def test_a_session_without_a_plan_is_named(tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match="plans no session S02-lossy; expected one of S01-clean"):
        stage.run(_study(tmp_path), "S02-lossy")
