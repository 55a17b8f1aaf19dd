"""Steps of clocks: found, placed, told apart by whose they are; and the stage on whole simulated sessions."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import numpy as np
import pandas as pd
import pytest
from conftest import CONFIG, samples_in, stored
from nodeday.schemas import TABLES

from nodeday.config.study import Study
from nodeday.core import timeline
from nodeday.layouts import Channel as Channel_
from nodeday.layouts import Kind
from nodeday.stages.clock import hub, maps, stage, steps
from nodeday.stages.clock.rounding import Unit
from nodeday.stages.clock.steps import ObservedStep
from nodeday.stages.frames import stage as frames_stage
from nodeday.stages.loss import stage as loss_stage
from nodeday.stages.repair import stage as repair_stage
from nodeday.stages.repair.stream import boot_of
from nodeday.stages.simulate.scenario import (
    Crystal,
    HubRestart,
    HubStep,
    NodePlan,
    Outage,
    PlannedPhase,
    RadioChannel,
    Restart,
    SessionPlan,
)
from nodeday.stages.simulate.session import simulate_session
from nodeday.stages.simulate.stamps import HUB_START_NS, TICK_HZ, Events, StampedDay, Way, day, marks
from nodeday.storage import tables
from nodeday.storage.frames import DistinctFrames

MS = 1_000_000


def edge_of(own: StampedDay) -> tuple[np.ndarray, np.ndarray]:
    x = own.ticks / TICK_HZ
    return x, (own.stamp_ns - own.stamp_ns[0]) / 1e6 - x * 1e3


@pytest.mark.parametrize("size_ms", [800.0, -800.0, 15.0, -15.0])
def test_a_step_is_found_placed_and_sized(size_ms):
    events = Events(steps=((2.0, size_ms),))
    own = day(1, 3, 10, 30, ((1.0, 22.0),), Way(loss=0.2, burst=5), events).received()
    (found,) = steps.find_steps(*edge_of(own), Unit(1.0))
    before, after = own.arrived_ns[found.before], own.arrived_ns[found.before + 1]
    assert before < HUB_START_NS + 2 * 3600 * 10**9 <= after  # between the very two frames
    assert found.size_ms == pytest.approx(size_ms, abs=4 * found.deviation_ms)
    assert found.deviation_ms < 0.1


def test_drift_bursts_outages_and_false_stamps_are_no_steps():
    own = day(2, 6, 10, 30, ((2.0, 22.0), (4.0, 33.0)), Way(loss=0.2, burst=5), Events(outages=((3.0, 3.5),)))
    own = own.received()
    x, y = edge_of(own)
    assert steps.find_steps(x, y, Unit(1.0)) == []
    y[[500, 50_000, 90_000]] -= 700
    assert steps.find_steps(x, y, Unit(1.0)) == []
    # A minute or ten in which everything comes late is a delay: it can only lift stamps.
    held = y + 40 * ((x > 5000) & (x < 5600))
    assert steps.find_steps(x, held, Unit(1.0)) == []
    assert steps.find_steps(x[:30], y[:30], Unit(1.0)) == []


def test_whose_step_it_is():
    heard = {
        "heart": np.array([0, 100]),
        "wrist": np.array([0, 100]),
        "late": np.array([60, 100]),
        "host": np.array([0, 100]),
    }
    seen = {
        "heart": [ObservedStep(10, 14, 800.0, 0.1), ObservedStep(70, 72, 50.0, 0.1)],
        "wrist": [ObservedStep(11, 15, 800.2, 0.1)],
        "late": [],
        "host": [ObservedStep(8, 20, 799.0, 0.5), ObservedStep(40, 50, -300.0, 0.5)],
    }
    shared, own = steps.of_hub(seen, heard, "host")
    assert [(each.step.before, each.step.after, each.witnesses) for each in shared] == [
        (11, 14, ("heart", "host", "wrist"))
    ]
    # Weighted by 1 / variance: (800 + 800.2) / 0.01 + 799 / 0.25 over 204, worked by hand.
    assert shared[0].step.size_ms == pytest.approx((80_000 + 80_020 + 3_196) / 204)
    assert own == {
        "heart": [ObservedStep(70, 72, 50.0, 0.1)],
        "wrist": [],
        "late": [],
        "host": [ObservedStep(40, 50, -300.0, 0.5)],
    }


def test_a_hub_step_leaves_the_maps_as_they_were():
    stepped = Events(steps=((1.0, 800.0),))
    days = [day(seed, 2, 10, ppm, events=stepped).received() for seed, ppm in ((3, 30), (4, -20))]
    rows = np.argsort(np.concatenate([each.arrived_ns for each in days]), kind="stable")
    row = np.argsort(rows)
    heard, start = [], 0
    for name, own in zip(("heart", "wrist"), days, strict=True):
        x, y = edge_of(own)
        heard.append(hub.BootStamps(name, row[start : start + len(x)], x, y, Unit(1.0)))
        start += len(x)
    stamps = np.concatenate([each.stamp_ns for each in days])[rows]
    found = hub.steady(hub.RunStarts(np.array([0])), heard, None)
    (one,) = found.shared
    assert one.step.size_ms == pytest.approx(800, abs=0.05)
    assert found.own == {"heart": [], "wrist": []}
    for own, each in zip(days, heard, strict=True):
        fit = maps.fit_map(own.ticks, found.steady_ns(each.rows, stamps[each.rows]), TICK_HZ, Unit(1.0), 3.0)
        assert np.abs(fit(own.ticks) - own.true_ns).max() < 0.1 * MS


def test_a_moved_host_is_told_from_a_moved_hub():
    own = marks(5, 4, 10.0, 4.0)
    utc_ns = own.utc_ns + 250 * MS * (np.arange(len(own.utc_ns)) > 1000)
    x = (utc_ns - utc_ns[0]) / 1e9
    y = (own.hub_ns - own.hub_ns[0] - (utc_ns - utc_ns[0])) / 1e6
    heard = hub.BootStamps(hub.MARKS, np.arange(len(x)), x, y, Unit(1.0, "up", 1.0), turned=True)
    found = hub.steady(hub.RunStarts(np.array([0])), [], heard)
    (step,) = found.own[hub.MARKS]
    assert found.shared == []
    assert step.before == 1000
    assert step.size_ms == pytest.approx(-250, abs=1)  # the hub seems to fall back
    straight, moved_ms = hub.without_host_steps(utc_ns, np.arange(len(x)), [step])
    # The longer part, before the step, is believed; the other is moved to it, and says by how much.
    assert np.abs(straight - own.utc_ns).max() < MS
    assert (moved_ms[:1001] == 0).all()
    assert moved_ms[1001:] == pytest.approx(250, abs=1)


# --- the stage on whole sessions -----------------------------------------------------------------

NODES = (
    ("hub", "", 4.0),
    ("heart", "ecg", 21.0),
    ("trunk", "acc", -13.0),
    ("wrist", "acc", 35.0),
    ("ankle", "acc", -27.0),
    ("skin", "temp", 8.0),
)
LAYOUT = (CONFIG / "layouts" / "beltframe.yaml").read_text()
SHEET = (CONFIG / "nodes.tsv").read_text()


def plan(**changes: Any) -> SessionPlan:
    nodes = {
        name: NodePlan(streams=(stream,) * bool(stream), crystal=Crystal(ppm=ppm))
        for name, stream, ppm in NODES
    }
    settings: dict[str, Any] = {
        "name": "S1",
        "seed": 4,
        "start": datetime(2026, 7, 1, 5, tzinfo=UTC),
        "nodes": nodes,
        "phases": (PlannedPhase(phase="work", minutes=24, gait=0.3),),
        "channel": RadioChannel(loss=0.02, burst=2),
        "taps_min": (2.0, 22.0),
    }
    return SessionPlan(**{**settings, **changes})


def fitted(study_folder, own: SessionPlan, layouts: dict[str, str] | None = None, **files: str):
    """A study, the tables of its session that runs as planned, by name, and its truth."""
    folder = study_folder(**{"nodes.tsv": SHEET, **files})
    for name, text in (layouts or {}).items():
        (folder / "config" / "layouts" / f"{name}.yaml").write_text(text)
    study = Study(folder)
    data, truth = simulate_session(own, study.layout_of("S1"), study.nodes_of("S1"))
    (folder / "captures" / "S1.bin").write_bytes(data)
    frames_stage.run(study, "S1")
    stage.run(study, "S1")
    found = {}
    for name in ("frames", "hub_runs", "clock", "steps", "movements", "agreement"):
        found[name] = stored(study.results, name, "S1")
        tables.validate(TABLES[name], found[name])
    return study, found, truth


def errors_ms(clock, own, node: str, stream: str, mine, shift: int = 0):
    """Errors and half widths of the band at frames ``mine`` of a stream's truth, in the first boot."""
    knots = clock[(clock["node"] == node) & (clock["boot"] == 0) & clock["stream"].isin(["*", stream])]
    ticks = own.ticks[mine] + shift
    utc = timeline.ticks_to_utc(ticks, knots["ticks"].to_numpy(), knots["utc_ns"].to_numpy())
    return (utc - own.utc_ns[mine]) / 1e6, np.interp(ticks, knots["ticks"], knots["uncertainty_ms"])


