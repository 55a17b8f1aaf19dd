"""A search of a copy for sharing: dates, people, paths and this machine's names in any of its texts.

Texts come from settings, where a person writes what they like: titles, phases, placements, comments. A date
there undoes the shift of all instants. The search knows dates in figures and dates whose month is a word in
one of seven languages; it does not know "the day after the storm". What looks like a person is the same as in
settings, but names: in free text a name looks like a title.
"""

from __future__ import annotations

import getpass
import json
import platform
import re
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import NamedTuple

import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from nodeday.core import privacy
from nodeday.core.errors import ContractError
from nodeday.schemas import TABLES

SHIFTED = ("start_utc",)
"""Columns of text that hold instants, which a copy has shifted."""
MONTHS = (
    "septiembre|diciembre|fevereiro|noviembre|september|septembre|setiembre|settembre|augustus|"
    "december|dezember|dezembro|dicembre|décembre|febbraio|februari|february|november|novembre|"
    "novembro|setembro|febrero|februar|février|gennaio|janeiro|januari|january|janvier|juillet|october|"
    "octobre|octubre|oktober|ottobre|outubro|agosto|aprile|august|giugno|januar|jänner|luglio|maggio|"
    "abril|april|avril|enero|julho|julio|junho|junio|maart|march|marzo|março|août|juin|juli|july|june|"
    "juni|maio|mars|mayo|märz|sept|apr|aug|dec|feb|jan|jul|jun|mai|mar|may|mei|nov|oct|sep"
)
"""Months in English, German, French, Spanish, Italian, Portuguese and Dutch (from memory)."""
DATES = (
    re.compile(r"(?<![0-9a-f])(?:19|20)\d\d(?:0[1-9]|1[0-2])(?:0[1-9]|[12]\d|3[01])(?![0-9a-f])"),
    re.compile(r"(?<!\d)(?:19|20)\d\d[-./_ ](?:0?[1-9]|1[0-2])[-./_ ](?:0?[1-9]|[12]\d|3[01])(?!\d)"),
    re.compile(
        r"(?<![\d.])(?:0?[1-9]|[12]\d|3[01])[-./](?:0?[1-9]|[12]\d|3[01])[-./](?:19|20)?\d\d(?![\d.]\d)"
    ),
    re.compile(rf"(?<!\d)[0-3]?\d(?:st|nd|rd|th|er|\.|º)?[ -]*(?:de |of )?(?:{MONTHS})\b", re.IGNORECASE),
    re.compile(rf"\b(?:{MONTHS})\.? +[0-3]?\d(?:st|nd|rd|th)?(?!\d)", re.IGNORECASE),
    re.compile(rf"\b(?:{MONTHS})\.?,? +(?:de )?(?:19|20)\d\d(?!\d)", re.IGNORECASE),
)
PATH = re.compile(r"(?<![\w.:/])/(?:home|root|Users|mnt|media|srv|tmp|var|data|scratch)/\S+|\b[A-Z]:\\\S+")
LEAST_NAME = 4
"""Shorter names of machines and users are words of other things too often. A choice of this project."""


class Finding(NamedTuple):
    """What a text of a copy discloses, and where it stands."""

    where: str
    text: str
    what: str


def refuse(folder: Path, root: Path) -> None:
    """Raise ContractError for the first text in ``folder`` that discloses a date, a person or a machine.

    ``root`` is the folder of the study, whose path no text may hold.
    """
    for found in findings(folder, root):
        raise ContractError(
            f"{found.text!r} holds {found.what}",
            found.where,
            "texts without dates, people, paths and names of machines",
            "Write it without in config/, run `nodeday run`, and release again.",
        )


def findings(folder: Path, root: Path) -> Iterator[Finding]:
    """Yield each text in the files of ``folder`` that discloses something, file by file."""
    names = _names_of_machine()
    for file in sorted(each for each in folder.rglob("*") if each.is_file()):
        texts = _of_table(file) if file.suffix == ".parquet" else _of_text(file)
        for place, text in texts:
            if what := discloses(text, [*names, str(root.resolve())]):
                yield Finding(f"{file.relative_to(folder)} {place}".strip(), _shortened(text), what)


def discloses(text: str, names: Iterable[str] = ()) -> str:
    """Return in words what ``text`` discloses; an empty text where it seems to disclose nothing.

    >>> [discloses(text) for text in ("harvest", "harvest of 14 July", "2026-07-14", "/home/ana/day.bin")]
    ['', 'a date', 'a date', 'a path']
    """
    if any(pattern.search(text) for pattern in DATES):
        return "a date"
    if PATH.search(text):
        return "a path"
    for name in names:
        if re.search(rf"(?<!\w){re.escape(name)}(?!\w)", text):
            return "a name of this machine, its user or the study's folder"
    return privacy.looks_like(text, names=False)


def _of_table(file: Path) -> Iterator[tuple[str, str]]:
    """Yield place and text of each distinct value in columns of text, and of the file's metadata."""
    with pq.ParquetFile(file) as opened:
        for key, value in (opened.schema_arrow.metadata or {}).items():
            yield from (
                (f"metadata {key.decode()}", text) for text in _strings(value.decode("utf-8", "replace"))
            )
        wanted = [
            field.name for field in opened.schema_arrow if field.name not in SHIFTED and _is_text(field.type)
        ]
        for column in wanted:
            seen: set[str] = set()
            for batch in opened.iter_batches(columns=[column]):
                values = batch.column(0)
                values = values.dictionary if pa.types.is_dictionary(values.type) else pc.unique(values)
                seen.update(text for text in values.to_pylist() if text)
            yield from ((f"column {column}", text) for text in sorted(seen))


def _is_text(kind: pa.DataType) -> bool:
    kind = kind.value_type if pa.types.is_dictionary(kind) else kind
    return bool(pa.types.is_string(kind) or pa.types.is_large_string(kind))


def _of_text(file: Path) -> Iterator[tuple[str, str]]:
    text = file.read_text(encoding="utf-8")
    if file.suffix == ".json":
        yield from (("", each) for each in _strings(text))
    else:
        yield from ((f"line {number}", line) for number, line in enumerate(text.splitlines(), 1))


def _strings(text: str) -> Iterator[str]:
    """Yield the texts in a JSON document; the whole where it is none."""
    try:
        waiting = [json.loads(text)]
    except ValueError:
        waiting = [text]
    while waiting:
        each = waiting.pop()
        if isinstance(each, dict):
            waiting += [*each.keys(), *each.values()]
        elif isinstance(each, list):
            waiting += each
        elif isinstance(each, str):
            yield each


def _names_of_machine() -> list[str]:
    """Return the machine's name and the user's, where they are no words that the tables use anyway."""
    words = set(
        re.findall(r"\w+", " ".join(each.meaning for table in TABLES.values() for each in table.columns))
    )
    try:
        user = getpass.getuser()
    except (KeyError, OSError):  # no user has that number, as in containers
        user = ""
    names = {platform.node(), user, str(Path.home())}
    return sorted(name for name in names if len(name) >= LEAST_NAME and name not in words | {"root", "/root"})


def _shortened(text: str, most: int = 80) -> str:
    return text if len(text) <= most else text[: most - 3] + "..."
