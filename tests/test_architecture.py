"""The eight layers: which package may import which, how long a piece may be, how cheap a start is."""

from __future__ import annotations

import ast
import re
import subprocess
import sys
import tomllib
from collections import defaultdict
from fnmatch import fnmatch
from pathlib import Path

import pytest
from conftest import ROOT

from nodeday.engine import digests, imports
from nodeday.engine.stages import STAGES

PACKAGE = ROOT / "workflow" / "nodeday"
LAYERS = {
    "schemas": 0,
    "core": 1,
    "layouts": 2,
    "storage": 3,
    "config": 4,
    "engine": 5,
    "stages": 5,
    "products": 6,
    "cli": 7,
}
"""A package imports only from layers below its own: the first part of a module's name, and its layer."""
ROOT_MODULES = {"nodeday", "nodeday.__main__"}
BEFORE_THE_DAY = "devices"
"""A stage that is no part of the chain; commands of its own call it."""
MAX_MODULE, MAX_FUNCTION = 320, 55

KNOWN = imports.modules()
IMPORTS = {name: imports.imports_of(name, path.read_bytes(), KNOWN) for name, path in KNOWN.items()}
TREES = {name: ast.parse(path.read_bytes()) for name, path in KNOWN.items()}


def unit(module: str) -> tuple[str, ...]:
    """The package of a module, or its stage: ``("core",)``, ``("stages", "clock")``."""
    parts = module.split(".")[1:]
    return tuple(parts[: 2 if parts[0] == "stages" else 1])


def forbidden(importer: str, imported: str) -> bool:
    """Whether an import runs up, or sideways between packages or stages."""
    if importer in ROOT_MODULES or imported == "nodeday":
        return importer == "nodeday" and importer != imported
    one, other = unit(importer), unit(imported)
    return one != other and LAYERS[other[0]] >= LAYERS[one[0]] and other != ("stages",)


# --- who imports whom ----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("importer", "imported", "wrong"),
    [
        ("core.csv_io", "core.atomic", False),
        ("core.csv_io", "schemas.tables", False),
        ("core.csv_io", "storage.tables", True),
        ("engine.digests", "stages.clock.stage", True),
        ("stages.clock.stage", "engine.digests", True),
        ("stages.clock.stage", "stages.clock.edge", False),
        ("stages.clock.stage", "stages.loss.stage", True),
        ("stages.clock.stage", "config.study", False),
        ("config.study", "stages.clock.stage", True),
        ("products.audit.prove", "products.export.manifest", False),
        ("products.audit.prove", "engine.stages", False),
        ("products.audit.prove", "cli.main", True),
        ("schemas.tables", "core.errors", True),
        ("cli.main", "products.audit.prove", False),
    ],
)
def test_arrows_up_are_forbidden(importer: str, imported: str, wrong: bool) -> None:
    assert forbidden(f"nodeday.{importer}", f"nodeday.{imported}") == wrong
    assert not forbidden(f"nodeday.{importer}", "nodeday")


def test_every_module_belongs_to_a_layer() -> None:
    assert {unit(name)[0] for name in KNOWN.keys() - ROOT_MODULES} == LAYERS.keys()


def test_a_package_imports_only_from_layers_below_its_own() -> None:
    """Late imports, modules named in strings and imports for types alone included."""
    wrong = [
        f"{importer} imports {imported}"
        for importer, found in IMPORTS.items()
        for imported in sorted(found)
        if forbidden(importer, imported)
    ]
    assert not wrong, "\n".join(wrong)


def test_no_modules_import_one_another_in_a_circle() -> None:
    reached = {name: below(name) for name in KNOWN}
    circles = {
        tuple(sorted({name, *(other for other in reached[name] if name in reached[other])}))
        for name in KNOWN
        if name in reached[name]
    }
    assert not circles, "\n".join(" <-> ".join(circle) for circle in sorted(circles))


def below(name: str) -> set[str]:
    """All modules that can be reached from ``name`` by imports; itself only where it is in a circle."""
    reached: set[str] = set()
    waiting = list(IMPORTS[name])
    while waiting:
        module = waiting.pop()
        if module not in reached:
            reached.add(module)
            waiting += IMPORTS[module]
    return reached


def test_contracts_need_the_standard_library_alone() -> None:
    """All but the module that compiles them for pandas, Arrow and pandera."""
    for name, tree in TREES.items():
        if name.startswith("nodeday.schemas") and name.rpartition(".")[2] != "compile":
            for node in ast.walk(tree):
                names = [alias.name for alias in node.names] if isinstance(node, ast.Import) else []
                names += [str(node.module)] if isinstance(node, ast.ImportFrom) else []
                tops = {each.split(".")[0] for each in names}
                assert tops <= sys.stdlib_module_names | {"nodeday"}, name


# --- size, names and words -----------------------------------------------------------------


