"""What the rules are told: who shares a participant, what a submission asks for, what a change reruns."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from nodeday.config import checks
from nodeday.config.study import Study
from nodeday.core.paths import SNAKEFILE
from nodeday.engine import digests, status
from nodeday.engine.resources import page_needs, session_needs, stage_cores, study_needs

SESSIONS = ["S1", "S2", "S3"]
SHEETS = {
    "participants.tsv": "participant\tage_years\nP1\t40\nP2\t50\n",
    "sessions.tsv": "session\tparticipant\tcaptures\tlayout\n"
    "S1\tP1\tcaptures/S1.bin\tbeltframe\n"
    "S2\tP2\tcaptures/S1.bin\tbeltframe\n"
    "S3\tP1\tcaptures/S1.bin\tbeltframe\n",
    "events.tsv": "session\tphase\tstart\tend\nS1\twork\t2026-07-14T07:00\t\nS2\twork\t2026-07-15T07:00\t\n",
}
# In place of the stages: bash takes a function before a program.
MAKE = (
    "() { case $2 in study|index) f=$2;; package) f=dataset;; *) f=$2-$3;; esac; "
    'for o in $(cat "$OUTPUTS/$f"); do case ${o##*/} in *.*) touch $o;; *) mkdir -p $o;; esac; done; }'
)


class Wildcards:
    session = "S1"


def test_needs_grow_with_the_capture_and_with_each_attempt(study_folder: Callable[..., Path]) -> None:
    folder = study_folder(**SHEETS)
    with (folder / "captures" / "S1.bin").open("r+b") as file:
        file.truncate(100_000_000)  # a hole: takes no place
    needs = session_needs(Study(folder))
    asked = [[ask(Wildcards, attempt=n) for ask in needs.values() if callable(ask)] for n in (1, 2)]
    assert asked == [[1700, 15], [3400, 30]]
    for some in (study_needs(SESSIONS), page_needs()):
        for ask in some.values():
            assert callable(ask)
            assert ask(Wildcards, attempt=3) == 3 * ask(Wildcards, attempt=1)


def test_a_stage_gets_the_cores_that_other_sessions_leave_idle() -> None:
    assert [stage_cores(SESSIONS[:n], 4) for n in (0, 1, 2, 3)] == [4, 4, 2, 1]
    assert stage_cores(SESSIONS, 2) == 1
    assert stage_cores(SESSIONS[:1], None) == 1  # a cluster's engine has none of its own


def test_peers_are_the_sessions_of_one_participant(study_folder: Callable[..., Path]) -> None:
    study = Study(study_folder(**SHEETS))
    assert digests.peers(study, SESSIONS) == {"S1": ["S1", "S3"], "S2": ["S2"], "S3": ["S1", "S3"]}
    assert digests.peers(study, ["S3"]) == {"S3": ["S3"]}


def test_a_digest_tells_texts_apart() -> None:
    assert digests.digest(["a", "b"]) == digests.digest(iter(["a", "b"]))
    assert len({digests.digest(texts) for texts in (["a", "b"], ["b", "a"], ["a"], [])}) == 4


def test_a_layout_is_read_once_for_all_sessions(
    study_folder: Callable[..., Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    from nodeday.config import study as settings

    read, load = [], settings.load_layout
    monkeypatch.setattr(settings, "load_layout", lambda path: read.append(path) or load(path))
    study = Study(study_folder(**SHEETS))
    assert [checks.problems(study, name) for name in SESSIONS] == [[], [], []]
    assert len(read) == 1


@pytest.fixture
def made(study_folder: Callable[..., Path], tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three sessions, of two participants, whose stages wrote empty files."""
    folder, outputs = study_folder(**SHEETS), tmp_path_factory.mktemp("outputs")
    for row in status.output_files(folder, SESSIONS):
        named = [name for name in SESSIONS if name in row["output_file"]]
        with (outputs / "-".join([row["rule"], *named])).open("a") as file:
            file.write(f"{row['output_file']}\n")
    run(folder, **{"BASH_FUNC_nodeday%%": MAKE, "OUTPUTS": str(outputs)})
    return folder


def run(folder: Path, *options: str, **environment: str) -> str:
    command = [sys.executable, "-m", "snakemake", "--cores", "2", "--snakefile", str(SNAKEFILE), *options]
    done = subprocess.run(
        command,
        cwd=folder,
        text=True,
        check=False,
        env={**os.environ, **environment},
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
    )
    assert done.returncode == 0, done.stdout
    return done.stdout


def to_do(folder: Path) -> dict[str, int]:
    """How many jobs of each rule a run would do now."""
    lines = [line.split() for line in run(folder, "--dry-run", "--quiet", "rules").splitlines()]
    return {line[0]: int(line[1]) for line in lines if len(line) == 2 and line[1].isdigit()}


CHAIN = ("frames", "loss", "clock", "repair", "features")


def test_another_sessions_news_leaves_a_page_as_it_is(made: Path) -> None:
    assert to_do(made) == {}
    nodes = made / "config" / "nodes.tsv"
    before = nodes.read_text()
    nodes.write_text(f"{before}S2\twrist\t17\twrist\n")
    found = to_do(made)
    assert {found[stage] for stage in (*CHAIN, "report")} == {1}
    assert found["study"] == found["index"] == 1
    assert "settings" not in found
    nodes.write_text(f"{before}S1\twrist\t17\twrist\n")  # S3 is of the same participant
    assert (to_do(made)["features"], to_do(made)["report"]) == (1, 2)
    nodes.write_text(before)
    study = made / "config" / "study.yaml"
    study.write_text(study.read_text() + "limits: {min_hours: 3}\n")
    found = to_do(made)
    assert (found["study"], found["report"]) == (1, len(SESSIONS))
    assert "frames" not in found


def test_a_changed_note_leaves_the_tables_of_a_session_as_they_are(made: Path) -> None:
    events = made / "config" / "events.tsv"
    before = events.read_text()
    events.write_text(before.replace("S2\twork", "S2\trest"))
    found = to_do(made)
    assert not found.keys() & set(CHAIN)
    assert found["study"] == found["report"] == found["index"] == 1
    events.write_text(before.replace("S1\twork", "S1\trest"))  # S3 is of the same participant
    assert to_do(made)["report"] == 2
    events.write_text(before.replace("S2\twork", "S2\ttaps-1"))  # such a movement checks clocks
    found = to_do(made)
    assert {stage for stage in CHAIN if stage in found} == {"clock", "repair", "features"}


def test_a_changed_zone_moves_the_notes(made: Path) -> None:
    """Notes are in local time, of the study's zone where a session states none."""
    settings = made / "config" / "study.yaml"
    settings.write_text(settings.read_text().replace("Europe/Madrid", "Europe/Lisbon"))
    found = to_do(made)
    assert (found["study"], found["report"]) == (1, len(SESSIONS))
    assert not found.keys() & set(CHAIN)
    events = made / "config" / "events.tsv"
    events.write_text(events.read_text().replace("S2\twork", "S2\ttaps"))
    here = Study(made)
    settings.write_text(settings.read_text().replace("Europe/Lisbon", "Europe/Madrid"))
    there = Study(made)
    assert digests.movements(here, "S1") == digests.movements(there, "S1") == ""  # none is noted
    assert digests.movements(here, "S2") != digests.movements(there, "S2")
    assert digests.nodes(here, "S2") == digests.nodes(there, "S2")
