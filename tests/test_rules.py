"""The rules: held to the list of stages, what a job asks for, and what a change makes run again."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import tomllib
from collections import defaultdict
from collections.abc import Callable
from pathlib import Path

import pytest
from conftest import ROOT, small_study
from nodeday.schemas import TABLES

from nodeday.config.study import Study
from nodeday.core.paths import DEMO_CONFIG, SNAKEFILE
from nodeday.engine import rule_files, rule_params
from nodeday.engine.resources import page_needs, session_needs, stage_cores, study_needs
from nodeday.engine.stages import CHAIN, SEVERAL_CORES, STAGES, Scope
from nodeday.storage import frames, samples, tables

SESSIONS = ["S1", "S2", "S3"]
SHEETS = {
    "participants.tsv": "participant\tage_years\nP1\t40\nP2\t50\n",
    "sessions.tsv": "session\tparticipant\tcaptures\tlayout\tstart\tend\n"
    "S1\tP1\tcaptures/S1.bin\tbeltframe\t\t2026-07-14T12:00+02:00\n"
    "S2\tP2\tcaptures/S1.bin\tbeltframe\t\t\n"
    "S3\tP1\tcaptures/S1.bin\tbeltframe\t2026-07-14T12:00+02:00\t\n",
    "events.tsv": "session\tphase\tstart\tend\nS1\twork\t2026-07-14T07:00\t\nS2\twork\t2026-07-15T07:00\t\n",
}
# In place of the stages: bash takes a function before a program.
MAKE = (
    "() { case $2 in study|index) f=$2;; package) f=dataset;; *) f=$2-$3;; esac; "
    'for o in $(cat "$OUTPUTS/$f"); do case ${o##*/} in *.*) touch $o;; *) mkdir -p $o;; esac; done; }'
)
TABLE = re.compile(
    r"results/([a-z_]+)/(?:session=S1/)?([a-z_]+)\.parquet|results/(samples|frames)/session=S1"
)


class Wildcards:
    session = "S1"


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


# --- the list of stages --------------------------------------------------------------------


def test_every_table_has_one_stage_that_writes_it() -> None:
    writers = defaultdict(list)
    for name, stage in STAGES.items():
        for table in stage.writes:
            writers[table].append(name)
        assert set(stage.reads) <= set(TABLES), name
    assert writers.pop("ledger") == [*CHAIN, "study"]  # a part each
    assert {table: len(stages) for table, stages in writers.items()} == dict.fromkeys(
        TABLES.keys() - {"ledger"}, 1
    )


def test_no_stage_reads_what_a_later_one_writes() -> None:
    written = set[str]()
    for name, stage in STAGES.items():
        assert set(stage.reads) <= written, name
        written |= set(stage.writes)
    assert CHAIN == ("frames", "clock", "loss", "repair", "features")
    assert SEVERAL_CORES == ("repair", "features", "study")


# --- rules and the list --------------------------------------------------------------------


@pytest.fixture(scope="module")
def planned(tmp_path_factory: pytest.TempPathFactory) -> dict[str, dict[str, str]]:
    """What a dry run prints of the job of each rule, for a study of one session that is to be simulated."""
    folder = tmp_path_factory.mktemp("planned") / "study"
    shutil.copytree(DEMO_CONFIG, folder / "config")
    sessions = folder / "config" / "sessions.tsv"
    sessions.write_text("session\tparticipant\tcaptures\tlayout\nS1\tP01\tcaptures/S1.bin\tbeltframe\n")
    scenario = folder / "config" / "scenario.yaml"
    scenario.write_text(scenario.read_text().replace("S01-clean:", "S1:"))
    (folder / "config" / "events.tsv").write_text("session\tphase\tstart\tend\n")
    jobs: dict[str, dict[str, str]] = {}
    for line in run(folder, "--dry-run").splitlines():
        if match := re.fullmatch(r"\s*(?:local)?rule (\w+):", line):
            facts = jobs.setdefault(match[1], {})
        elif match := re.fullmatch(r"\s+(input|output|log|benchmark|threads): (.*)", line):
            facts.setdefault(match[1], match[2])
    return jobs


def tables_in(paths: str) -> set[str]:
    """Tables among paths; a session's part of the ledger and other grids than the first left out."""
    found = [match for path in paths.split(", ") if (match := TABLE.fullmatch(path))]
    return {match[1] or match[3] for match in found} - {"study"}


def test_every_stage_has_a_rule_with_its_tables(planned: dict[str, dict[str, str]]) -> None:
    ready = tables_in(planned["study_tables_ready"]["input"])
    for name, stage in STAGES.items():
        facts = planned[name]
        assert tables_in(facts["output"]) == set(stage.writes), name
        given = tables_in(facts.get("input", "")) | (ready if name == "report" else set())
        # Tables of sessions are there before those of the study.
        assert given == set(stage.reads) & (set(STAGES["study"].writes) if name == "index" else set(TABLES))
    assert ready == set(STAGES["report"].reads) & set(STAGES["study"].writes)


def test_every_job_that_calls_a_stage_has_a_log_and_a_benchmark(planned: dict[str, dict[str, str]]) -> None:
    trivial = {"all", "study_settings", "participant_notes", "study_tables_ready"}
    assert planned.keys() == STAGES.keys() | trivial
    for name, stage in STAGES.items():
        inside = "S1/" if stage.scope is Scope.SESSION else ""
        assert planned[name]["log"] == f"results/logs/{inside}{name}.log"
        assert planned[name]["benchmark"] == f"results/benchmarks/{inside}{name}.tsv"
        assert ("threads" in planned[name]) == (stage.several_cores and name != "study"), name


