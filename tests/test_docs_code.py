"""The Python blocks of docs/how-to/load.md work on a finished study, as they stand there."""

from __future__ import annotations

import importlib.util
import os
import re
import subprocess
import sys
from pathlib import Path

import pytest
from conftest import ROOT

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
