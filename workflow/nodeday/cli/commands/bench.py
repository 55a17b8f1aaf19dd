"""`nodeday bench`: nodes accepted and calibrated from a bench capture, before they are worn."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from nodeday.cli.arguments import add_cores, add_study
from nodeday.core.errors import CONTRACT, GOOD, ContractError, SettingsError

if TYPE_CHECKING:
    from nodeday.config.bench_plan import BenchPlan
    from nodeday.config.device_records import Record
    from nodeday.config.study import Study

HELP = "accept and calibrate nodes from a bench capture"
EXAMPLES = "nodeday bench config/bench.yaml\nnodeday bench --demo bench-study"
README = """What stands here is made by `nodeday bench` from a bench plan: the bench capture as a session.
"""


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the bench plan, or the demo's folder, the cores and the study."""
    parser.add_argument("plan", nargs="?", type=Path, metavar="PLAN", help="a bench plan")
    parser.add_argument("--demo", type=Path, metavar="DIR", help="a new demo study with a simulated bench")
    add_cores(parser)
    add_study(parser)


def run(options: argparse.Namespace) -> int:
    """Run a bench capture through the chain, check each node, file its record and a page with the study.

    Returns 3 where a node does not pass.
    """
    if (options.plan is None) == (options.demo is None):
        raise SettingsError(
            "gives no bench plan, or one as well as --demo", "nodeday bench", "PLAN, or --demo DIR"
        )
    if options.demo is None:
        return GOOD if _all_pass(options.study, options.plan, options.cores) else CONTRACT
    from nodeday.cli.init.folder import copy_settings
    from nodeday.core.paths import DEMO_CONFIG
    from nodeday.stages.simulate.bench import make_demo

    plan = options.demo / "config" / "bench.yaml"
    copy_settings(options.demo, DEMO_CONFIG, scenario=True)
    make_demo(options.demo, plan)
    print(f"A bench of five invented nodes, simulated, by the plan {plan}. One of them is not good enough.\n")
    _all_pass(options.demo, plan, options.cores)  # a node that fails is what the demo shows
    return GOOD


def _all_pass(root: Path, path: Path, cores: int) -> bool:
    """Run the bench of a plan, write its records and page, print them; return whether every node passed."""
    from nodeday.config import device_records
    from nodeday.config.bench_plan import load_bench
    from nodeday.config.study import Study
    from nodeday.core import html
    from nodeday.stages.devices import page, stage

    study, plan = Study(root), load_bench(path)
    bench = bench_study(study, plan, path)
    _run_chain(bench, plan.bench, path, cores)
    records = stage.run(bench, plan)
    folder = device_records.folder(study.root)
    files = [device_records.write(study.root, record) for record in records]
    target = folder / f"{plan.bench}-{plan.measured}.html"
    html.write(target, page.render(plan, records, study.file.title or study.file.study))
    print("\n".join(_lines(records)))
    print(f"\nRecords  {folder}/<node>-{plan.measured}.yaml ({len(files)}), which `nodeday run` picks up")
    print(f"Page     {target}")
    print(f"Session  {bench.results}/report/{plan.bench}.html")
    return all(record.verdict == "pass" for record in records)


def _run_chain(bench: Study, session: str, path: Path, cores: int) -> None:
    """Run the chain on the one session of a bench; raise NodedayError where it does not finish."""
    from nodeday.config import checks
    from nodeday.engine import snakemake_run
    from nodeday.engine.account import failure_file

    for problem in checks.problems(bench, session, captures=True):
        raise problem
    if not snakemake_run.run(bench.root.resolve(), [session], cores).finished:
        failure = failure_file(bench.results, session)
        sentence = failure.read_text(encoding="utf-8").strip() if failure.exists() else ""
        reason = sentence.removesuffix(".") or f"the chain stopped, see {bench.results / 'logs'}"
        raise ContractError(reason, f"bench plan {path}")


def bench_study(study: Study, plan: BenchPlan, path: Path) -> Study:
    """Return the study of one session that a bench is, in ``results/bench/``; write its settings anew."""
    import shutil

    from nodeday.config.study import Study
    from nodeday.config.writer import write_settings
    from nodeday.core import yaml_io

    root = study.results / "bench" / plan.bench
    config = root / "config"
    shutil.rmtree(config, ignore_errors=True)
    (config / "layouts").mkdir(parents=True)
    (root / "README").write_text(README)
    for name in _layouts(plan):
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
    write_settings(config, {"study.yaml": yaml_io.dump(settings), **_sheets(plan, path.parent)})
    return Study(root)


def _layouts(plan: BenchPlan) -> list[str]:
    return [name.strip() for name in plan.layout.split(";")]


def _sheets(plan: BenchPlan, folder: Path) -> dict[str, str]:
    """Return the sheets of a bench by name; paths of captures count from the plan's folder."""
    from nodeday.config.study import HUB
    from nodeday.config.writer import sheet

    captures = ";".join(str((folder / name.strip()).resolve()) for name in plan.captures.split(";"))
    session = {
        "session": plan.bench,
        "participant": "B01",
        "captures": captures,
        "layout": plan.layout,
        "start": plan.start,
    }
    hub = {
        "session": "*",
        "node": HUB,
        "address": plan.hub_address,
        "placement": HUB,
        "layout": _layouts(plan)[0],
    }
    nodes = (
        {
            "session": "*",
            "node": name,
            "address": node.address,
            "placement": "bench",
            "layout": node.layout,
        }
        for name, node in plan.nodes.items()
    )
    return {
        "participants.tsv": sheet("participants", [{"participant": "B01"}]),
        "sessions.tsv": sheet("sessions", [session]),
        "nodes.tsv": sheet("nodes", [hub, *nodes]),
        "events.tsv": sheet("events", []),
    }


def _lines(records: list[Record]) -> list[str]:
    """Return a line for each node, and one for each figure that is not as it should be."""
    lines = [f"{'node':<8} {'address':>7}  verdict"]
    for record in records:
        lines.append(f"{record.node:<8} {record.address:>7}  {record.verdict}")
        for check in record.checks:
            name = f"{check.check} of {check.of}" if check.of else check.check
            if check.outcome == "fail":
                value, limit = f"{check.value:g} {check.unit}", f"{check.limit:g}"
                lines.append(f"           {name} is {value}; the limit is {limit}")
            elif check.outcome == "not_measured":
                lines.append(f"           {name} was not measured: {check.note}")
    return lines
