"""Which jobs of a study are to be done, and why: records of jobs held to what is there now, by content.

No time of a file counts. What a job read and wrote is compared by hash, what it took from settings and sheets
by digest, its code by digest, and the libraries by version.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

from nodeday.config.study import Study
from nodeday.engine import dependencies, digests, recording, rule_params
from nodeday.engine.stages import CHAIN, STAGES
from nodeday.storage import provenance
from nodeday.storage.hashes import KeptHashes
from nodeday.storage.provenance import JobRecord

OF_SESSION, OF_STUDY = (*CHAIN, "report"), ("study", "index", "dataset")
SHOWN = 3
"""Names that a reason lists."""


@dataclass(frozen=True)
class ToDo:
    """A job to be done and why. ``absent`` is whether something that it writes is not there.

    ``follows`` is whether a job before it is to be done as well.
    """

    stage: str
    session: str
    why: str
    absent: bool = False
    follows: bool = False


def to_do(study: Study, sessions: Sequence[str], hashed: KeptHashes) -> list[ToDo]:
    """Return the jobs that the results of ``sessions`` still need, in order. Reads what has changed."""
    found: dict[tuple[str, str], ToDo] = {}
    written: dict[str, dict[str, str]] = {}
    for name in sessions:
        stages = ("simulate", *OF_SESSION) if name in study.planned else OF_SESSION
        for stage in stages:
            _add(found, study, stage, name, sessions, written, hashed)
    for stage in OF_STUDY:
        _add(found, study, stage, "", sessions, written, hashed)
    return list(found.values())


def _add(
    found: dict[tuple[str, str], ToDo],
    study: Study,
    stage: str,
    session: str,
    sessions: Sequence[str],
    written: dict[str, dict[str, str]],
    hashed: KeptHashes,
) -> None:
    job = _own_reason(study, stage, session, sessions, written, hashed)
    if before := _before(stage, session, sessions, found):
        following = ToDo(stage, session, f"follows from {before}", job is not None and job.absent)
        own = job if stage != "dataset" else None  # it only repeats what is said of others
        job = replace(own or following, follows=True)
    if job:
        found[stage, session] = job


def _before(stage: str, session: str, sessions: Sequence[str], found: Mapping[tuple[str, str], ToDo]) -> str:
    """Return a job in ``found`` whose tables the job reads; nothing where there is none."""
    names = sessions if not session else [session]
    for earlier in STAGES:
        if earlier == stage:
            return ""
        own = earlier in OF_SESSION or earlier == "simulate"
        if stage == "report" and not own:
            return ""  # it repeats what follows from the tables of sessions
        simulated = earlier == "simulate" and stage == "frames"
        shared = (set(STAGES[earlier].writes) & set(STAGES[stage].reads)) or stage == "dataset"
        if not (shared or simulated):
            continue
        for name in names if own else [""]:
            if (earlier, name) in found:
                return f"{earlier} of {name}" if name and not session else earlier
    return ""


def _own_reason(
    study: Study,
    stage: str,
    session: str,
    sessions: Sequence[str],
    written: dict[str, dict[str, str]],
    hashed: KeptHashes,
) -> ToDo | None:
    """Return why a job itself is to be done, whatever came before it; None where it is not."""
    job = partial(ToDo, stage, session)
    if stage == "dataset":
        why = _manifest_reason(study.root, hashed)
        return job(why, absent=why.endswith("is absent")) if why else None
    record = provenance.read(study.results, stage, session)
    if stage == "simulate" and record is None:
        return None  # a capture that came with the study, or was simulated elsewhere
    outputs = dependencies.outputs(study, stage, session, sessions)
    if record is None:
        absent = not all((study.root / name).exists() for name in outputs)
        return job("was not done yet" if absent else "no record says how it was made", absent=absent)
    if gone := [name for name in record.wrote if not (study.root / name).is_file()]:
        return job(f"{_some(gone)} is absent", absent=True)
    if why := _other_output(study.root, record, outputs, hashed) or _other_making(
        study, record, session, sessions
    ):
        return job(why)
    now = {name: "" for name in dependencies.inputs(study, stage, session)}
    there = [name for name in now if (study.root / name).is_file()]
    now |= zip(there, hashed([study.root / name for name in there]), strict=True)
    for path, name in dependencies.results_read(study, stage, session, sessions):
        if name not in written:
            written[name] = provenance.written(study.results, name)
        now[path] = recording.digest_of(path, written[name])
    changed = _changed(record.read, now)
    return job(f"{_some(changed)} changed") if changed else None


def _other_output(root: Path, record: JobRecord, outputs: Sequence[str], hashed: KeptHashes) -> str:
    """Return which result differs from what the job wrote, as a sentence; nothing where none does."""
    files = list(record.wrote)
    if foreign := sorted(set(recording.files_of(root, outputs)) - set(files)):
        return f"{_some(foreign)} was written by no stage"
    try:
        found = hashed([root / name for name in files])
    except OSError as error:
        return f"{error.filename} cannot be read"
    other = [name for name, digest in zip(files, found, strict=True) if record.wrote[name] != digest]
    return f"{_some(other)} has other content than its stage wrote" if other else ""


def _other_making(study: Study, record: JobRecord, session: str, sessions: Sequence[str]) -> str:
    """Return what of code, libraries and settings has changed since a job, as a sentence; else nothing."""
    if record.code != digests.code(record.stage):
        return f"the code of stage {record.stage} changed"
    libraries = digests.libraries()
    if other := _changed(record.libraries, libraries):
        name = other[0]
        return f"{name} is {libraries.get(name, 'absent')}, and was {record.libraries.get(name, 'absent')}"
    settings = rule_params.settings(study, record.stage, session, sessions)
    other = _changed(record.settings, settings)
    return f"what the settings say changed: {', '.join(other)}" if other else ""


def _manifest_reason(root: Path, hashed: KeptHashes) -> str:
    """Return what the manifest says of the study that is no longer so, as a sentence; else nothing."""
    name = "results/manifest.json"
    manifest = root / name
    if not manifest.is_file():
        return f"{name} is absent"
    try:
        document = json.loads(manifest.read_text(encoding="utf-8"))
        said = {str(each["path"]): str(each["sha256"]) for each in _entries(document)}
        made = document["code"]["dataset"]
    except (ValueError, KeyError, TypeError):
        return f"{name} cannot be read"
    if gone := [path for path in said if not (root / path).is_file()]:
        return f"{_some(gone)} is absent"
    found = dict(zip(said, hashed([root / path for path in said]), strict=True))
    if other := _changed(said, found):
        return f"{_some(other)} changed"
    return "" if made == digests.code("dataset") else "the code of stage dataset changed"


def _entries(document: Mapping[str, list[Mapping[str, str]]]) -> Iterator[Mapping[str, str]]:
    for part in ("inputs", "settings", "results"):
        yield from document[part]


def _changed(before: Mapping[str, str], now: Mapping[str, str]) -> list[str]:
    """Return the names whose values differ, or that only one of both has."""
    return sorted(name for name in before.keys() | now.keys() if before.get(name) != now.get(name))


def _some(names: Sequence[str]) -> str:
    more = f" and {len(names) - SHOWN} more" if len(names) > SHOWN else ""
    return ", ".join(names[:SHOWN]) + more
