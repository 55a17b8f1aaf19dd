"""`nodeday plan`: airtime, channel, battery, storage and loss of a session, before it is recorded."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from nodeday.cli.arguments import add_json, add_study
from nodeday.core.errors import GOOD

if TYPE_CHECKING:
    import pandas as pd

    from nodeday.config.study import Study
    from nodeday.stages.devices.describe import Simulated
    from nodeday.stages.devices.radio_plan import RadioPlan
    from nodeday.stages.simulate.scenario import RadioChannel

HELP = "airtime, channel, battery, storage and loss of a session"
EXAMPLES = "nodeday plan config/radio.yaml"
MINUTES, DRAWS = 10, 3
"""So many simulated minutes, through so many channels, take a few seconds."""
BEGIN = "2026-07-01T06:00:00.300000+00:00"
"""Off the whole second, and all nodes within 0.1 s, so that a lost first frame moves no epoch."""
COMPLETE = "whole"
"""The session without loss."""


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the plan, the form of the output, what may be left out, and the study."""
    parser.add_argument("plan", type=Path, metavar="PLAN", help="a radio and battery plan")
    add_json(parser)
    parser.add_argument("--no-loss", action="store_true", help="leave out the simulation of what loss costs")
    add_study(parser)


def run(options: argparse.Namespace) -> int:
    """Print a session's budget, and what its expected loss costs each feature."""
    import json

    from nodeday.layouts import load_layout
    from nodeday.stages.devices import describe
    from nodeday.stages.devices.budget import budget
    from nodeday.stages.devices.radio_plan import load_plan

    plan = load_plan(options.plan)
    layout = load_layout(options.study / "config" / "layouts" / f"{plan.layout}.yaml")
    planned = budget(plan, layout, str(options.plan))
    loss = planned.worst_loss
    burst = max(plan.loss.burst, loss / (1 - loss))
    simulated = None if options.no_loss or loss == 0 else _simulate(options.study, plan, loss, burst)
    if options.json:
        cost = None if simulated is None else _rows(simulated.cost)
        print(json.dumps({**planned.as_dict(), "cost": cost}, indent=2))
        return GOOD
    print(describe.text(plan, planned))
    if simulated is not None:
        print(f"\n{describe.simulated_text(plan, simulated)}")
    return GOOD


def _rows(cost: pd.DataFrame) -> list[dict[str, object]]:
    """Return the rows for programs; a missing value is null."""
    return [
        {str(key): None if value != value else value for key, value in row.items()}
        for row in cost.to_dict("records")
    ]


def _simulate(root: Path, plan: RadioPlan, loss: float, burst: float) -> Simulated:
    """Send one recording through the chain, without loss and through some lossy channels."""
    from tempfile import TemporaryDirectory

    from nodeday.stages.devices.budget import cost
    from nodeday.stages.devices.describe import Simulated
    from nodeday.stages.simulate.scenario import RadioChannel
    from nodeday.storage import tables

    channels = {COMPLETE: RadioChannel()}
    channels |= {f"draw{number}": RadioChannel(loss=loss, burst=burst) for number in range(DRAWS)}
    with TemporaryDirectory(prefix="nodeday-") as folder:
        study = _scratch_study(root, plan, Path(folder), list(channels))
        epochs = []
        for session, channel in channels.items():
            _run_session(study, plan, session, channel)
            epochs.append(tables.read(tables.path(study.results, "epochs", session), "epochs"))
        size = sum(file.stat().st_size for file in study.results.glob(f"*/session={COMPLETE}/*.parquet"))
    return Simulated(loss, burst, MINUTES, DRAWS, cost(epochs[0], epochs[1:]), size * 60 / MINUTES)


def _scratch_study(root: Path, plan: RadioPlan, folder: Path, sessions: list[str]) -> Study:
    """Make a study in ``folder`` with the settings of the one at ``root`` and the plan's nodes."""
    import shutil

    from nodeday.config.models import StudyFile
    from nodeday.config.study import HUB, Study
    from nodeday.config.writer import sheet, write_settings
    from nodeday.core import yaml_io

    config = folder / "config"
    yaml_io.load(root / "config" / "study.yaml", StudyFile)  # a complaint names the study's own file
    (config / "layouts").mkdir(parents=True)
    shutil.copy(root / "config" / "study.yaml", config)
    shutil.copy(root / "config" / "layouts" / f"{plan.layout}.yaml", config / "layouts")
    hub = {"session": "*", "node": HUB, "address": 0, "placement": HUB}
    files = {
        "participants.tsv": sheet(
            "participants", [{"participant": "P1", "age_years": 40, "resting_bpm": 60}]
        ),
        "sessions.tsv": sheet(
            "sessions",
            (
                {
                    "session": name,
                    "participant": "P1",
                    "captures": f"captures/{name}.bin",
                    "layout": plan.layout,
                    "start": BEGIN,
                }
                for name in sessions
            ),
        ),
        "nodes.tsv": sheet(
            "nodes",
            [
                hub,
                *(
                    hub | {"node": name, "address": address, "placement": node.placement}
                    for address, (name, node) in enumerate(plan.nodes.items(), start=1)
                ),
            ],
        ),
        "events.tsv": sheet("events", []),
    }
    write_settings(config, files)
    return Study(folder)


def _run_session(study: Study, plan: RadioPlan, session: str, channel: RadioChannel) -> None:
    """Simulate one session and run the chain on it, up to its features.

    All sessions have one seed, and so the same signals. Their hubs have different names, and so their
    channels lose different frames.
    """
    import importlib
    from datetime import datetime

    from nodeday.stages.simulate.scenario import NodePlan, PlannedPhase, SessionPlan
    from nodeday.stages.simulate.session import simulate_session
    from nodeday.stages.simulate.stage import write

    session_plan = SessionPlan(
        name=session,
        hub=session,
        seed=1,
        start=datetime.fromisoformat(BEGIN),
        stagger_s=0.1,
        phases=(
            PlannedPhase(phase="rest", minutes=MINUTES / 2, bpm=65),
            PlannedPhase(phase="walk", minutes=MINUTES / 2, bpm=105, gait=0.8),
        ),
        nodes={name: NodePlan(streams=node.streams) for name, node in plan.nodes.items()},
        channel=channel,
    )
    data, truth = simulate_session(session_plan, study.layout_of(session), study.nodes_of(session))
    write(study.root, session, data, truth)
    from nodeday.engine.stages import CHAIN

    for stage in CHAIN:
        importlib.import_module(f"nodeday.stages.{stage}.stage").run(study, session)
