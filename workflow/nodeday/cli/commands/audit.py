"""`nodeday audit`: a session's losses, or with ``--all`` the proof of a finished study."""

from __future__ import annotations

import argparse
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
    from nodeday.products.audit import prove

    named = None if options.session is None else [study.session(options.session).session]
    sessions = named or prove.finished(study)
    if not sessions:
        raise SettingsError("no session is finished", str(study.results), remedy="See `nodeday run`.")
    proofs = []
    for proof in prove.prove(study, sessions, with_study=named is None):
        proofs.append(proof)
        if not options.json:
            print(prove.text(proof), flush=True)
    print(prove.as_json(proofs) if options.json else f"\n{prove.verdict(proofs)}")
    return CONTRACT if any(proof.wrong for proof in proofs) else GOOD