def test_everything_that_happens_to_clocks_at_once(study_folder):
    own = plan(
        hub_steps=(HubStep(at_min=8, step_ms=800),),
        restarts=(Restart(node="wrist", at_min=12, silent_s=10),),
        outages=(Outage(at_min=14, minutes=1),),
        hub_restarts=(HubRestart(at_min=17, silent_s=20, from_s=3),),
    )
    _, found, truth = fitted(study_folder, own)
    listed = found["steps"].astype({"node": str, "kind": str}).set_index("kind")
    assert sorted(zip(listed["node"], listed.index, strict=True)) == [
        ("hub", "hub_restart"),
        ("hub", "hub_step"),
        ("wrist", "node_restart"),
    ]
    for kind, minute in (("hub_step", 8), ("node_restart", 12), ("hub_restart", 17)):
        since_s = (listed.loc[kind, "utc_ns"] - truth.start_utc_ns) / 1e9
        assert since_s == pytest.approx(60 * minute, abs=2)
    step = listed.loc["hub_step"]
    assert step["size_ms"] == pytest.approx(800, abs=step["uncertainty_ms"])
    assert step["uncertainty_ms"] < 0.2
    assert step["witnesses"] >= 5
    assert listed.loc["node_restart", "size_ms"] == pytest.approx(10_000, abs=500)
    assert listed.loc["hub_restart", "size_ms"] < -60_000
    for key in ("heart/ecg", "trunk/acc", "ankle/acc", "skin/temp"):
        stream = truth.streams[key]
        mine = stream.received & (stream.utc_ns < truth.start_utc_ns + 17 * 60 * 10**9)
        error, band = errors_ms(found["clock"], stream, *key.split("/"), mine)
        assert np.abs(error).max() < 1.0  # half a unit of the hub's stamps in marks stays unknown
        assert (np.abs(error) <= band).mean() > 0.9


