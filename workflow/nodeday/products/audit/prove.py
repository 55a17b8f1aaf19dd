"""A finished study held to its raw captures: stages at work anew in a scratch folder, tables compared.

What is proven: the stored tables are what this version of nodeday makes of these captures, settings and
bench records. Captures themselves are held to the hashes written down when they were first decoded.
"""

from __future__ import annotations

import json
import shutil
import tempfile
from collections.abc import Callable, Iterator, Mapping
from dataclasses import asdict, dataclass, field
from pathlib import Path

from nodeday.config.study import Study
from nodeday.core.errors import NodedayError
from nodeday.engine.stages import CHAIN
from nodeday.products.audit import checkpoints
from nodeday.products.audit.checkpoints import Checkpoint, Opened
from nodeday.products.audit.compare import compare
from nodeday.products.export import manifest
from nodeday.storage import inventory, tables

LARGE = ("rejects", "samples", "aligned", "beats", "signal_quality")
"""Tables that the stage `study` does not read: their second copy goes once it is compared."""
Stages = Mapping[str, Callable[[Study, str], None]]


@dataclass
class Proof:
    """What was held to the captures of one session, or of the study as a whole; and what is otherwise."""

    of: str
    checkpoints: list[Checkpoint] = field(default_factory=list)
    tables: int = 0
    rows: int = 0
    cells: int = 0
    differences: list[str] = field(default_factory=list)
    unlike: int = 0

    @property
    def wrong(self) -> list[str]:
        broken = [f"{each.name}: {what}" for each in self.checkpoints for what in each.wrong]
        return [*broken, *self.differences]


def finished(study: Study) -> list[str]:
    """Sessions whose chain came to its end, as the sheet orders them."""
    return [
        name
        for name in study.sessions
        if tables.path(study.results, "epochs", name).exists()
        and not (study.results / "failed" / f"{name}.txt").exists()
    ]


def prove(
    study: Study,
    sessions: list[str],
    stages: Stages,
    opened: Opened,
    count: Callable[[Study, str], list[str]],
    of_study: Callable[[Study, list[str]], None] | None,
) -> Iterator[Proof]:
    """A proof for each session, then one of the study's own tables where ``of_study`` makes them.

    ``stages`` are the stages of the chain by name, ``count`` what counts lost frames in another way.
    """
    with tempfile.TemporaryDirectory(prefix="nodeday-audit-") as folder:
        anew = Study(study.root, results=Path(folder))
        for session in sessions:
            yield _of_session(study, anew, session, stages, opened, count)
        if of_study is not None:
            yield _of_study(study, anew, sessions, of_study)


def _of_session(
    study: Study,
    anew: Study,
    session: str,
    stages: Stages,
    opened: Opened,
    count: Callable[[Study, str], list[str]],
) -> Proof:
    proof = Proof(session)
    try:
        proof.checkpoints = checkpoints.of_session(study, session, opened)
        lost = count(study, session)
        counted = "lost and received frames counted from the numbers"
        proof.checkpoints.append(Checkpoint("gaps", counted, lost))
    except NodedayError as error:
        _differs(proof, str(error))
    try:
        for stage in CHAIN:
            stages[stage](anew, session)
    except NodedayError as error:
        _differs(proof, f"cannot be derived anew: {error}")
        return proof
    own = [path for path in inventory.result_files(anew.results) if inventory.session_of(path) == session]
    _compare(proof, study, anew, own)
    _record(proof, study, anew, session)
    for name in LARGE:
        for path in anew.results.glob(f"{name}*/session={session}"):
            shutil.rmtree(path)
    return proof


def _of_study(
    study: Study, anew: Study, sessions: list[str], of_study: Callable[[Study, list[str]], None]
) -> Proof:
    proof = Proof("the study")
    try:
        of_study(anew, sessions)
    except NodedayError as error:
        _differs(proof, f"cannot be derived anew: {error}")
        return proof
    own = [path for path in inventory.result_files(anew.results) if path.endswith(".parquet")]
    _compare(proof, study, anew, [path for path in own if not inventory.session_of(path)])
    _compare(proof, study, anew, [path for path in own if path.endswith("/study.parquet")])
    try:
        told = manifest.verify(study.root)
        differ = [f"{path} {what}" for path, what in told.differences]
        proof.checkpoints.append(
            Checkpoint("manifest", f"{told.checked} files have the hashes of the manifest", differ)
        )
    except NodedayError as error:
        _differs(proof, str(error))
    return proof


def _compare(proof: Proof, study: Study, anew: Study, paths: list[str]) -> None:
    for path in paths:
        if not path.endswith(".parquet"):
            continue
        key = inventory.table_file(anew.results, path).table.key
        found = compare(study.results / path, anew.results / path, key)
        proof.tables, proof.rows, proof.cells = (
            proof.tables + 1,
            proof.rows + found.rows,
            proof.cells + found.cells,
        )
        proof.differences += [f"{path}: {what}" for what in found.differences]
        proof.unlike += found.unlike
        if found.unlike > len(found.differences):
            proof.differences.append(f"{path}: and {found.unlike - len(found.differences)} cells more")


def _record(proof: Proof, study: Study, anew: Study, session: str) -> None:
    """Hashes of the captures as they are now against those written down at their first decoding."""
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
    if then != now:
        _differs(proof, f"{name} is not what the captures are")
    told = ", ".join(f"{each['file']} {each['bytes']:,} bytes" for each in now)
    proof.checkpoints.insert(0, Checkpoint("captures", f"{told}: hashes as written down", []))


def _differs(proof: Proof, what: str) -> None:
    proof.unlike += 1
    proof.differences.append(what)


def text(proof: Proof) -> str:
    """A proof for people."""
    lines = [proof.of]
    lines += [f"  {each.name:<9} {'OTHERWISE' if each.wrong else each.passed}" for each in proof.checkpoints]
    lines.append(
        f"  {'tables':<9} {proof.tables} derived anew: {proof.rows:,} rows, {proof.cells:,} cells, "
        f"{f'{proof.unlike:,} otherwise' if proof.unlike else 'all alike'}"
    )
    return "\n".join([*lines, *(f"  ! {what}" for what in proof.wrong)])


def verdict(proofs: list[Proof]) -> str:
    """The last line."""
    wrong = [proof.of for proof in proofs if proof.wrong]
    if wrong:
        return f"Not what the captures say: {', '.join(wrong)}."
    count = sum(proof.tables for proof in proofs)
    return f"All {count} tables are what the captures say, cell by cell."


def as_json(proofs: list[Proof]) -> str:
    """Proofs for programs."""
    good = not any(proof.wrong for proof in proofs)
    return json.dumps({"good": good, "proofs": [asdict(proof) for proof in proofs]}, indent=2)
