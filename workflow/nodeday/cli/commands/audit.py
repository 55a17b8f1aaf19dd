"""`nodeday audit`: a session's losses, or with ``--all`` the proof of a finished study."""

from __future__ import annotations

import argparse
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING

from nodeday.cli.arguments import add_json, add_study
from nodeday.core.errors import CONTRACT, GOOD, SettingsError

if TYPE_CHECKING:
    from nodeday.config.study import Study

HELP = "what a session lost and why; with --all the proof of all tables"
EXAMPLES = "nodeday audit S01\nnodeday audit --all"


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the session, the choice of a proof, the form of the output and the study."""
    parser.add_argument("session", nargs="?", metavar="SESSION", help="of the study")
    parser.add_argument(
        "--all", action="store_true", help="derive every table anew from the captures; compare"
    )
    add_json(parser)
    add_study(parser)


def run(options: argparse.Namespace) -> int:
    """Print what a session lost and why; return 3 where a limit is broken or tables do not agree."""
    from nodeday.config.study import Study
    from nodeday.products.audit import session as session_audit

    study = Study(options.study)
    if options.all:
        return _prove(study, options)
    if options.session is None:
        raise SettingsError("no session is named", "nodeday audit", "a session, or --all for a proof of all")
    audit = session_audit.audit(study, study.session(options.session).session)
    print(session_audit.as_json(audit) if options.json else session_audit.text(audit))
    return GOOD if audit.good else CONTRACT


def _prove(study: Study, options: argparse.Namespace) -> int:
    """Derive every table of a finished study, or of one session, anew; return 3 where any differs."""
    import importlib

    from nodeday.engine.stages import CHAIN
    from nodeday.products.audit import prove
    from nodeday.products.audit import session as session_audit

    named = None if options.session is None else [study.session(options.session).session]
    sessions = named or prove.finished(study)
    if not sessions:
        raise SettingsError("no session is finished", str(study.results), remedy="See `nodeday run`.")
    stages = {name: importlib.import_module(f"nodeday.stages.{name}.stage").run for name in (*CHAIN, "study")}

    def pieces(session: str, paths: list[Path]) -> Iterable[bytes] | None:
        from nodeday.products.lineage.capture import open_capture

        reader = open_capture(study, session, paths)
        return None if reader is None else reader.pieces()

    def differences(study_of: Study, session: str) -> list[str]:
        return session_audit.audit(study_of, session).differences

    proofs = []
    of_study = None if named else stages["study"]
    for proof in prove.prove(study, sessions, stages, pieces, differences, of_study):
        proofs.append(proof)
        if not options.json:
            print(prove.text(proof), flush=True)
    print(prove.as_json(proofs) if options.json else f"\n{prove.verdict(proofs)}")
    return CONTRACT if any(proof.wrong for proof in proofs) else GOOD
