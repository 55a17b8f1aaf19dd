"""The rules of the house: who may import whom, how long a piece may be, how cheap a start is."""

from __future__ import annotations

import ast
import re
import subprocess
import sys
from collections.abc import Iterator

import pytest
from conftest import ROOT

PACKAGE = ROOT / "workflow" / "nodeday"
MODULES = sorted([*PACKAGE.rglob("*.py"), *(ROOT / "schemas").glob("*.py")])
STAGES = sorted(path.parent.name for path in PACKAGE.glob("*/stage.py"))
# They call the stages; nothing else does.
DRIVERS = {"cli.py", "commands.py", "commands_audit.py", "commands_dataset.py", "preparing.py", "__main__.py"}
BEFORE_THE_DAY = {"devices"}  # no part of the chain; commands of their own call it
MAX_MODULE, MAX_FUNCTION = 320, 56


def imported(tree: ast.AST, package: list[str]) -> Iterator[str]:
    """Every module that ``tree`` imports, dotted and absolute, also inside functions."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            base = package[: len(package) - node.level + 1] if node.level else []
            origin = ".".join([*base, *([node.module] if node.module else [])])
            yield from (f"{origin}.{alias.name}" for alias in node.names)


def stages_behind(source: str, package: list[str]) -> set[str]:
    names = [name.split(".") for name in imported(ast.parse(source), package)]
    return {parts[1] for parts in names if parts[0] == "nodeday" and len(parts) > 1 and parts[1] in STAGES}


@pytest.mark.parametrize(
    ("source", "found"),
    [
        ("import nodeday.stages.loss.stage", {"loss"}),
        ("from nodeday.stages.loss.stage import run", {"loss"}),
        ("from nodeday import loss", {"loss"}),
        ("def f():\n    from ..loss import stage", {"loss"}),
        ("from .. import loss", {"loss"}),
        ("from nodeday import tables\nfrom . import fit\nimport numpy", {"clock"}),
    ],
)
def test_the_search_for_imports_sees_every_form(source: str, found: set[str]) -> None:
    assert stages_behind(source, ["nodeday", "clock"]) == found


def test_no_stage_imports_another_stage() -> None:
    assert {"frames", "loss", "clock", "repair", "features", "study", "report", "simulate"} <= set(STAGES)
    wrong = []
    for path in PACKAGE.rglob("*.py"):
        inside = path.relative_to(PACKAGE).parts
        own = inside[0]
        others = stages_behind(path.read_text(), ["nodeday", *inside[:-1]]) - {own}
        if others and own not in DRIVERS:
            wrong.append(f"{path.relative_to(ROOT)} imports {', '.join(sorted(others))}")
    assert not wrong


def test_contracts_import_nothing_of_the_package() -> None:
    for path in (ROOT / "schemas").glob("*.py"):
        names = list(imported(ast.parse(path.read_text()), ["nodeday", "schemas"]))
        strangers = [n for n in names if n.startswith("nodeday.") and not n.startswith("nodeday.schemas.")]
        assert not strangers, path.name


def test_modules_and_functions_stay_short() -> None:
    wrong = []
    for path in MODULES:
        text = path.read_text()
        lines = len(text.splitlines())
        if lines >= MAX_MODULE:
            wrong.append(f"{path.relative_to(ROOT)}: {lines} lines")
        for node in ast.walk(ast.parse(text)):
            if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
                lines = (node.end_lineno or node.lineno) - node.lineno + 1
                if lines >= MAX_FUNCTION:
                    wrong.append(f"{path.relative_to(ROOT)}: {node.name} has {lines} lines")
    assert not wrong


def test_every_module_says_what_it_is_for() -> None:
    silent = [
        str(path.relative_to(ROOT))
        for path in MODULES
        if path.name != "__main__.py"
        and path.read_text().strip()
        and not ast.get_docstring(ast.parse(path.read_text()))
    ]
    assert not silent


def test_help_imports_nothing_heavy() -> None:
    program = """
import sys
from nodeday.cli.main import main
try:
    main(["--help"])
except SystemExit as end:
    assert end.code == 0, end.code
heavy = {"numpy", "pandas", "scipy", "pyarrow", "pandera", "matplotlib", "snakemake", "pydantic"}
print("heavy:", sorted(heavy & set(sys.modules)))
"""
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert "no diagnosis, no alarm, no medical device" in done.stdout
    assert done.stdout.splitlines()[-1] == "heavy: []"


def test_every_stage_has_a_rule_a_test_and_a_package() -> None:
    missing = []
    packaged = (ROOT / "pyproject.toml").read_text()
    chain = (ROOT / "Snakefile").read_text()
    for stage in STAGES:
        rule, test = ROOT / "workflow" / "rules" / f"{stage}.smk", ROOT / "tests" / f"test_{stage}.py"
        for path in [test] if stage in BEFORE_THE_DAY else [rule, test]:
            if not path.exists():
                missing.append(str(path.relative_to(ROOT)))
        if f'"nodeday.{stage}"' not in packaged:
            missing.append(f"nodeday.{stage} in pyproject.toml")
        if stage not in BEFORE_THE_DAY and f'include: "workflow/rules/{stage}.smk"' not in chain:
            missing.append(f"{stage}.smk in the Snakefile")
    assert not missing


def test_a_cluster_gets_a_submission_for_each_session() -> None:
    """Every rule of one session belongs to its group and asks for what its captures need; pages wait for
    the study's tables, so they are submissions of their own."""
    for path in (ROOT / "workflow" / "rules").glob("*.smk"):
        for rule in re.split(r"(?m)^\s*rule (?=\w+:)", path.read_text())[1:]:
            of_session = "{wildcards.session}" in rule and not rule.startswith("report:")
            needs = {name for name in ("group:\n", '"session"', "**session_needs(study)") if name in rule}
            assert len(needs) == 3 * of_session, (path.name, rule.split(":")[0])
