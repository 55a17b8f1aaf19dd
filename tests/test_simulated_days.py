"""Simulated days on which frames wait, come late, keep no pace or share an address, held to their truth."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from captures import Wire
from hypothesis import given, settings
from hypothesis import strategies as st

from nodeday.cli.main import main
from nodeday.config.models import Node
from nodeday.config.study import Study
from nodeday.core.errors import GOOD, SettingsError
from nodeday.layouts import decode_fields, load_layout
from nodeday.schemas.numbers import GapCause
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


def assert_counts(root: Path, truth: Truth) -> None:
    """Assert that the tables of frames and gaps equal the truth, and that nothing is rejected."""
    results = Study(root).results
    found = frames.table(results, "S1")
    gaps = tables.read(tables.path(results, "gaps", "S1"), "gaps")
    assert tables.read(tables.path(results, "rejects", "S1"), "rejects").empty
    for key, stream in truth.streams.items():
        node, name = key.split("/")
        rows = found[(found["node"] == node) & (found["stream"] == name)]
        copies = rows["status"].isin(SECOND_COPIES)
        own = gaps[(gaps["node"] == node) & (gaps["stream"] == name)]
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
        plan(8, nodes_plan(), away=tuple(Away(node="one", at_min=1 + k, seconds=5 * k + 1) for k in range(6))),
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
