"""Digests of code: which modules a stage depends on, and which stages an edit makes run again."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from conftest import ROOT

from nodeday.engine import digests, imports
from nodeday.engine.stages import STAGES

PACKAGE, SCHEMAS = ROOT / "workflow" / "nodeday", ROOT / "schemas"
KNOWN = imports.modules()
SOURCES = {stage: digests.sources(stage, KNOWN) for stage in STAGES}


@pytest.mark.parametrize(
    ("source", "expected"),
    [
        ("import nodeday.core.csv_io", {"nodeday.core.csv_io"}),
        ("import nodeday.core.csv_io as csv, numpy", {"nodeday.core.csv_io"}),
        ("from nodeday.core.csv_io import write", {"nodeday.core.csv_io"}),
        ("from nodeday.core import csv_io", {"nodeday.core.csv_io"}),
        ("from nodeday import __version__", {"nodeday"}),
        ("from ...core import csv_io", {"nodeday.core.csv_io"}),
        ("from . import edge, absent", {"nodeday.stages.clock", "nodeday.stages.clock.edge"}),
        ("from .edge import fit", {"nodeday.stages.clock.edge"}),
        ("def f():\n    from nodeday.core import privacy", {"nodeday.core.privacy"}),
        ("try:\n    x()\nexcept OSError:\n    import nodeday.core.errors", {"nodeday.core.errors"}),
        ("if x:\n    pass\nelif y:\n    import nodeday.core.errors", {"nodeday.core.errors"}),
        ("match x:\n    case 1:\n        import nodeday.core.errors", {"nodeday.core.errors"}),
        ("class A:\n    async def f(self):\n        import nodeday.core.errors", {"nodeday.core.errors"}),
        ("import_module('nodeday.core.errors')", {"nodeday.core.errors"}),
        ("NAMES = ('nodeday.core.errors', 'numpy')", {"nodeday.core.errors"}),
        ("run([python, '-m', \"nodeday.core.errors\"])", {"nodeday.core.errors"}),
        ("run(f'{python} -m nodeday.core.errors --all')", {"nodeday.core.errors"}),
        (
            "import_module(f'nodeday.core.{name}_io')",
            {f"nodeday.core.{n}_io" for n in ("csv", "tsv", "yaml")},
        ),
        ("import_module(f'nodeday.stages.{name}.rpeaks')", {"nodeday.stages.features.heart.rpeaks"}),
        ("'''It calls nodeday.core.errors and more.'''\nimport numpy", set()),
        ("import nodeday.core.absent", set()),
    ],
)
def test_the_search_for_imports_sees_every_form(source: str, expected: set[str]) -> None:
    assert imports.imports_of("nodeday.stages.clock.stage", source.encode(), KNOWN) == expected


def test_every_module_of_the_package_is_known() -> None:
    names = {path.relative_to(PACKAGE).as_posix() for path in PACKAGE.rglob("*.py")}
    assert len(KNOWN) == len(names) + len(list(SCHEMAS.glob("*.py")))
    assert KNOWN["nodeday.schemas.tables"] == SCHEMAS / "tables.py"
    assert KNOWN["nodeday.core.html"] == PACKAGE / "core" / "html" / "__init__.py"


def test_nothing_that_a_stage_imports_is_missed() -> None:
    """Held to what Python has imported once a stage's modules are, in a process for each stage."""
    program = """
import importlib, json, os, sys
import jinja2, numpy, pandas, pandera.pandas, pyarrow.dataset, pydantic, scipy.signal, scipy.stats
for name, entries in json.loads(sys.argv[1]).items():
    if not os.fork():
        for entry in entries:
            importlib.import_module(entry)
        print(name, *sys.modules, flush=True)
        os._exit(0)
    os.wait()
"""
    entries = {name: [f"nodeday.{each}" for each in stage.modules] for name, stage in STAGES.items()}
    command = [sys.executable, "-c", program, json.dumps(entries)]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    lines = [line.split() for line in done.stdout.splitlines()]
    assert [line[0] for line in lines] == list(STAGES)
    for name, *imported in lines:
        loaded = {module for module in imported if module in KNOWN}
        assert loaded >= {"nodeday", "nodeday.schemas", *entries[name]}
        assert not loaded - SOURCES[name].keys(), name


