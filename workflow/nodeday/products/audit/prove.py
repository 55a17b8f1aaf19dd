"""Proof of a finished study: its stages run anew in a scratch folder, and every table is compared.

It proves that the stored tables are what this version of nodeday makes of these captures, settings and bench
records. The captures themselves are compared with the hashes written when they were first decoded.
"""

from __future__ import annotations

import json
import shutil
import tempfile
from collections.abc import Iterator
from dataclasses import asdict, dataclass, field
from pathlib import Path

from nodeday.config.study import Study
from nodeday.core.errors import NodedayError
from nodeday.products.audit import checkpoints
from nodeday.products.audit.checkpoints import Checkpoint
from nodeday.products.audit.compare import compare
from nodeday.products.audit.session import audit
from nodeday.products.export import verification
from nodeday.stages.clock import stage as clock
from nodeday.stages.features import stage as features
from nodeday.stages.frames import stage as frames
from nodeday.stages.loss import stage as loss
from nodeday.stages.repair import stage as repair
from nodeday.stages.study import stage as study_stage
from nodeday.storage import inventory, provenance, tables

CHAIN = (frames.run, clock.run, loss.run, repair.run, features.run)
"""Stages of a session in their order."""
LARGE = ("rejects", "samples", "aligned", "beats", "signal_quality")
"""Tables that stage `study` does not read: their second copy is removed once it is compared."""


@dataclass
class Proof:
    """Tables compared of one session, or of the study itself, and every difference."""

    of: str
    checkpoints: list[Checkpoint] = field(default_factory=list)
    tables: int = 0
    rows: int = 0
    cells: int = 0
    differences: list[str] = field(default_factory=list)
    unlike: int = 0

    @property
    def wrong(self) -> list[str]:
        """A sentence for each fault at a checkpoint and each difference of a table."""
        broken = [
            f"{checkpoint.name}: {what}" for checkpoint in self.checkpoints for what in checkpoint.wrong
        ]
        return [*broken, *self.differences]


def finished(study: Study) -> list[str]:
    """Return the sessions whose chain came to its end, in sheet order."""
    return [
        name
        for name in study.sessions
        if tables.path(study.results, "epochs", name).exists()
        and not (study.results / "failed" / f"{name}.txt").exists()
    ]


def prove(study: Study, sessions: list[str], with_study: bool) -> Iterator[Proof]:
    """Yield a proof for each session, then one of the study's own tables if they are asked for.

    Those rest on all sessions, so ``sessions`` must then be every finished one.
    """
    with provenance.unchecked(), tempfile.TemporaryDirectory(prefix="nodeday-audit-") as folder:
        anew = Study(study.root, results=Path(folder))
        for session in sessions:
            yield _of_session(study, anew, session)
        if with_study:
            yield _of_study(study, anew, sessions)


def _of_session(study: Study, anew: Study, session: str) -> Proof:
    proof = Proof(session)
    try:
        proof.checkpoints = checkpoints.of_session(study, session)
        counted = "lost and received frames counted from the numbers"
        proof.checkpoints.append(Checkpoint("gaps", counted, audit(study, session).differences))
    except NodedayError as error:
        _differs(proof, str(error))
    try:
        for run in CHAIN:
            run(anew, session)
    except NodedayError as error:
        _differs(proof, f"cannot be derived anew: {error}")
        return proof
    made = [path for path in inventory.result_files(anew.results) if inventory.session_of(path) == session]
    _compare(proof, study, anew, made)
    _record(proof, study, anew, session)
    for name in LARGE:
        for path in anew.results.glob(f"{name}*/session={session}"):
            shutil.rmtree(path)
    return proof


def _of_study(study: Study, anew: Study, sessions: list[str]) -> Proof:
    proof = Proof("the study")
    try:
        study_stage.run(anew, sessions)
    except NodedayError as error:
        _differs(proof, f"cannot be derived anew: {error}")
        return proof
    made = [path for path in inventory.result_files(anew.results) if path.endswith(".parquet")]
    _compare(proof, study, anew, [path for path in made if not inventory.session_of(path)])
    _compare(proof, study, anew, [path for path in made if path.endswith("/study.parquet")])
    try:
        verified = verification.verify(study.root)
        differ = [f"{path} {what}" for path, what in verified.differences]
        passed = f"{verified.checked} files have the hashes of the manifest"
        proof.checkpoints.append(Checkpoint("manifest", passed, differ))
    except NodedayError as error:
        _differs(proof, str(error))
    return proof


def _compare(proof: Proof, study: Study, anew: Study, paths: list[str]) -> None:
    for path in paths:
        if not path.endswith(".parquet"):
            continue
        key = inventory.table_file(anew.results, path).table.key
        found = compare(study.results / path, anew.results / path, key)
        proof.tables += 1
        proof.rows += found.rows
        proof.cells += found.cells
        proof.unlike += found.unlike
        proof.differences += [f"{path}: {what}" for what in found.differences]
        if found.unlike > len(found.differences):
            proof.differences.append(f"{path}: and {found.unlike - len(found.differences)} cells more")


def _record(proof: Proof, study: Study, anew: Study, session: str) -> None:
    """Compare hashes of the captures as they are now with those written at their first decoding."""
    name = f"captures/{session}.json"
    stored = study.results / name
    if not stored.is_file():
        _differs(proof, f"{name} is absent")
        return
    now = json.loads((anew.results / name).read_text())
    try:
        then = json.loads(stored.read_text())
    except ValueError:
        then = None
    files = ", ".join(f"{file['file']} {file['bytes']:,} bytes" for file in now)
    wrong = [] if then == now else [f"{name} is not what the captures are"]
    proof.checkpoints.insert(0, Checkpoint("captures", f"{files}: hashes as written down", wrong))


def _differs(proof: Proof, what: str) -> None:
    proof.unlike += 1
    proof.differences.append(what)


def text(proof: Proof) -> str:
    """Return a proof as text for people."""
    lines = [proof.of]
    lines += [f"  {one.name:<9} {'OTHERWISE' if one.wrong else one.passed}" for one in proof.checkpoints]
    lines.append(
        f"  {'tables':<9} {proof.tables} derived anew: {proof.rows:,} rows, {proof.cells:,} cells, "
        f"{f'{proof.unlike:,} otherwise' if proof.unlike else 'all alike'}"
    )
    return "\n".join([*lines, *(f"  ! {what}" for what in proof.wrong)])


def verdict(proofs: list[Proof]) -> str:
    """Return the last line: whether every table agrees with the captures."""
    wrong = [proof.of for proof in proofs if proof.wrong]
    if wrong:
        return f"Not what the captures say: {', '.join(wrong)}."
    count = sum(proof.tables for proof in proofs)
    return f"All {count} tables are what the captures say, cell by cell."


def as_json(proofs: list[Proof]) -> str:
    """Return proofs as JSON for programs."""
    good = not any(proof.wrong for proof in proofs)
    return json.dumps({"good": good, "proofs": [asdict(proof) for proof in proofs]}, indent=2)
