"""Simulated days on which frames wait, come late, keep no pace or share an address, held to their truth."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import pytest
from captures import Wire
from hypothesis import assume, example, given, settings
from hypothesis import strategies as st
from nodeday.schemas.numbers import GapCause

from nodeday.cli.main import main
from nodeday.config.models import Node
from nodeday.config.study import Study
from nodeday.core.errors import GOOD, SettingsError
from nodeday.layouts import decode_fields, load_layout
from nodeday.stages.simulate import channel, stage
from nodeday.stages.simulate.plan_parts import Away, HostMarks, LateBursts, Pauses, SecondDevice
from nodeday.stages.simulate.scenario import (
    Crystal,
    NodePlan,
    Outage,
    PlannedPhase,
    RadioChannel,
    Restart,
    SessionPlan,
)
from nodeday.stages.simulate.session import simulate_session
from nodeday.stages.simulate.truth import StreamTruth, Truth
from nodeday.storage import frames, tables

SECOND_COPIES = ("duplicate", "conflict")
START = datetime.fromisoformat("2026-03-02T08:00:00Z")


def nodes_plan(**changes: object) -> dict[str, NodePlan]:
    """Two nodes with stream ``level``; ``changes`` are of node ``one``."""
    one = NodePlan(streams=("level",), crystal=Crystal(ppm=25)).model_copy(update=changes)
    return {"one": one, "two": NodePlan(streams=("level",), crystal=Crystal(ppm=-18))}


def plan(minutes: float, nodes: dict[str, NodePlan], **more: object) -> SessionPlan:
    phases = (PlannedPhase(phase="day", minutes=minutes),)
    return SessionPlan(name="S1", start=START, phases=phases, nodes=nodes, **more)  # type: ignore[arg-type]


def study_of(root: Path, day: SessionPlan, wire: Wire) -> tuple[Path, Truth]:
    """A study with the simulated day as its session, its frames counted; and the truth."""
    (root / "config" / "layouts").mkdir(parents=True)
    for name, text in {
        "study.yaml": "study: simulated\nzone: UTC\ngrid: {rate_hz: 1}\n",
        "participants.tsv": "participant\tage_years\tresting_bpm\nP1\t\t\n",
        "sessions.tsv": "session\tparticipant\tcaptures\tlayout\nS1\tP1\tcaptures/S1.bin\tday\n",
        "nodes.tsv": "session\tnode\taddress\tplacement\n*\thub\t0\thub\n*\tone\t16\tarm\n*\ttwo\t17\tarm\n",
        "layouts/day.yaml": wire.layout("day"),
    }.items():
        (root / "config" / name).write_text(text)
    study = Study(root)
    data, truth = simulate_session(day, study.layout_of("S1"), study.nodes_of("S1"))
    stage.write(root, "S1", data, truth)
    for name in ("frames", "loss"):
        assert main(["stage", name, "S1", "--study", str(root)]) == GOOD
    return root, truth


def counted(stream: StreamTruth) -> dict[str, int]:
    got = stream.received
    lost = sum(end - begin for _, begin, end in stream.lost_runs())
    return {"received": int(got.sum()), "lost": lost, "boots": len(np.unique(stream.boot[got]))}


def assert_counts(root: Path, truth: Truth, paced: bool = True) -> None:
    """Assert that the tables of frames and gaps equal the truth, and that nothing is rejected.

    A node without a pace that is silent at the end may have lost frames there: no count tells.
    """
    results = Study(root).results
    found = frames.table(results, "S1")
    gaps = tables.read(tables.path(results, "gaps", "S1"), "gaps")
    assert tables.read(tables.path(results, "rejects", "S1"), "rejects").empty
    for key, stream in truth.streams.items():
        node, name = key.split("/")
        rows = found[(found["node"] == node) & (found["stream"] == name)]
        copies = rows["status"].isin(SECOND_COPIES)
        own = gaps[(gaps["node"] == node) & (gaps["stream"] == name)]
        if not paced:
            own = own[own["reason"] != "nothing_after"]
        known = own["extent"] == "known"
        lost = own.loc[known, "frames"].sum()
        assert (~known).sum() < len(np.unique(stream.boot)), f"{key}: unknown within a boot"
        tool = {"received": int((~copies).sum()), "lost": int(lost), "boots": rows["boot"].nunique()}
        tool |= {"duplicates": int(copies.sum()), "late": int((rows["status"] == "late").sum())}
        expected = counted(stream) | {"duplicates": truth.duplicates[key], "late": truth.late[key]}
        assert tool == expected, key


LOSSY = RadioChannel(loss=0.05, burst=3, duplicates=0.01, late=0.01)
DAYS: dict[str, tuple[Wire, SessionPlan]] = {
    "queue sent on return": (
        Wire(0.25, ticks_hz=1000.0, boot=True),
        plan(
            8, nodes_plan(), away=tuple(Away(node="one", at_min=1 + k, seconds=5 * k + 1) for k in range(6))
        ),
    ),
    "queue between live frames": (
        Wire(0.25, ticks_hz=1000.0, boot=True),
        plan(8, nodes_plan(), channel=LOSSY, away=(Away(node="one", at_min=2, seconds=60, mixed=True),)),
    ),
    "queue lost at a restart": (
        Wire(0.5, ticks_hz=1000.0, boot=True),
        plan(
            8,
            nodes_plan(),
            away=(Away(node="one", at_min=2, seconds=40, mixed=True, flush_s=0.4),),
            restarts=(Restart(node="one", at_min=2.75, silent_s=5),),
        ),
    ),
    "bursts of late frames": (
        Wire(0.25, ticks_hz=1000.0, boot=True),
        plan(10, nodes_plan(), channel=LOSSY.model_copy(update={"late_bursts": LateBursts(every_min=1)})),
    ),
    "senders without a pace": (
        Wire(3.0, ticks_hz=1000.0, boot=True),
        plan(60, nodes_plan(pauses=Pauses(median_s=1)), channel=LOSSY),
    ),
    "whole seconds": (
        Wire(0.5, ticks_hz=1.0, boot=True, hub_unit_ns=1_000_000_000),
        plan(20, nodes_plan(), channel=RadioChannel(loss=0.02, burst=2)),
    ),
    "a frame a minute": (
        Wire(60.0, ticks_hz=1.0, boot=True, mark_every_s=60.0),
        plan(1440, nodes_plan(), channel=RadioChannel(loss=0.02, burst=2)),
    ),
    "two devices with one address": (
        Wire(1.0, ticks_hz=1000.0, boot=True),
        plan(
            15,
            nodes_plan(second=SecondDevice(ppm=-30, count_from=41_000, ticks_from=3_000_000)),
            channel=RadioChannel(loss=0.03, burst=2),
        ),
    ),
}


@pytest.mark.parametrize("boot", [True, False], ids=["boot", "no-boot"])
@pytest.mark.parametrize("name", DAYS)
def test_the_counts_of_a_day_are_its_truth(tmp_path: Path, name: str, boot: bool) -> None:
    wire, day = DAYS[name]
    root, truth = study_of(tmp_path / "study", day, replace(wire, boot=boot))
    assert_counts(root, truth)


@example(name="senders without a pace", boot=False, seed=44589)  # silent for a while at its end
@settings(deadline=None, max_examples=6)
@given(
    name=st.sampled_from(sorted(DAYS)),
    boot=st.booleans(),
    seed=st.integers(0, 2**32),
)
def test_the_counts_of_any_such_day_are_its_truth(name: str, boot: bool, seed: int) -> None:
    assume(boot or name != "bursts of late frames")  # they may begin with the first frame and last for long
    wire, day = DAYS[name]
    with TemporaryDirectory() as folder:
        plan_of_seed = day.model_copy(update={"seed": seed})
        paced = name != "senders without a pace"
        assert_counts(*study_of(Path(folder) / "study", plan_of_seed, replace(wire, boot=boot)), paced)


@settings(deadline=None, max_examples=60)
@given(
    seed=st.integers(0, 2**32), seconds=st.floats(0.1, 40), mixed=st.booleans(), flush=st.floats(0.001, 0.4)
)
def test_a_queue_keeps_its_order_and_nothing_goes_out_early(
    seed: int, seconds: float, mixed: bool, flush: float
) -> None:
    made = np.cumsum(np.random.default_rng(seed).uniform(0.01, 0.5, 200))
    away = float(made[50]), float(made[50]) + seconds
    sent = channel.queued(made, away, mixed, flush)
    waiting = (made >= away[0]) & (made < away[1])
    assert (sent >= made).all()
    assert (sent[waiting] >= away[1]).all()
    np.testing.assert_allclose(np.diff(sent[waiting]), flush)
    np.testing.assert_array_equal(sent[:50], made[:50])
    behind = sent[50:]
    if mixed:
        np.testing.assert_array_equal(sent[~waiting], made[~waiting])
    else:
        assert (np.diff(behind) > 0).all()


@pytest.mark.parametrize("read", ["after", "before"])
@pytest.mark.parametrize("rounding", ["up", "down", "nearest"])
@pytest.mark.parametrize("unit_ns", [1_000_000, 1_000_000_000])
def test_the_host_writes_its_marks_as_planned(tmp_path: Path, unit_ns: int, rounding: str, read: str) -> None:
    marks = HostMarks.model_validate({"rounding": rounding, "read": read})
    path = tmp_path / "day.yaml"
    path.write_text(Wire(1.0, ticks_hz=1000.0, mark_unit_ns=unit_ns).layout("day"))
    layout = load_layout(path)
    nodes = {0: Node(session="*", node="hub", address=0, placement="hub")}
    data, truth = simulate_session(plan(60, nodes_plan(), marks=marks), layout, nodes)
    kind = layout.stream("mark")
    frames_of = np.frombuffer(data, np.uint8).reshape(-1, layout.frame_bytes(kind))
    off_ns = decode_fields(frames_of, layout, kind)["utc"] * unit_ns - truth.streams["hub/mark"].utc_ns
    low, high = {"up": (0.0, 1.0), "down": (-1.0, 0.0), "nearest": (-0.5, 0.5)}[rounding]
    most_ns = 500_000_000  # a stall of the host, with room
    assert off_ns.min() >= low * unit_ns - (most_ns if read == "before" else 0) - 1
    assert off_ns.max() <= high * unit_ns + (most_ns if read == "after" else 0) + 1
    if unit_ns == 1_000_000:
        apart = off_ns - (low + high) / 2 * unit_ns
        assert (np.median(apart) > 0) == (read == "after")


def test_a_delayed_frame_that_comes_in_an_outage_is_the_hubs_loss(tmp_path: Path) -> None:
    wire = Wire(0.25, ticks_hz=1000.0, boot=True)
    away = (Away(node="one", at_min=1, seconds=40),)
    day = plan(4, nodes_plan(), away=away, outages=(Outage(at_min=1.5, minutes=0.25),))
    root, truth = study_of(tmp_path / "study", day, wire)
    stream = truth.streams["one/level"]
    due_s = (stream.utc_ns - truth.start_utc_ns) / 1e9
    assert (stream.cause[~stream.received] == GapCause.HUB_OUTAGE).all()
    assert ((due_s >= 60) & (due_s < 100) & ~stream.received).any()
    assert_counts(root, truth)


def test_pauses_need_frames_of_one_sample(tmp_path: Path) -> None:
    path = tmp_path / "day.yaml"
    path.write_text(Wire(1.0, ticks_hz=1000.0).layout("day").replace("samples: 1", "samples: 4"))
    nodes = {16: Node(session="*", node="one", address=16, placement="arm")}
    with pytest.raises(SettingsError, match="node one has pauses, but a frame of stream level has several"):
        simulate_session(plan(2, nodes_plan(pauses=Pauses(median_s=1))), load_layout(path), nodes)
