"""Work side by side gives what work in turn gives, and leaves no process behind."""

from __future__ import annotations

import multiprocessing
import os
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import psutil
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from nodeday.config.study import Study
from nodeday.core.errors import FAULT, ContractError, NodedayError
from nodeday.core.parallel import map_on_cores
from nodeday.stages.features.stage import run as features
from nodeday.stages.repair.stage import run as repair

WAITS = """
import os, time
from nodeday.core.parallel import map_on_cores

def wait(thing):
    os.write(1, b"at work\\n")
    time.sleep(60)

list(map_on_cores(wait, range(2), 2))
"""


@settings(max_examples=8, deadline=None)
@given(st.lists(st.integers(), max_size=6), st.integers(1, 3))
def test_results_come_in_the_order_of_the_things(things: list[int], cores: int) -> None:
    added = 3
    assert list(map_on_cores(lambda thing: thing + added, things, cores)) == [thing + 3 for thing in things]


@pytest.mark.parametrize("cores", [1, 2])
def test_what_the_work_raises_arrives_whole(cores: int) -> None:
    def work(thing: int) -> int:
        if thing == 2:
            raise ContractError("a gap ends before it begins", "boot 3", "a later end", "See the layout.")
        return thing

    with pytest.raises(ContractError) as told:
        list(map_on_cores(work, range(4), cores))
    assert str(told.value) == "boot 3: a gap ends before it begins; expected a later end. See the layout."


def test_a_failure_ends_only_the_processes_that_do_the_work() -> None:
    other = multiprocessing.get_context("fork").Process(target=time.sleep, args=(30,))
    other.start()
    try:
        with pytest.raises(ZeroDivisionError):
            list(map_on_cores(lambda item: 1 // item, [1, 0, 1], 2))
        assert multiprocessing.active_children() == [other]
    finally:
        other.terminate()
        other.join()


def test_with_one_core_a_thing_is_taken_when_the_one_before_is_done() -> None:
    taken: list[int] = []
    results = map_on_cores(
        lambda thing: (thing, len(taken)), (taken.append(thing) or thing for thing in range(3)), 1
    )
    assert list(results) == [(0, 1), (1, 2), (2, 3)]


def test_a_killed_process_is_told_in_a_sentence() -> None:
    with pytest.raises(
        NodedayError, match=r"a process of the stage was killed\. Is there enough memory\?"
    ) as told:
        list(map_on_cores(lambda _: os.kill(os.getpid(), signal.SIGKILL), range(2), 2))
    assert told.value.exit_code == FAULT


@pytest.mark.parametrize("how", [signal.SIGKILL, signal.SIGTERM, signal.SIGINT])
def test_no_process_outlives_the_stage(how: signal.Signals) -> None:
    with subprocess.Popen(
        [sys.executable, "-c", WAITS], stdout=subprocess.PIPE, stderr=subprocess.DEVNULL
    ) as stage:
        assert stage.stdout
        assert [stage.stdout.readline(), stage.stdout.readline()] == [b"at work\n", b"at work\n"]
        workers = psutil.Process(stage.pid).children()
        assert len(workers) == 2
        stage.send_signal(how)
        _, alive = psutil.wait_procs(workers, timeout=20)
        assert not alive
        assert stage.wait(20) != 0


def test_streams_side_by_side_give_the_tables_of_streams_in_turn(
    finished_study: Path, tmp_path: Path
) -> None:
    """The workflow ran these two sessions with a core each."""
    before, session = finished_study / "results", "S01-clean"
    for table in ("frames", "gaps", "clock"):
        own = before / table / f"session={session}"
        shutil.copytree(own, tmp_path / table / own.name, ignore=shutil.ignore_patterns(".*"))
    anew = Study(finished_study, results=tmp_path)
    for stage in (repair, features):
        stage(anew, session, 2)
    made = [path for path in tmp_path.rglob("*") if path.is_file()]
    assert {path.parent.parent.name for path in made} >= {"samples", "aligned", "beats", "epochs", "ledger"}
    for path in made:
        assert path.read_bytes() == (before / path.relative_to(tmp_path)).read_bytes(), path.name
    assert not [path for path in tmp_path.rglob(".*")]
