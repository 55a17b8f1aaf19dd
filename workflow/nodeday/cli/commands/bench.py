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

    import yaml

    from nodeday.config.study import Study

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
    (config / "study.yaml").write_text(yaml.safe_dump(settings, sort_keys=False))
    for name, text in _sheets(plan, path.parent).items():
        (config / name).write_text(text, encoding="utf-8")
    return Study(root)


def _layouts(plan: BenchPlan) -> list[str]:
    return [name.strip() for name in plan.layout.split(";")]


def _sheets(plan: BenchPlan, folder: Path) -> dict[str, str]:
    """Return the sheets of a bench by name; paths of captures count from the plan's folder."""
    from nodeday.cli.init.texts import sheet
    from nodeday.config.study import HUB

    captures = ";".join(str((folder / name.strip()).resolve()) for name in plan.captures.split(";"))
    nodes = [(name, node.address, "bench", node.layout or "") for name, node in plan.nodes.items()]
    return {
        "participants.tsv": sheet(("participant",), ("B01",)),
        "sessions.tsv": sheet(
            ("session", "participant", "captures", "layout", "start"),
            (plan.bench, "B01", captures, plan.layout, plan.start.isoformat()),
        ),
        "nodes.tsv": sheet(
            ("session", "node", "address", "placement", "layout"),
            ("*", HUB, plan.hub_address, HUB, _layouts(plan)[0]),
            *(("*", *node) for node in nodes),
        ),
        "events.tsv": sheet(("session", "phase", "start", "end")),
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
