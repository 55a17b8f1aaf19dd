"""Commands of the days before the day: the bench, and the budget of a session."""

from __future__ import annotations

import argparse
import importlib
import json
import shutil
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING

import yaml

from nodeday.core.errors import CONTRACT, GOOD, ContractError, SettingsError
from nodeday.core.paths import DEMO_CONFIG

if TYPE_CHECKING:
    import pandas as pd

    from nodeday.config.bench_plan import BenchPlan
    from nodeday.config.device_records import Record
    from nodeday.config.study import Study
    from nodeday.stages.devices.describe import Simulated
    from nodeday.stages.devices.radio_plan import RadioPlan
    from nodeday.stages.simulate.scenario import RadioChannel

BENCH = """What stands here is made by `nodeday bench` from a bench plan: the bench capture as a session.
"""


def bench(options: argparse.Namespace) -> int:
    """Run a bench capture through the chain, judge each node, file records and a page with the study;
    3 where a node does not pass.
    """
    if (options.plan is None) == (options.demo is None):
        raise SettingsError(
            "gives no bench plan, or one beside --demo", "nodeday bench", "PLAN, or --demo DIR"
        )
    if options.demo is None:
        return CONTRACT if _bench(options.study, options.plan, options.cores) else GOOD
    from nodeday.cli.commands.basic import lay_out
    from nodeday.stages.simulate.bench import make_demo

    plan = options.demo / "config" / "bench.yaml"
    lay_out(options.demo, DEMO_CONFIG, scenario=True)
    make_demo(options.demo, plan)
    print(f"A bench of five invented nodes, simulated, by the plan {plan}. One of them is not good enough.\n")
    _bench(options.demo, plan, options.cores)  # what it finds is what the demo is to show
    return GOOD


def _bench(root: Path, path: Path, cores: int) -> bool:
    """Whether a node did not pass."""
    from nodeday.config import checks, device_records
    from nodeday.config.bench_plan import load_bench
    from nodeday.config.study import Study
    from nodeday.core import html
    from nodeday.engine import snakemake_run
    from nodeday.stages.devices import page as bench_page
    from nodeday.stages.devices.stage import run

    study, plan = Study(root), load_bench(path)
    own = lay_bench(study, plan, path)
    for problem in checks.problems(own, plan.bench):
        raise problem
    if not snakemake_run.run(own.root.resolve(), [plan.bench], cores).finished:
        failed = own.results / "failed" / f"{plan.bench}.txt"
        said = failed.read_text(encoding="utf-8").strip() if failed.exists() else ""
        why = said.removesuffix(".") or f"the chain stopped, see {own.results / 'logs'}"
        raise ContractError(why, f"bench plan {path}")
    records = run(own, plan)
    folder = device_records.folder(study.root)
    files = [device_records.write(study.root, record) for record in records]
    target = folder / f"{plan.bench}-{plan.measured}.html"
    html.write(target, bench_page.render(plan, records, study.file.title or study.file.study))
    print(_said(records))
    print(f"\nRecords  {folder}/<node>-{plan.measured}.yaml ({len(files)}), which `nodeday run` picks up")
    print(f"Page     {target}")
    print(f"Session  {own.results}/report/{plan.bench}.html")
    return any(record.verdict != "pass" for record in records)


def lay_bench(study: Study, plan: BenchPlan, path: Path) -> Study:
    """The study of one session that a bench is, in ``results/bench/``; its settings are written anew."""
    from nodeday.config.study import HUB, Study

    root = study.results / "bench" / plan.bench
    config = root / "config"
    shutil.rmtree(config, ignore_errors=True)
    (config / "layouts").mkdir(parents=True)
    (root / "README").write_text(BENCH)
    for name in (name.strip() for name in plan.layout.split(";")):
        layout = study.root / "config" / "layouts" / f"{name}.yaml"
        if not layout.is_file():
            raise SettingsError(f"names layout {name}", str(path), f"a file {layout}")
        shutil.copy2(layout, config / "layouts")
    settings = {
        "study": "bench",
        "title": f"Bench {plan.bench}",
        "zone": study.file.zone,
        "limits": {"min_hours": 0.0},
    }
    (config / "study.yaml").write_text(yaml.safe_dump(settings, sort_keys=False))
    captures = ";".join(str((path.parent / name.strip()).resolve()) for name in plan.captures.split(";"))
    nodes = [("*", HUB, plan.hub_address, HUB, plan.layout.split(";")[0].strip())]
    nodes += [("*", name, each.address, "bench", each.layout or "") for name, each in plan.nodes.items()]
    session = (plan.bench, "B01", captures, plan.layout, plan.start.isoformat())
    _sheets(
        config,
        {
            "participants": [("participant",), ("B01",)],
            "sessions": [("session", "participant", "captures", "layout", "start"), session],
            "nodes": [("session", "node", "address", "placement", "layout"), *nodes],
            "events": [("session", "phase", "start", "end")],
        },
    )
    return Study(root)


def _sheets(config: Path, sheets: Mapping[str, Sequence[Sequence[object]]]) -> None:
    for name, rows in sheets.items():
        lines = ["\t".join(map(str, row)) for row in rows]
        (config / f"{name}.tsv").write_text("\n".join(lines) + "\n", encoding="utf-8")