def test_modules_and_functions_stay_short() -> None:
    wrong = []
    for name, path in KNOWN.items():
        lines = len(path.read_text().splitlines())
        if lines > MAX_MODULE:
            wrong.append(f"{name}: {lines} lines")
        for node in ast.walk(TREES[name]):
            if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
                lines = (node.end_lineno or node.lineno) - node.lineno + 1
                if lines > MAX_FUNCTION:
                    wrong.append(f"{name}: {node.name} has {lines} lines")
    assert not wrong, "\n".join(wrong)


def test_every_module_has_a_docstring() -> None:
    without = [
        name for name, tree in TREES.items() if name != "nodeday.__main__" and not ast.get_docstring(tree)
    ]
    assert not without


def test_no_two_public_classes_have_one_name() -> None:
    """A name never means two things."""
    modules = defaultdict(list)
    for name, tree in TREES.items():
        for node in ast.walk(tree):
            if isinstance(node, ast.ClassDef) and not node.name.startswith("_"):
                modules[node.name].append(name)
    twins = {name: found for name, found in modules.items() if len(found) > 1}
    assert not twins


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


# --- stages, rules and packaging -----------------------------------------------------------


def test_every_stage_has_a_rule_a_test_and_its_modules() -> None:
    folders = {path.parent.name for path in (PACKAGE / "stages").glob("*/__init__.py")}
    assert folders - {BEFORE_THE_DAY} == STAGES.keys() & folders
    chain = (ROOT / "Snakefile").read_text()
    missing = []
    for stage in folders:
        files = [PACKAGE / "stages" / stage / "stage.py", ROOT / "tests" / f"test_{stage}.py"]
        if stage != BEFORE_THE_DAY:
            files.append(ROOT / "workflow" / "rules" / f"{stage}.smk")
            if f'include: "workflow/rules/{stage}.smk"' not in chain:
                missing.append(f"{stage}.smk in the Snakefile")
        missing += [str(path.relative_to(ROOT)) for path in files if not path.exists()]
    missing += [name for each in STAGES.values() for name in each.modules if f"nodeday.{name}" not in KNOWN]
    assert not missing


def test_the_wheel_holds_every_package_and_its_data() -> None:
    setup = tomllib.loads((ROOT / "pyproject.toml").read_text())["tool"]["setuptools"]
    packages = {name: path.parent for name, path in KNOWN.items() if path.name == "__init__.py"}
    assert sorted(setup["packages"]) == sorted(packages)
    for name, folder in packages.items():
        for path in folder.iterdir():
            if path.suffix in digests.DATA:
                assert any(fnmatch(path.name, each) for each in setup["package-data"].get(name, ())), path
    shared = [pattern for patterns in setup["data-files"].values() for pattern in patterns]
    for path in [
        ROOT / "Snakefile",
        *(ROOT / "workflow").glob("rules/*"),
        *(ROOT / "workflow").glob("profiles/*/*"),
    ]:
        assert any(fnmatch(str(path.relative_to(ROOT)), each) for each in shared), path


def test_a_cluster_gets_a_submission_for_each_session() -> None:
    """Every rule of one session belongs to its group and asks for what its captures need; pages wait for
    the study's tables, so they are submissions of their own."""
    for path in (ROOT / "workflow" / "rules").glob("*.smk"):
        for rule in re.split(r"(?m)^\s*rule (?=\w+:)", path.read_text())[1:]:
            of_session = "{wildcards.session}" in rule and not rule.startswith("report:")
            needs = {name for name in ("group:\n", '"session"', "**session_needs(study)") if name in rule}
            assert len(needs) == 3 * of_session, (path.name, rule.split(":")[0])


def test_logs_and_benchmarks_of_a_run_are_no_results() -> None:
    """They differ from run to run, so manifest, package and verification leave them out."""
    from nodeday.storage import inventory

    named = {
        Path(found).parts[1]
        for rule in (ROOT / "workflow" / "rules").glob("*.smk")
        for found in re.findall(r'"(results/(?:logs|benchmarks)/[^"]+)"', rule.read_text())
    }
    assert named == {"logs", "benchmarks"} <= set(inventory.UNSEALED)


def test_every_step_in_the_developers_page_exists() -> None:
    """Rows of the table name a module and a function, or a class and its method."""
    rows = re.findall(r"\| `([\w/]+\.py)` \| `([\w.]+)` \|", (ROOT / "DEVELOPERS.md").read_text())
    assert len(rows) == 12
    for path, name in rows:
        tree: ast.AST = TREES["nodeday." + path.removesuffix(".py").replace("/", ".")]
        for part in name.split("."):
            kinds = (ast.FunctionDef, ast.ClassDef)
            inner = {node.name: node for node in ast.iter_child_nodes(tree) if isinstance(node, kinds)}
            assert part in inner, (path, name)
            tree = inner[part]


def test_every_module_that_the_developers_page_names_exists() -> None:
    text = (ROOT / "DEVELOPERS.md").read_text()
    named = set(
        re.findall(r"`((?:stages|engine|products|storage|config|core|schemas|cli)/[\w/]+\.py)`", text)
    )
    missing = [path for path in named if not (PACKAGE / path).exists() and not (ROOT / path).exists()]
    assert named
    assert not missing
