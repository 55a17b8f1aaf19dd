"""What each command does: find the study, call the stages or the workflow, say what came of it."""

from __future__ import annotations

import argparse
import importlib
import os
import shutil
from pathlib import Path
from typing import TYPE_CHECKING

from nodeday.cli.init import refuse_what_is_there, write_snakefile
from nodeday.core.errors import GOOD, USAGE, ContractError, SettingsError, of_system
from nodeday.core.paths import DEMO_CONFIG
from nodeday.engine.account import note_failure, run_study

if TYPE_CHECKING:
    from nodeday.config.study import Study


def demo(options: argparse.Namespace) -> int:
    """Make the demo study, unless it is there, and run it."""
    folder: Path = options.folder
    fresh = not (folder / "config" / "study.yaml").exists()
    if options.recorded:
        from nodeday.stages.simulate import recorded

        if fresh:
            recorded.make_study(folder)
            write_snakefile(folder)
        code = run_study(folder, options.cores)
        if code == GOOD:
            print("\n".join(recorded.score(folder, _open_data())))
        return code
    if fresh:
        lay_out(folder, DEMO_CONFIG, scenario=True)
    print(f"A glasshouse harvest crew, invented: three participants, one session each, in {folder}.")
    return run_study(folder, options.cores)


def check(options: argparse.Namespace) -> int:
    """Print every problem, those of the whole study (or of every session) first, then by session; 2 where
    there is any.
    """
    from nodeday.config import checks
    from nodeday.config.study import Study

    told: list[SettingsError] = []
    study = Study(options.study, told)
    if not study.sessions and not told:
        told.append(SettingsError("lists no sessions", str(study.root / "config/sessions.tsv"), "a row each"))
    of = {session: checks.problems(study, session) + _plan_of(study, session) for session in study.sessions}
    texts = {session: [str(each) for each in found] for session, found in of.items()}
    everywhere = set.intersection(*map(set, texts.values())) if len(texts) > 1 else set[str]()
    whole = [*map(str, told), *(text for text in next(iter(texts.values()), []) if text in everywhere)]
    _list("the study", "not ready", whole)
    for session, found in texts.items():
        own = [text for text in found if text not in everywhere]
        _list(session, "not ready" if own else "ready, but for the study" if whole else "ready", own)
    count = len(whole) + sum(text not in everywhere for found in texts.values() for text in found)
    if not count:
        return GOOD
    ready = 0 if told else sum(not found for found in texts.values())
    print(f"{count} problem{'s' * (count > 1)}; {ready} of {len(texts)} sessions can run.")
    return USAGE


def _list(name: str, state: str, problems: list[str]) -> None:
    if problems or name != "the study":
        print("\n".join([f"{name}: {state}", *(f"  {problem}" for problem in problems)]))


def _plan_of(study: Study, session: str) -> list[SettingsError]:
    """What is wrong with the plan of a session that is to be simulated."""
    if session not in study.planned:
        return []
    from nodeday.config import checks
    from nodeday.stages.simulate.scenario import check_plan, load_scenario

    try:
        plan = load_scenario(study.scenario).session(session)
        check_plan(plan, study.layout_of(session), study.nodes_of(session))
    except SettingsError as error:
        return [] if checks.problems(study, session, captures=False) else [error]
    return []


def simulate(options: argparse.Namespace) -> int:
    """Simulate the captures that config/scenario.yaml plans."""
    from nodeday.config.study import Study

    study = Study(options.study)
    if not study.planned:
        raise SettingsError("no such file", str(study.scenario), "a plan of the sessions to simulate")
    for session in sorted(study.planned & set(study.sessions)):
        study.simulated_captures_of(session)
        _simulate(study.root, session)
        print(f"{session}: captures/{session}.bin and its truth, captures/{session}.truth.npz")
    return GOOD


def _simulate(root: Path, session: str) -> None:
    from nodeday.stages.simulate.stage import run as simulate_session

    simulate_session(root, session)
    # The capture was made anew on purpose, so its recorded digest no longer binds.
    (root / "results" / "captures" / f"{session}.json").unlink(missing_ok=True)


def replay(options: argparse.Namespace) -> int:
    """Make a study of recorded signals sent through the encoder and a lossy channel."""
    from nodeday.stages.simulate.replay import replay_files

    replay_files(options.files, options.into, options.loss, options.burst, options.seed)
    write_snakefile(options.into)
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
    from nodeday.stages.frames.containers import Unpacker
    from nodeday.stages.frames.survey import survey

    for path in options.captures:
        if not path.is_file():
            raise SettingsError("no such file", str(path), "a capture")
    found = survey(Unpacker(options.captures).pieces(), one)
    print(f"\n{found.text()}")
    if found.share < 0.01:
        where = ", ".join(str(path) for path in options.captures)
        raise ContractError(
            f"{found.share:.2%} of the bytes are frames of this layout",
            where,
            "most of them",
            "Look at the sync word, the length and the checksum first.",
        )
    return GOOD


def dictionary(options: argparse.Namespace) -> int:
    """Print the data dictionary as Markdown."""
    from nodeday.schemas import TABLES
    from nodeday.schemas.dictionary import markdown

    if options.table and options.table not in TABLES:
        raise SettingsError(f"no table {options.table}", expected=f"one of {', '.join(TABLES)}")
    print(markdown(options.table), end="")
    return GOOD


def stage(options: argparse.Namespace) -> int:
    """One stage of one session. A session whose data break a contract leaves its sentence behind."""
    from nodeday.cli.main import SIDE_BY_SIDE
    from nodeday.config.study import Study
    from nodeday.core import malloc
    from nodeday.engine import locks

    malloc.keep()
    study = Study(options.study)
    elsewhere = {"index": "nodeday.stages.report.stage", "hashes": "nodeday.products.export.hashes"}
    module = importlib.import_module(elsewhere.get(options.stage, f"nodeday.stages.{options.stage}.stage"))
    more = {"cores": options.cores} if options.stage in SIDE_BY_SIDE else {}
    with locks.stage(study.root):
        if options.stage in ("study", "index"):
            (module.run if options.stage == "study" else module.index)(study, options.sessions, **more)
            return GOOD
        for session in options.sessions:
            (study.results / "failed" / f"{session}.txt").unlink(missing_ok=True)
            try:
                if options.stage == "simulate":
                    _simulate(study.root, session)
                else:
                    module.run(study, session, **more)
            except (ContractError, SettingsError) as error:
                note_failure(study, session, error)
                raise
            except OSError as error:
                note_failure(study, session, of_system(error))
                raise
    return GOOD


def lay_out(folder: Path, source: Path, *, scenario: bool) -> None:
    """A study's folder with the settings of ``source``; raise SettingsError where one is there."""
    refuse_what_is_there(folder)
    ignored = shutil.ignore_patterns() if scenario else shutil.ignore_patterns("scenario.yaml")
    shutil.copytree(source, folder / "config", ignore=ignored)
    (folder / "captures").mkdir(exist_ok=True)
    write_snakefile(folder)


def _open_data() -> Path | None:
    named = os.environ.get("NODEDAY_OPEN_DATA")
    return Path(named) if named else None