def test_movements_bear_the_clocks_out(study_folder):
    _, found, _ = fitted(study_folder, plan())
    agreement = found["agreement"]
    assert agreement["verdict"].tolist() == ["agrees"] * 3
    assert (agreement["moments"] == 2).all()  # the taps at both ends, found without being told when
    assert (agreement["offset_ms"].abs() < 1).all()
    assert set(found["movements"]["source"]) == {"found"}


def test_movements_at_stated_times(study_folder):
    events = "session\tphase\tstart\tend\nS1\ttaps-first\t2026-07-01T07:01:50\t2026-07-01T07:02:20\n"
    _, found, _ = fitted(study_folder, plan(), **{"events.tsv": events})
    assert sorted(found["movements"]["source"]) == ["found"] * 3 + ["stated"] * 3
    assert (found["agreement"]["moments"] == 2).all()


def test_streams_without_ticks_count_by_their_sequence_numbers(study_folder):
    text = "".join(line for line in LAYOUT.splitlines(keepends=True) if "role: ticks" not in line)
    own = plan(restarts=(Restart(node="wrist", at_min=12, silent_s=7.3),))
    study, found, truth = fitted(study_folder, own, {"beltframe": text})
    clock, frames = found["clock"], found["frames"]
    assert set(clock["stream"].astype(str)) == {"ecg", "acc", "temp"}
    assert sorted(clock.loc[clock["node"] == "wrist", "boot"].unique()) == [0, 1]
    for key in ("heart/ecg", "trunk/acc", "wrist/acc", "skin/temp"):
        node, stream = key.split("/")
        sent = truth.streams[key]
        mine = sent.received & (sent.boot == 0)
        rows = frames[(frames["node"] == node) & (frames["stream"] == stream) & (frames["boot"] == 0)]
        samples = study.layout_of("S1").stream(stream).samples
        shift = int(rows["seq"].iloc[0] - sent.seq[mine][0]) * samples
        error, _ = errors_ms(clock, sent, node, stream, mine, shift)
        assert np.abs(error).max() < 1.5
    assert found["agreement"]["verdict"].tolist() == ["agrees"] * 3
    for each in (loss_stage, repair_stage):
        each.run(study, "S1")
    assert (np.diff(samples_in(study, "S1", "heart", "ecg")["utc_ns"]) > 0).all()


