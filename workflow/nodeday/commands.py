"""What each command does: find the study, call the rooms or the workflow, say what came of it."""

from __future__ import annotations

import argparse
import importlib
import os
import shutil
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from nodeday.errors import CONTRACT, FAULT, GOOD, USAGE, ContractError, NodedayError, SettingsError
from nodeday.home import DEMO_CONFIG

if TYPE_CHECKING:
    from nodeday.settings import Study

STUDY_SNAKEFILE = """# The chain of nodeday on this study: `snakemake --cores 2`, or `nodeday run`.
from nodeday.home import SNAKEFILE


include: str(SNAKEFILE)


rule everything:
    default_target: True
    input:
        rules.all.input,
"""


def init(options: argparse.Namespace) -> int:
    """Write a new study's settings, never over anything that is there."""
    folder: Path = options.folder
    lay_out(folder, DEMO_CONFIG, scenario=False)
    config = folder / "config"
    _rewrite(config / "study.yaml", {"study: glasshouse": f"study: {_code(folder.resolve().name)}",
                                     "title: Harvest crew on hot days": "title: A new study"})  # fmt: skip
    (config / "participants.tsv").write_text("participant\tage_years\tresting_bpm\nP01\t\t\n")
    (config / "sessions.tsv").write_text(
        "session\tparticipant\tcaptures\tlayout\tzone\tstart\tend\nS01\tP01\tcaptures/S01.bin\tbeltframe\t\t\t\n"
    )
    (config / "events.tsv").write_text("session\tphase\tstart\tend\n")
    print(
        f"A new study lies in {folder}.\n"
        "  1. Describe your firmware's frames in config/layouts/ (beltframe.yaml is an example).\n"
        "  2. List participants, sessions, nodes and events in the sheets of config/.\n"
        "  3. Put each capture where config/sessions.tsv says.\n"
        f"Then: nodeday check --study {folder}, and nodeday run --study {folder}."
    )
    return GOOD


def demo(options: argparse.Namespace) -> int:
    """Make the demo study, unless it is there, and run it."""
    folder: Path = options.folder
    fresh = not (folder / "config" / "study.yaml").exists()
    if options.recorded:
        from nodeday.simulate import recorded

        if fresh:
            recorded.make_study(folder)
            _snakefile(folder)
        code = _run(folder, options.cores)
        if code == GOOD:
            print("\n".join(recorded.score(folder, _open_data())))
        return code
    if fresh:
        lay_out(folder, DEMO_CONFIG, scenario=True)
    print(f"A glasshouse harvest crew, invented: three participants, one session each, in {folder}.")
    return _run(folder, options.cores)


def check(options: argparse.Namespace) -> int:
    """Print every problem, sorted by session; 2 where there is any."""
    from nodeday.settings import Study

    study = Study(options.study)
    count = 0
    for session in study.sessions:
        problems = study.problems(session)
        count += len(problems)
        print(f"{session}: {'ready' if not problems else 'not ready'}")
        for problem in problems:
            print(f"  {problem}")
    if not study.sessions:
        raise SettingsError("lists no sessions", str(study.root / "config/sessions.tsv"), "a row each")
    return USAGE if count else GOOD


def run(options: argparse.Namespace) -> int:
    """Run the workflow on every session that is ready."""
    return _run(options.study, options.cores)


def audit(options: argparse.Namespace) -> int:
    """Print what a session lost and why; 3 where a stated limit is broken or tables do not agree."""
    from nodeday.loss import audit as auditing
    from nodeday.settings import Study

    study = Study(options.study)
    found = auditing.audit(study, study.session(options.session).session)
    print(auditing.as_json(found) if options.json else auditing.text(found))
    return GOOD if found.good else CONTRACT


def simulate(options: argparse.Namespace) -> int:
    """Simulate the captures that config/scenario.yaml plans."""
    from nodeday.settings import Study

    study = Study(options.study)
    if not study.planned:
        raise SettingsError("no such file", str(study.scenario), "a plan of the sessions to simulate")
    for session in sorted(study.planned & set(study.sessions)):
        study.simulated_captures_of(session)
        _simulate(study.root, session)
        print(f"{session}: captures/{session}.bin and its truth, captures/{session}.truth.npz")
    return GOOD


def _simulate(root: Path, session: str) -> None:
    from nodeday.simulate.room import run as simulate_session

    simulate_session(root, session)
    # The capture was made anew on purpose, so its recorded digest no longer binds.
    (root / "results" / "captures" / f"{session}.json").unlink(missing_ok=True)


def replay(options: argparse.Namespace) -> int:
    """Make a study of recorded signals sent through the encoder and a lossy channel."""
    from nodeday.simulate.replay import replay_files

    replay_files(options.files, options.into, options.loss, options.burst, options.seed)
    _snakefile(options.into)
    print(f"A study of {len(options.files)} recordings lies in {options.into}.")
    print(f"Then: nodeday run --study {options.into}")
    return GOOD


def layout(options: argparse.Namespace) -> int:
    """Explain a layout field by field; with a capture, say how much of it the layout decodes."""
    from nodeday.layouts import load_layout
    from nodeday.layouts.explain import explain

    one = load_layout(options.file)
    print(explain(one))
    if not options.captures:
        return GOOD
    from nodeday.frames.containers import Unpacker
    from nodeday.frames.survey import survey

    for path in options.captures:
        if not path.is_file():
            raise SettingsError("no such file", str(path), "a capture")
    found = survey(Unpacker(options.captures).pieces(), one)
    print(f"\n{found.text()}")
    if found.share < 0.01:
        where = ", ".join(str(path) for path in options.captures)
        raise ContractError(
            f"{found.share:.2%} of the bytes are frames of this layout", where, "most of them",
            "Look at the sync word, the length and the checksum first.",
        )  # fmt: skip
    return GOOD


