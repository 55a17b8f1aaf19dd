"""Linear algebra in a stage works on one thread, whoever calls the stage and from where."""

from __future__ import annotations

import importlib
import subprocess
import sys

import pytest
from conftest import ROOT

from nodeday.core.threads import one_thread

STAGES = sorted(path.parent.name for path in (ROOT / "workflow/nodeday/stages").glob("*/stage.py"))
PROGRAM = """
import os
import numpy, threadpoolctl
from nodeday.core.parallel import map_on_cores
from nodeday.core.threads import one_thread

def threads(*_):
    return sorted({each["num_threads"] for each in threadpoolctl.threadpool_info()})

@one_thread()
def stage():
    loaded = threads()
    import scipy.linalg                     # loaded in the block, so it reads the environment
    return loaded, threads(), list(map_on_cores(threads, range(2), 2))

print(threads(), stage(), threads(), os.environ["OPENBLAS_NUM_THREADS"], "MKL_NUM_THREADS" in os.environ)
"""


def test_a_block_has_one_thread_and_gives_the_others_back() -> None:
    """numpy has two threads before and after; scipy, loaded in the block, keeps its one."""
    done = subprocess.run(
        [sys.executable, "-c", PROGRAM],
        capture_output=True,
        text=True,
        check=True,
        env={"OPENBLAS_NUM_THREADS": "2", "PATH": ""},
    )
    assert done.stdout == "[2] ([1], [1], [[1], [1]]) [1, 2] 2 False\n"


def test_an_error_in_the_block_changes_nothing() -> None:
    with pytest.raises(ValueError, match="no data"), one_thread():
        raise ValueError("no data")


def test_every_stage_runs_on_one_thread() -> None:
    """The decorator keeps the function that it wraps."""
    runs = {name: importlib.import_module(f"nodeday.stages.{name}.stage").run for name in STAGES}
    assert len(runs) == 9
    assert [name for name, run in runs.items() if run.__code__ is not one_thread()(run).__code__] == []