def _said(records: list[Record]) -> str:
    """A line for each node, and one for each figure that is not as it should be."""
    out = [f"{'node':<8} {'address':>7}  verdict"]
    for record in records:
        out.append(f"{record.node:<8} {record.address:>7}  {record.verdict}")
        for check in record.checks:
            of = f" of {check.of}" if check.of else ""
            if check.outcome == "fail":
                out.append(
                    f"           {check.check}{of} is {check.value:g} {check.unit}; "
                    f"the limit is {check.limit:g}"
                )
            elif check.outcome == "not_measured":
                out.append(f"           {check.check}{of} was not measured: {check.note}")
    return "\n".join(out)


MINUTES, DRAWS = 10, 3
"""So many simulated minutes, through so many channels, take a few seconds."""
BEGIN = datetime(2026, 7, 1, 6, 0, 0, 300_000, tzinfo=UTC)
"""Off the whole second, and all nodes within 0.1 s, so that a lost first frame moves no epoch."""


def plan(options: argparse.Namespace) -> int:
    """Print a session's budget, and what its expected loss costs each feature."""
    from nodeday.layouts import load_layout
    from nodeday.stages.devices import describe
    from nodeday.stages.devices.budget import budget
    from nodeday.stages.devices.radio_plan import load_plan

    own = load_plan(options.plan)
    layout = load_layout(options.study / "config" / "layouts" / f"{own.layout}.yaml")
    found = budget(own, layout, str(options.plan))
    loss, burst = found.worst_loss, max(own.loss.burst, found.worst_loss / (1 - found.worst_loss))
    run = None if options.no_loss or loss == 0 else _simulate(options.study, own, loss, burst)
    if options.json:
        print(json.dumps({**found.as_dict(), "cost": None if run is None else _rows(run.cost)}, indent=2))
        return GOOD
    print(describe.text(own, found))
    if run is not None:
        print(f"\n{describe.simulated_text(own, run)}")
    return GOOD


def _rows(cost: pd.DataFrame) -> list[dict[str, object]]:
    """For programs; what is not there is null."""
    return [
        {str(key): None if value != value else value for key, value in row.items()}
        for row in cost.to_dict("records")
    ]


def _simulate(root: Path, plan: RadioPlan, loss: float, burst: float) -> Simulated:
    """The same minutes through the chain without loss and through some lossy channels."""
    from nodeday.stages.devices.budget import cost
    from nodeday.stages.devices.describe import Simulated
    from nodeday.stages.simulate.scenario import RadioChannel
    from nodeday.storage import tables

    channels = {"whole": RadioChannel()}
    channels |= {f"draw{n}": RadioChannel(loss=loss, burst=burst) for n in range(DRAWS)}
    with TemporaryDirectory(prefix="nodeday-") as folder:
        study = _what_if(root, plan, Path(folder), list(channels))
        epochs = []
        for session, channel in channels.items():
            _session(study, plan, session, channel)
            epochs.append(tables.read(tables.path(study.results, "epochs", session), "epochs"))
        size = sum(file.stat().st_size for file in study.results.glob("*/session=whole/*.parquet"))
    return Simulated(loss, burst, MINUTES, DRAWS, cost(epochs[0], epochs[1:]), size * 60 / MINUTES)


def _what_if(root: Path, plan: RadioPlan, folder: Path, sessions: list[str]) -> Study:
    """A study with the settings of the one at ``root`` and the plan's nodes."""
    from nodeday.config.models import StudyFile
    from nodeday.config.study import HUB, Study
    from nodeday.core import yaml_io

    config = folder / "config"
    yaml_io.load(root / "config" / "study.yaml", StudyFile)  # a complaint names the study's own file
    (config / "layouts").mkdir(parents=True)
    shutil.copy(root / "config" / "study.yaml", config)
    shutil.copy(root / "config" / "layouts" / f"{plan.layout}.yaml", config / "layouts")
    nodes = [("*", HUB, 0, HUB)]
    nodes += [("*", name, at, node.placement) for at, (name, node) in enumerate(plan.nodes.items(), start=1)]
    _sheets(
        config,
        {
            "participants": [("participant", "age_years", "resting_bpm"), ("P1", 40, 60)],
            "sessions": [
                ("session", "participant", "captures", "layout", "start"),
                *((name, "P1", f"captures/{name}.bin", plan.layout, BEGIN.isoformat()) for name in sessions),
            ],
            "nodes": [("session", "node", "address", "placement"), *nodes],
            "events": [("session", "phase", "start", "end")],
        },
    )
    return Study(folder)


def _session(study: Study, plan: RadioPlan, session: str, channel: RadioChannel) -> None:
    """One session, simulated and sent through the chain up to its features. All sessions have the same
    seed, and so the same signals; their hubs differ, and so does their luck.
    """
    from nodeday.stages.simulate.scenario import NodePlan, PlannedPhase, SessionPlan
    from nodeday.stages.simulate.session import simulate_session
    from nodeday.stages.simulate.stage import write

    own = SessionPlan(
        name=session,
        hub=session,
        seed=1,
        start=BEGIN,
        stagger_s=0.1,
        phases=(
            PlannedPhase(phase="rest", minutes=MINUTES / 2, bpm=65),
            PlannedPhase(phase="walk", minutes=MINUTES / 2, bpm=105, gait=0.8),
        ),
        nodes={name: NodePlan(streams=node.streams) for name, node in plan.nodes.items()},
        channel=channel,
    )
    data, truth = simulate_session(own, study.layout_of(session), study.nodes_of(session))
    write(study.root, session, data, truth)
    for stage in ("frames", "loss", "clock", "repair", "features"):
        importlib.import_module(f"nodeday.stages.{stage}.stage").run(study, session)