def dictionary(options: argparse.Namespace) -> int:
    """Print the data dictionary as Markdown."""
    from nodeday.schemas import TABLES
    from nodeday.schemas.dictionary import markdown

    if options.table and options.table not in TABLES:
        raise SettingsError(f"no table {options.table}", expected=f"one of {', '.join(TABLES)}")
    print(markdown(options.table), end="")
    return GOOD


def room(options: argparse.Namespace) -> int:
    """One room of one session. A session whose data break a contract leaves its sentence behind."""
    from nodeday.settings import Study

    study = Study(options.study)
    module = importlib.import_module(f"nodeday.{'report' if options.room == 'index' else options.room}.room")
    if options.room in ("study", "index"):
        (module.run if options.room == "study" else module.index)(study, options.sessions)
        return GOOD
    for session in options.sessions:
        failed = study.results / "failed" / f"{session}.txt"
        failed.unlink(missing_ok=True)
        try:
            if options.room == "simulate":
                _simulate(study.root, session)
            else:
                module.run(study, session)
        except (ContractError, SettingsError) as error:
            _note_failure(study, session, error)
            raise
    return GOOD


def lay_out(folder: Path, source: Path, *, scenario: bool) -> None:
    """A study's folder with the settings of ``source``; raise SettingsError where one is there."""
    if (folder / "config").exists():
        raise SettingsError("holds a study already", str(folder), remedy="Choose another folder.")
    ignored = shutil.ignore_patterns() if scenario else shutil.ignore_patterns("scenario.yaml")
    shutil.copytree(source, folder / "config", ignore=ignored)
    (folder / "captures").mkdir(exist_ok=True)
    _snakefile(folder)


def _snakefile(folder: Path) -> None:
    (folder / "Snakefile").write_text(STUDY_SNAKEFILE)


def _rewrite(path: Path, changes: dict[str, str]) -> None:
    text = path.read_text()
    for old, new in changes.items():
        text = text.replace(old, new)
    path.write_text(text)


def _code(name: str) -> str:
    kept = "".join(letter if letter.isascii() and letter.isalnum() else "-" for letter in name).strip("-")
    return kept if kept[:1].isalpha() else f"study-{kept}".rstrip("-")


def _open_data() -> Path | None:
    named = os.environ.get("NODEDAY_OPEN_DATA")
    return Path(named) if named else None


def _run(folder: Path, cores: int) -> int:
    from nodeday import engine, warm
    from nodeday.settings import Study

    study = Study(folder)
    ready, left_out = [], 0
    for session in study.sessions:
        problems = study.problems(session)
        for problem in problems:
            print(f"nodeday: left out: {problem}", file=sys.stderr)
        if problems:
            left_out += 1
            _note_failure(study, session, problems[0])
        else:
            ready.append(session)
    if not ready:
        raise SettingsError("no session is ready to run", str(folder), remedy="See `nodeday check`.")
    with warm.rooms():
        finished = engine.run(folder.resolve(), ready, cores)
    _summary(study, finished)
    faults = 0
    for session in (name for name in ready if name not in finished):
        failed = study.results / "failed" / f"{session}.txt"
        faults += not failed.exists()
        reason = failed.read_text().strip() if failed.exists() else _last_words(study.results, session)
        print(f"nodeday: session {session} stopped: {reason}", file=sys.stderr)
    if faults:
        return FAULT
    if len(finished) < len(ready):
        return CONTRACT
    return USAGE if left_out else GOOD


def _last_words(results: Path, session: str) -> str:
    """The last line of the log that was written last, for a session that stopped without a sentence."""
    logs = sorted((results / "logs" / session).glob("*.log"), key=lambda path: path.stat().st_mtime)
    lines = logs[-1].read_text(errors="replace").strip().splitlines() if logs else []
    return f"{lines[-1]} (all of it in {logs[-1]})" if lines else "without a word"


def _note_failure(study: Study, session: str, problem: NodedayError) -> None:
    """Keep the sentence, without the place of the study's folder: pages are the same wherever it lies."""
    failed = study.results / "failed" / f"{session}.txt"
    failed.parent.mkdir(parents=True, exist_ok=True)
    inside = f"{study.root}/" if study.root.name else ""
    failed.write_text(f"{str(problem).replace(inside, '') if inside else problem}\n")


def _summary(study: Study, finished: list[str]) -> None:
    if not finished:
        return
    from nodeday import tables

    rows = tables.read(tables.path(study.results, "sessions"), "sessions")
    print(f"\n{'session':<12} {'node':<8} {'hours':>6} {'coverage':>9} {'lost':>7}  verdict")
    for row in rows.itertuples():
        print(
            f"{row.session:<12} {row.node:<8} {row.hours:>6.2f} {row.coverage:>8.1%} "
            f"{row.frames_lost:>7}  {row.verdict}"
        )
    results = study.results
    print(f"\nTables   {results}/<table>/session=<session>/<table>.parquet  (see `nodeday dictionary`)")
    print(f"Study    {results}/study/epochs_wide.parquet and .csv, {results}/sessions/sessions.parquet")
    print(f"Pages    {results}/report/index.html")
    for session in finished:
        print(f"         {results}/report/{session}.html")
