"""What the pages tell to type works: Python on a finished study, commands, settings."""

from __future__ import annotations

import importlib.util
import os
import re
import subprocess
import sys
from pathlib import Path

import pytest
from conftest import ROOT
from nodeday.schemas.compile import VERSION

from nodeday.config.models import StudyFile
from nodeday.core import yaml_io

PAGE = ROOT / "docs" / "how-to" / "load.md"
BLOCK = re.compile(r"^```python\n(.*?)^```", re.DOTALL | re.MULTILINE)
SECTIONS = {
    section.splitlines()[0]: found[1]
    for section in PAGE.read_text(encoding="utf-8").split("\n## ")[1:]
    if (found := BLOCK.search(section))
}
"""The code of each section that has a block of Python, by its heading."""


def run(code: str, folder: Path) -> subprocess.CompletedProcess[str]:
    """Run ``code`` in ``folder`` in a Python of its own, warnings as errors."""
    return subprocess.run(
        [sys.executable, "-W", "error", "-c", code],
        cwd=folder,
        env=os.environ | {"POLARS_MAX_THREADS": "1"},
        capture_output=True,
        text=True,
        check=False,
    )


def test_libraries_with_a_block_of_python() -> None:
    """A section that loses its block is not left untested without a word."""
    assert list(SECTIONS) == ["pandas", "Polars", "DuckDB", "xarray"]


@pytest.mark.parametrize("heading", SECTIONS)
def test_block_runs_on_a_finished_study(heading: str, finished_study: Path) -> None:
    if importlib.util.find_spec(heading.lower()) is None:
        pytest.skip(f"{heading} is not installed")
    done = run(SECTIONS[heading], finished_study)
    assert done.returncode == 0, done.stderr
    assert done.stdout.strip()


MEANS = """
by_session = {session: round(value, 6) for session, value in %s}
print(sorted(by_session.items()))
"""


def test_pandas_polars_and_duckdb_agree_on_the_mean_heart_rate(finished_study: Path) -> None:
    """Three readers that share no code of this project give one number for each session."""
    ways = {
        "pandas": "by_session['mean'].items()",
        "Polars": "by_session.select('session', 'value').iter_rows()",
        "DuckDB": "[row[:2] for row in by_session.fetchall()]",
    }
    ways = {heading: rows for heading, rows in ways.items() if importlib.util.find_spec(heading.lower())}
    told = {
        run(SECTIONS[way] + MEANS % rows, finished_study).stdout.splitlines()[-1]
        for way, rows in ways.items()
    }
    assert len(told) == 1
    assert "S01-clean" in told.pop()


def blocks(language: str) -> list[tuple[str, str]]:
    """Return (page, text) of every block of a language on the pages, indented ones included."""
    fence = re.compile(rf"^```{language}\n(.*?)^```", re.DOTALL | re.MULTILINE)
    pages = sorted((ROOT / "docs").rglob("*.md"))
    return [(page.name, text) for page in pages for text in fence.findall(page.read_text(encoding="utf-8"))]


def test_every_block_of_settings_is_one_that_a_study_takes() -> None:
    """Blocks for `study.yaml`; those of a format file hold `recording`."""
    taken = [(page, text) for page, text in blocks("yaml") if not text.startswith("recording:")]
    for page, text in taken:
        yaml_io.parse(f"study: trial\n{text}", StudyFile, page)
    assert len(taken) > 3


def test_page_on_upgrades_states_the_data_model_of_this_version() -> None:
    page = (ROOT / "docs" / "how-to" / "upgrade.md").read_text(encoding="utf-8")
    assert f"reads and writes data model **{VERSION}**" in page
    assert f"\n| {VERSION} | " in page
