"""The data dictionary: in step with the declarations, and with everything in it."""

from __future__ import annotations

import re

import pytest
from conftest import ROOT
from nodeday.schemas import FEATURES, TABLES
from nodeday.schemas.dictionary import markdown

from nodeday.cli.main import main


def test_the_committed_dictionary_is_in_step() -> None:
    assert (ROOT / "DICTIONARY.md").read_text(encoding="utf-8") == markdown(), "run `make generated`"


def test_everything_stands_in_it() -> None:
    text, missing = markdown(), []
    for table in TABLES.values():
        part = text.split(f"\n## {table.name}\n")[1].split("\n## ")[0]
        rules = [f"`{value}` is null exactly where `{reason}` is given." for value, reason in table.either_or]
        rules += [f"`{table.increasing}` never falls"] if table.increasing else []
        missing += [f"{table.name}: {rule}" for rule in rules if rule not in part]
        for column in (*table.columns, *table.template):
            line = f"| {column.name} | {column.dtype} | {column.unit} |"
            if line not in part or column.meaning not in part:
                missing.append(f"{table.name}.{column.name}")
            for code, meaning in (column.codes or {}).items():
                if column.name != "feature" and f"- `{code}`: {meaning}" not in part:
                    missing.append(f"{table.name}.{column.name}: {code}")
    missing += [one.name for one in FEATURES if f"| {one.name} | {one.unit} |" not in text]
    assert not missing


def test_its_tables_are_whole() -> None:
    """A bar inside a cell would shift the cells after it."""
    for block in re.findall(r"(?:^\|.*\n)+", markdown(), re.MULTILINE):
        widths = {len(re.findall(r"(?<!\\)\|", line)) for line in block.splitlines()}
        assert len(widths) == 1, block.splitlines()[0]


def test_one_table_by_name(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["dictionary", "gaps"]) == 0
    out = capsys.readouterr().out
    assert out.startswith("## gaps\n")
    assert out.count("\n## ") == 0


def test_no_such_table(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["dictionary", "gap"]) == 2
    assert capsys.readouterr().err.startswith(
        "nodeday: no table gap (did you mean gaps?); expected one of frames, "
    )
