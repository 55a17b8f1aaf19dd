"""Commands of the days before the day: the bench, and the budget of a session."""

from __future__ import annotations

import argparse
import shutil
from pathlib import Path
from typing import TYPE_CHECKING

import yaml

from nodeday.errors import CONTRACT, GOOD, ContractError, SettingsError
from nodeday.home import DEMO_CONFIG

if TYPE_CHECKING:
    from nodeday.benchfile import BenchPlan
    from nodeday.calibration import Record
    from nodeday.settings import Study

BENCH = """What stands here is made by `nodeday bench` from a bench plan: the bench capture as a session.
"""


def bench(options: argparse.Namespace) -> int:
    """Run a bench capture through the chain, judge each node, file records and a page with the study;
    3 where a node does not pass."""
    if (options.plan is None) == (options.demo is None):
        raise SettingsError(
            "gives no bench plan, or one beside --demo", "nodeday bench", "PLAN, or --demo DIR"
        )
    if options.demo is None:
        return CONTRACT if _bench(options.study, options.plan, options.cores) else GOOD
    from nodeday.commands import lay_out
    from nodeday.simulate.bench import make_demo

    plan = options.demo / "config" / "bench.yaml"
    lay_out(options.demo, DEMO_CONFIG, scenario=True)
    make_demo(options.demo, plan)
    print(f"A bench of five invented nodes, simulated, by the plan {plan}. One of them is not good enough.\n")
    _bench(options.demo, plan, options.cores)  # what it finds is what the demo is to show
    return GOOD


def _bench(root: Path, path: Path, cores: int) -> bool:
    """Whether a node did not pass."""
    from nodeday import calibration, engine, page
    from nodeday.benchfile import load_bench
    from nodeday.devices import page as bench_page
    from nodeday.devices.room import run
    from nodeday.settings import Study

    study, plan = Study(root), load_bench(path)
    own = lay_bench(study, plan, path)
    for problem in own.problems(plan.bench):
        raise problem
    if not engine.run(own.root.resolve(), [plan.bench], cores):
        failed = own.results / "failed" / f"{plan.bench}.txt"
        said = failed.read_text(encoding="utf-8").strip() if failed.exists() else ""
        raise ContractError(said or "the bench capture stopped in the chain", str(own.results / "logs"))
    records = run(own, plan)
    folder = calibration.folder(study.root)
    files = [calibration.write(study.root, record) for record in records]
    target = folder / f"{plan.bench}-{plan.measured}.html"
    page.write(target, bench_page.render(plan, records, study.file.title or study.file.study))
    print(_said(records))
    print(f"\nRecords  {folder}/<node>-{plan.measured}.yaml ({len(files)}), which `nodeday run` picks up")
    print(f"Page     {target}")
    print(f"Session  {own.results}/report/{plan.bench}.html")
    return any(record.verdict != "pass" for record in records)


def lay_bench(study: Study, plan: BenchPlan, path: Path) -> Study:
    """The study of one session that a bench is, in ``results/bench/``; its settings are written anew."""
    from nodeday.settings import HUB, Study

    root = study.results / "bench" / plan.bench
    config = root / "config"
    shutil.rmtree(config, ignore_errors=True)
    (config / "layouts").mkdir(parents=True)
    (root / "README").write_text(BENCH)
    for name in (name.strip() for name in plan.layout.split(";")):
        layout = study.root / "config" / "layouts" / f"{name}.yaml"
        if not layout.is_file():
            raise SettingsError(f"names layout {name}", str(path), f"a file {layout}")
        shutil.copy(layout, config / "layouts")
    settings = {"study": "bench", "title": f"Bench {plan.bench}", "zone": study.file.zone,
                "limits": {"min_hours": 0.0}}  # fmt: skip
    (config / "study.yaml").write_text(yaml.safe_dump(settings, sort_keys=False))
    captures = ";".join(str((path.parent / name.strip()).resolve()) for name in plan.captures.split(";"))
    nodes = [("*", HUB, plan.hub_address, HUB, plan.layout.split(";")[0].strip())]
    nodes += [("*", name, each.address, "bench", each.layout or "") for name, each in plan.nodes.items()]
    session = (plan.bench, "B01", captures, plan.layout, plan.start.isoformat())
    for name, header, rows in (
        ("participants", ("participant",), [("B01",)]),
        ("sessions", ("session", "participant", "captures", "layout", "start"), [session]),
        ("nodes", ("session", "node", "address", "placement", "layout"), nodes),
        ("events", ("session", "phase", "start", "end"), []),
    ):
        lines = ["\t".join(map(str, row)) for row in (header, *rows)]
        (config / f"{name}.tsv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    return Study(root)


def _said(records: list[Record]) -> str:
    """A line for each node, and one for each figure that is not as it should be."""
    out = [f"{'node':<8} {'address':>7}  verdict"]
    for record in records:
        out.append(f"{record.node:<8} {record.address:>7}  {record.verdict}")
        for check in record.checks:
            of = f" of {check.of}" if check.of else ""
            if check.outcome == "fail":
                out.append(f"           {check.check}{of} is {check.value:g} {check.unit}; "
                           f"the limit is {check.limit:g}")  # fmt: skip
            elif check.outcome == "not_measured":
                out.append(f"           {check.check}{of} was not measured: {check.note}")
    return "\n".join(out)