def test_a_converters_delay_moves_samples_back():
    knots = pd.DataFrame({"boot": [0, 0], "ticks": [0, 10 * TICK_HZ], "utc_ns": [10**18, 10**18 + 10**10]})
    one, yes = np.zeros(1, np.int64), np.ones(1, np.bool_)
    heard = DistinctFrames(
        one.astype(np.int32),
        one,
        one + TICK_HZ,
        ~yes,
        yes,
        np.array([[1, 0, 2, 0]], np.uint8),
        2,
        one.astype(np.int32),
    )
    gaps = tables.empty(TABLES["gaps"])
    times = []
    for late_ms in (0.0, 6.5):
        kind = Kind(
            kind=1,
            stream="s",
            rate_hz=10,
            samples=2,
            converter_ms=late_ms,
            channels=(Channel_(name="x", unit="g"),),
        )
        boot = boot_of(0, kind, heard, np.array([0]), gaps, knots, TICK_HZ)
        times += [stretch.utc_ns for stretch in boot.stretches(1000, 1.0)]
    assert times[0].tolist() == [10**18 + 10**9, 10**18 + 10**9 + 10**8]
    assert (times[0] - times[1]).tolist() == [6_500_000] * 2


@pytest.mark.parametrize("correct", [False, True])
def test_a_wrong_clock_is_seen_and_put_right_where_the_study_asks(study_folder, correct):
    # The wrist's layout claims a delay that is 30 ms too long, so that its times are 30 ms early.
    slow = LAYOUT.replace("delay_ms: 3.0", "delay_ms: 33.0").replace("layout: beltframe", "layout: slow")
    head, *rows = SHEET.splitlines()
    speak = [f"{row}\t{'slow' if row.split(chr(9))[1] == 'wrist' else 'beltframe'}" for row in rows]
    sessions = "session\tparticipant\tcaptures\tlayout\nS1\tP1\tcaptures/S1.bin\tbeltframe;slow\n"
    _, found, truth = fitted(
        study_folder,
        plan(),
        {"slow": slow},
        **{
            "study.yaml": f"study: trial\nmovements: {{correct: {str(correct).lower()}}}\n",
            "sessions.tsv": sessions,
            "nodes.tsv": "\n".join([f"{head}\tlayout", *speak]) + "\n",
        },
    )
    agreement = found["agreement"].set_index(["node", "other"])
    assert agreement["verdict"].astype(str).to_dict() == {
        ("ankle", "trunk"): "agrees",
        ("ankle", "wrist"): "corrected" if correct else "disagrees",
        ("trunk", "wrist"): "corrected" if correct else "disagrees",
    }
    assert agreement.loc[("trunk", "wrist"), "offset_ms"] == pytest.approx(-30, abs=2)
    moved = found["clock"].groupby("node", observed=True)["corrected_ms"].max()
    assert moved["wrist"] == (pytest.approx(30, abs=2) if correct else 0)
    assert moved["trunk"] == moved["ankle"] == 0
    sent = truth.streams["wrist/acc"]
    error, band = errors_ms(found["clock"], sent, "wrist", "acc", sent.received)
    assert error.mean() == pytest.approx(0 if correct else -30, abs=2)
    assert (np.abs(error) <= band).all() == correct


def test_frames_of_a_second_hub_lie_on_the_same_time_line(study_folder):
    # Another hub: its own clock, 30 ppm off and started elsewhere, and its own luck with the same frames.
    own = plan(channel=RadioChannel(loss=0.2, burst=3), taps_min=())
    other = own.model_copy(
        update={
            "hub": "second",
            "hub_start_s": 7_000.0,
            "nodes": {**own.nodes, "second": NodePlan(crystal=Crystal(ppm=-30))},
        }
    )
    sessions = (
        "session\tparticipant\tcaptures\tlayout\nS1\tP1\tcaptures/S1.bin | captures/two.bin\tbeltframe\n"
    )
    folder = study_folder(**{"nodes.tsv": SHEET, "sessions.tsv": sessions})
    study = Study(folder)
    for name, each in (("S1", own), ("two", other)):
        data, truth = simulate_session(each, study.layout_of("S1"), study.nodes_of("S1"))
        (folder / "captures" / f"{name}.bin").write_bytes(data)
        if name == "S1":
            first = truth
    frames_stage.run(study, "S1")
    stage.run(study, "S1")
    frames, clock = (stored(study.results, name, "S1") for name in ("frames", "clock"))
    for node, stream in (("heart", "ecg"), ("wrist", "acc")):
        rows = frames[(frames["node"] == node) & (frames["capture"] == 1) & (frames["status"] == "good")]
        assert len(rows) > 500  # lost by the first hub, heard by the second
        sent = first.streams[f"{node}/{stream}"]
        heard = frames[(frames["node"] == node) & (frames["capture"] == 0)]
        shift = int(heard["seq"].iloc[0] - sent.seq[sent.received][0])
        mine = np.searchsorted(sent.seq, rows["seq"].to_numpy() - shift)
        error, band = errors_ms(
            clock, sent, node, stream, mine, int(rows["ticks"].iloc[0] - sent.ticks[mine[0]])
        )
        assert np.abs(error).max() < 1.0
        assert (np.abs(error) <= band).all()