def test_rules_and_stages_agree_where_tables_lie() -> None:
    results = Path("results")
    for name in TABLES.keys() - set(rule_files.BY_STREAM):
        assert rule_files.table(name) == str(tables.path(results, name, "{session}"))
    assert rule_files.table("samples") == str(samples.folder(results, "{session}"))
    assert rule_files.table("frames") == str(frames.folder(results, "{session}"))
    assert rule_files.ledgers()[2] == str(tables.path(results, "ledger", "{session}", "loss"))
    assert rule_files.study_tables(["gaps", "flow"]) == [str(tables.path(results, "flow"))]
    assert rule_files.session_tables(["gaps", "flow", "ledger"]) == [rule_files.table("gaps")]


def test_the_rules_call_the_stage_that_they_are_named_for() -> None:
    calls = {}
    for path in (ROOT / "workflow" / "rules").glob("*.smk"):
        for rule in re.split(r"(?m)^\s*rule (?=\w+:)", path.read_text())[1:]:
            name, call = rule.split(":")[0], re.search(r'"nodeday (\w+) (\w+) .*"', rule)
            if call:
                calls[name] = f"{call[1]} {call[2]}"
                assert ("--cores {threads}" in call[0]) == STAGES[name].several_cores, name
                assert f'code=code_and_libraries("{"report" if name == "index" else name}")' in rule, name
    assert calls == {name: f"stage {name}" for name in STAGES} | {"dataset": "export package"}


def test_the_oldest_engine_is_the_one_that_the_package_asks_for() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
    bound = next(each for each in project["dependencies"] if each.startswith("snakemake>="))
    assert f'min_version("{bound.removeprefix("snakemake>=")}")' in SNAKEFILE.read_text()


# --- what a job asks for -------------------------------------------------------------------


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


def test_sessions_of_one_participant(study_folder: Callable[..., Path]) -> None:
    study = Study(study_folder(**SHEETS))
    assert rule_params.sessions_of_participants(study, SESSIONS) == {
        "S1": ["S1", "S3"],
        "S2": ["S2"],
        "S3": ["S1", "S3"],
    }
    assert rule_params.sessions_of_participants(study, ["S3"]) == {"S3": ["S3"]}


def test_a_digest_tells_texts_apart() -> None:
    assert rule_params.digest(["a", "b"]) == rule_params.digest(iter(["a", "b"]))
    assert len({rule_params.digest(texts) for texts in (["a", "b"], ["b", "a"], ["a"], [])}) == 4


def test_a_layout_is_read_once_for_all_sessions(
    study_folder: Callable[..., Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    from nodeday.config import checks
    from nodeday.config import study as settings

    read, load = [], settings.load_layout
    monkeypatch.setattr(settings, "load_layout", lambda path: read.append(path) or load(path))
    study = Study(study_folder(**SHEETS))
    assert [checks.problems(study, name) for name in SESSIONS] == [[], [], []]
    assert len(read) == 1


# --- what a change makes run again ---------------------------------------------------------


@pytest.fixture(scope="module")
def made_once(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three sessions, of two participants, whose stages wrote empty files. Not to be written to."""
    folder, outputs = tmp_path_factory.mktemp("made") / "study", tmp_path_factory.mktemp("outputs")
    small_study(folder, **SHEETS)
    for line in run(folder, "--summary").splitlines():
        output, _, rule, *_ = [*line.split("\t"), "", ""]
        if output.startswith("results/"):
            named = [name for name in SESSIONS if name in output]
            with (outputs / "-".join([rule, *named])).open("a") as file:
                file.write(f"{output}\n")
    run(folder, **{"BASH_FUNC_nodeday%%": MAKE, "OUTPUTS": str(outputs)})
    return folder


@pytest.fixture
def made(made_once: Path, tmp_path: Path) -> Path:
    """A copy of that study, the engine's records included."""
    return Path(shutil.copytree(made_once, tmp_path / "study"))


def to_do(folder: Path) -> dict[str, int]:
    """How many jobs of each rule a run would do now."""
    lines = [line.split() for line in run(folder, "--dry-run", "--quiet", "rules").splitlines()]
    return {line[0]: int(line[1]) for line in lines if len(line) == 2 and line[1].isdigit()}


def test_another_sessions_news_leaves_a_page_as_it_is(made: Path) -> None:
    assert to_do(made) == {}
    nodes = made / "config" / "nodes.tsv"
    before = nodes.read_text()
    nodes.write_text(f"{before}S2\twrist\t17\twrist\n")
    found = to_do(made)
    assert {found[stage] for stage in (*CHAIN, "report")} == {1}
    assert found["study"] == found["index"] == 1
    assert "study_settings" not in found
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
    assert {stage for stage in CHAIN if stage in found} == {"clock", "loss", "repair", "features"}


def test_a_changed_zone_moves_the_edges_of_a_session(made: Path) -> None:
    """A start in local time is another instant then; one with its UTC offset is not."""
    sessions, settings = made / "config" / "sessions.tsv", made / "config" / "study.yaml"
    sessions.write_text(sessions.read_text().replace("2026-07-14T12:00+02:00\t\n", "2026-07-14T12:00\t\n"))
    run(made, "--touch")
    assert to_do(made).get("clock", 0) == 0
    settings.write_text(settings.read_text().replace("Europe/Madrid", "Europe/London"))
    assert to_do(made)["clock"] == 1


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
    assert (
        rule_params.movement_text(here, "S1") == rule_params.movement_text(there, "S1") == ""
    )  # none is noted
    assert rule_params.movement_text(here, "S2") != rule_params.movement_text(there, "S2")
    assert rule_params.node_text(here, "S2") == rule_params.node_text(there, "S2")
