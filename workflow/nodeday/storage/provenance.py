"""Where each result came from: a record for each job of a stage, and the check of what is read against it.

::

    results/provenance/session=S01/clock.json     code, libraries and settings; what the job read and wrote
                       study/study.json           of each file the hash

A file that has other content than its stage wrote is refused wherever it is read. A file of which no record
speaks is held to its contract alone: its stage is at work, or a person called a stage as a function.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import asdict, dataclass, field
from functools import cache
from pathlib import Path

from nodeday.core import atomic
from nodeday.core.errors import ContractError
from nodeday.storage.hashes import KeptHashes, mark

FOLDER = "provenance"
BY_STREAM = ("frames", "samples")
"""Tables with a file for each stream: a folder is whole, and holds no others."""
OTHER_CONTENT, NO_STAGE = "has other content than its stage wrote", "was written by no stage"
WRITTEN = "a table that an earlier stage wrote"
REMAKE = "`nodeday run` makes it anew."
_believed = [True]
_checked: set[tuple[Path, str]] = set()
"""Files that were compared with their record in this process, each with its mark."""


@dataclass(frozen=True)
class JobRecord:
    """What one job of a stage read and wrote, as SHA-256 by path from the study's folder.

    ``code`` is the digest of its code, ``libraries`` are versions by name, ``settings`` digests by name. A
    folder of streams that was read has one digest.
    """

    stage: str
    code: str
    libraries: Mapping[str, str]
    settings: Mapping[str, str]
    read: Mapping[str, str] = field(default_factory=dict)
    wrote: Mapping[str, str] = field(default_factory=dict)


def path(results: Path, stage: str, session: str = "") -> Path:
    """Return where the record of a job lies; one of the whole study has no ``session``."""
    return _folder(results, session) / f"{stage}.json"


def _folder(results: Path, session: str) -> Path:
    return results / FOLDER / (f"session={session}" if session else "study")


def write(results: Path, record: JobRecord, session: str = "") -> None:
    """Write the record of a job."""
    text = json.dumps(asdict(record), indent=1, sort_keys=True)
    atomic.write_text(path(results, record.stage, session), f"{text}\n")


def read(results: Path, stage: str, session: str = "") -> JobRecord | None:
    """Return the record of a job; None where there is none, or where it is damaged."""
    return _load(path(results, stage, session))


def _load(file: Path) -> JobRecord | None:
    try:
        record = JobRecord(**json.loads(file.read_text(encoding="utf-8")))
        whole = all(isinstance(each, dict) for each in (record.libraries, record.settings, record.read))
        return record if whole and isinstance(record.wrote, dict) else None
    except (OSError, ValueError, TypeError):
        return None


def remove(results: Path, stage: str, session: str = "") -> None:
    """Remove the record of a job that begins anew."""
    path(results, stage, session).unlink(missing_ok=True)


def records(results: Path, session: str = "") -> list[JobRecord]:
    """Return the records of a session, or of the whole study, by name of the stage."""
    found = map(_load, sorted(_folder(results, session).glob("[!.]*.json")))
    return [record for record in found if record]


def written(results: Path, session: str = "") -> dict[str, str]:
    """Return the hash of each file that the jobs of a session, or of the whole study, wrote."""
    return {name: digest for each in records(results, session) for name, digest in each.wrote.items()}


@contextmanager
def unchecked() -> Iterator[None]:
    """Hold no table to its record within the block: a proof compares each with one that is derived anew."""
    _believed.append(False)
    try:
        yield
    finally:
        _believed.pop()


def refuse_changed(source: Path) -> None:
    """Raise ContractError where a table is absent or differs from what its stage wrote, by its record.

    A file is read for that only where its mark is not known, and once in a process.
    """
    results = _results_of(source)
    if results is None or not _believed[-1] or not (results / FOLDER).is_dir():
        return
    try:
        known = (source, mark(source))
    except OSError:
        known = None
    if known in _checked:
        return
    expected = _expected(results, source)
    name = f"results/{source.relative_to(results).as_posix()}"
    if name not in expected:
        streams = name.split("/")[1] in BY_STREAM
        if known and streams and any(other.startswith(f"{name.rpartition('/')[0]}/") for other in expected):
            raise ContractError(NO_STAGE, str(source), remedy=REMAKE)
        return
    if known is None:
        raise ContractError("is absent", str(source), WRITTEN, REMAKE)
    try:
        found = _hashes(results.parent)([results.parent / name])[0]
    except OSError:
        raise ContractError("cannot be read", str(source), WRITTEN, REMAKE) from None
    if found != expected[name]:
        raise ContractError(OTHER_CONTENT, str(source), remedy=REMAKE)
    _checked.add(known)


def refuse_other_files(folder: Path) -> None:
    """Raise ContractError where a folder of streams lacks one that its stage wrote, or has another one."""
    results = _results_of(folder / "any")
    if results is None or not _believed[-1]:
        return
    inside = f"results/{folder.relative_to(results).as_posix()}/"
    expected = {name for name in _expected(results, folder / "any") if name.startswith(inside)}
    for name in sorted(expected):
        if not (results.parent / name).is_file():
            raise ContractError("is absent", str(results.parent / name), WRITTEN, REMAKE)
    present = {f"{inside}{path.name}" for path in folder.glob("[!.]*.parquet")}
    if expected and (foreign := sorted(present - expected)):
        raise ContractError(NO_STAGE, str(results.parent / foreign[0]), remedy=REMAKE)


def _results_of(source: Path) -> Path | None:
    """Return the folder of results that a table lies in: ``results/T/session=S/T.parquet`` or without S."""
    parents = source.parents
    depth = 2 if parents[0].name.startswith("session=") else 1
    found = parents[depth] if len(parents) > depth else None
    return found if found is not None and found.name == "results" else None


def _expected(results: Path, source: Path) -> dict[str, str]:
    inside = source.parent.name
    session = inside.removeprefix("session=") if inside.startswith("session=") else ""
    of_session = written(results, session) if session else {}
    return of_session | written(results)


@cache
def _hashes(root: Path) -> KeptHashes:
    return KeptHashes(root)