@pytest.mark.parametrize(
    ("module", "stages"),
    [
        ("core.csv_io", {"study", "report", "index", "dataset"}),
        ("core.html/style.css", {"report", "index"}),
        ("stages.report/page.html", {"report", "index"}),
        ("stages.clock.edge", {"clock"}),
        ("products.export.methods", {"dataset"}),
        ("products.viewer.server", set()),
        ("cli.main", set()),
    ],
)
def test_an_edit_redoes_only_what_depends_on_it(module: str, stages: set[str]) -> None:
    assert {stage for stage in STAGES if f"nodeday.{module}" in SOURCES[stage]} == stages


def test_what_all_stages_stand_on_is_in_every_digest() -> None:
    """Settings, sheets and their privacy, messages, and the contracts of all tables."""
    shared = {
        *(f"nodeday.core.{name}" for name in ("yaml_io", "tsv_io", "privacy", "errors", "atomic")),
        *(f"nodeday.schemas.{name}" for name in ("tables", "declare", "columns", "codes")),
        *("nodeday.config.study", "nodeday.config.models", "nodeday.layouts.model"),
    }
    for stage in STAGES:
        assert shared <= SOURCES[stage].keys(), stage


def test_every_edit_of_a_copied_tree_changes_the_digests_that_hold_the_file(tmp_path: Path) -> None:
    """File by file; the digests of all other stages stay, and that of an edit undone is the old one."""
    ignored = shutil.ignore_patterns("__pycache__")
    shutil.copytree(PACKAGE, tmp_path / "package", ignore=ignored)
    shutil.copytree(SCHEMAS, tmp_path / "contracts", ignore=ignored)
    known = imports.modules_below(tmp_path / "package", tmp_path / "contracts")
    assert known.keys() == KNOWN.keys()

    sources = {stage: digests.sources(stage, known) for stage in STAGES}
    assert {stage: found.keys() for stage, found in sources.items()} == {
        stage: found.keys() for stage, found in SOURCES.items()
    }
    contents = {path: path.read_bytes() for found in sources.values() for path in found.values()}
    contents |= {path: path.read_bytes() for path in known.values()}

    def all_digests() -> dict[str, str]:
        return {stage: digests.digest_of(found, contents.__getitem__) for stage, found in sources.items()}

    before = all_digests()
    assert before == {stage: digests.code(stage) for stage in STAGES}  # wherever the package lies
    for path, content in contents.items():
        contents[path] = content + b"\n# edited"
        changed = {stage for stage, digest in all_digests().items() if digest != before[stage]}
        assert changed == {stage for stage in STAGES if path in sources[stage].values()}, path
        contents[path] = content
    assert all_digests() == before


def test_a_new_import_brings_its_module_in(tmp_path: Path) -> None:
    shutil.copytree(PACKAGE, tmp_path / "nodeday", ignore=shutil.ignore_patterns("__pycache__"))
    known = imports.modules_below(tmp_path / "nodeday", SCHEMAS)
    before = digests.sources("frames", known)
    with known["nodeday.stages.frames.scan"].open("a") as file:
        file.write("\n\ndef late() -> None:\n    from nodeday.core import csv_io\n")
    after = digests.sources("frames", known)
    assert after.keys() - before.keys() == {"nodeday.core.csv_io"}
    assert digests.digest_of(after) != digests.digest_of(before)


def test_a_file_that_moves_or_changes_places_is_another_digest(tmp_path: Path) -> None:
    one, two = tmp_path / "one", tmp_path / "two"
    one.write_text("1")
    two.write_text("2")
    digest = digests.digest_of({"a": one, "b": two})
    assert digest == digests.digest_of({"b": two, "a": one})
    assert (
        len({digest, *(digests.digest_of(f) for f in ({"a": two, "b": one}, {"a": one, "c": two}, {}))}) == 4
    )


def test_every_file_of_the_package_is_code_or_data() -> None:
    """A kind of file that digests do not know would be edited without any effect."""
    kinds = {path.suffix for root in (PACKAGE, SCHEMAS) for path in root.rglob("*") if path.is_file()}
    assert kinds - {".pyc"} == {".py", ".typed", *digests.DATA}
    for path in PACKAGE.rglob("*"):
        if path.suffix in digests.DATA:
            assert (path.parent / "__init__.py").is_file(), f"{path} lies in no package"


def test_planning_parses_each_module_once() -> None:
    for ask in (imports.names_in, digests.code):
        ask.cache_clear()
    for _ in range(2):
        for stage in STAGES:
            digests.code(stage)
    assert 100 < imports.names_in.cache_info().misses <= len(KNOWN)
    assert digests.code.cache_info().misses == len(STAGES)
    with pytest.raises(KeyError):
        digests.code("no_stage")
