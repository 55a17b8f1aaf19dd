"""`nodeday audit`: a session's losses, or with ``--all`` the proof of a finished study."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from nodeday.core.errors import CONTRACT, GOOD, SettingsError

if TYPE_CHECKING:
    from nodeday.config.study import Study


def audit(options: argparse.Namespace) -> int:
    """Print what a session lost and why; 3 where a stated limit is broken or tables do not agree."""
    from nodeday.config.study import Study
    from nodeday.products.audit import session as auditing

    study = Study(options.study)
    if options.all:
        return _prove(study, options)
    if options.session is None:
        raise SettingsError("no session is named", "nodeday audit", "a session, or --all for a proof of all")
    found = auditing.audit(study, study.session(options.session).session)
    print(auditing.as_json(found) if options.json else auditing.text(found))
    return GOOD if found.good else CONTRACT


def _prove(study: Study, options: argparse.Namespace) -> int:
    """Derive every table of a finished study, or of one session, anew; 3 where any is otherwise."""
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
