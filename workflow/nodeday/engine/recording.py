"""Records of jobs: what each read and wrote, written down once it has ended well."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

from nodeday.config.study import Study
from nodeday.core.errors import ContractError
from nodeday.engine import dependencies, digests, rule_params
from nodeday.storage import provenance
from nodeday.storage.hashes import KeptHashes, mark, name_of
from nodeday.storage.provenance import JobRecord


@contextmanager
def recorded(study: Study, stage: str, session: str = "", sessions: Sequence[str] = ()) -> Iterator[None]:
    """Run the block as a job of ``stage`` and write its record; an earlier one goes before it begins.

    Raises ContractError where a file that it read was changed or exchanged meanwhile.
    """
    provenance.remove(study.results, stage, session)
    given = [study.root / name for name in dependencies.inputs(study, stage, session)]
    before = [_mark(path) for path in given]
    job = _begun(study, stage, session, sessions)
    yield
    for path, was in zip(given, before, strict=True):
        if _mark(path) != was:
            raise ContractError(
                f"changed while stage {stage} read it",
                str(path),
                "a file that nothing writes to",
                "Run again once nothing writes it any more.",
            )
    hashed = KeptHashes(study.root)
    wrote = files_of(study.root, dependencies.outputs(study, stage, session, sessions))
    inputs = [path for path, was in zip(given, before, strict=True) if was]
    names = [name_of(path, study.root) for path in inputs]
    done = JobRecord(
        stage,
        job.code,
        job.libraries,
        job.settings,
        {**job.read, **dict(zip(names, hashed(inputs), strict=True))},
        dict(zip(wrote, hashed([study.root / name for name in wrote]), strict=True)),
    )
    provenance.write(study.results, done, session)
    hashed.keep(inputs=False)


def _begun(study: Study, stage: str, session: str, sessions: Sequence[str]) -> JobRecord:
    """Return what is known of a job before it begins."""
    read = dependencies.results_read(study, stage, session, sessions)
    written = {name: provenance.written(study.results, name) for name in {name for _, name in read}}
    return JobRecord(
        stage,
        digests.code(stage),
        digests.libraries(),
        rule_params.settings(study, stage, session, sessions),
        {path: digest_of(path, written[name]) for path, name in read},
    )


def _mark(path: Path) -> str:
    """Return the mark of a file, nothing where it is absent: its stage has a sentence for that."""
    return mark(path) if path.is_file() else ""


def files_of(root: Path, outputs: Sequence[str]) -> list[str]:
    """Return the files there are of ``outputs``, each a file or a folder of streams."""
    found = []
    for name in outputs:
        path = root / name
        if path.is_dir():
            found += [f"{name}/{each.name}" for each in sorted(path.glob("[!.]*")) if each.is_file()]
        elif path.is_file():
            found.append(name)
    return found


def digest_of(path: str, written: dict[str, str]) -> str:
    """Return the hash that a file was written with; of a folder one that stands for all of its files.

    Nothing where no record speaks of it.
    """
    if path in written:
        return written[path]
    inside = [f"{name} {digest}" for name, digest in sorted(written.items()) if name.startswith(f"{path}/")]
    return rule_params.digest(inside) if inside else ""
