"""Tab-separated sheets to typed rows and back; an error names file, line and the nearest known column."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import TypeVar

from pydantic import ValidationError

from nodeday.core import privacy, refusals
from nodeday.core.errors import SettingsError, did_you_mean, unreadable
from nodeday.core.yaml_io import Strict

Row = TypeVar("Row", bound=Strict)


def load(path: Path, model: type[Row], unique: str | None = None) -> list[Row]:
    """Return the rows of a sheet; raise SettingsError that lists every problem with its line.

    No two rows may have the same value in the column ``unique``.
    """
    try:
        # Spreadsheets put a byte order mark in front; utf-8-sig reads both.
        with path.open(encoding="utf-8-sig", newline="") as file:
            text = file.read()
    except FileNotFoundError:
        raise SettingsError("no such file", str(path)) from None
    except (OSError, UnicodeDecodeError) as error:
        raise unreadable(path, error, "a tab-separated sheet in UTF-8") from None
    return parse(text, model, str(path), unique)


def parse(text: str, model: type[Row], where: str, unique: str | None = None) -> list[Row]:
    """Return the rows of a sheet that is given as text; raise what :func:`load` raises."""
    try:
        reader = csv.DictReader(io.StringIO(text, newline=""), delimiter="\t")
        header, lines = list(reader.fieldnames or ()), [(reader.line_num, line) for line in reader]
    except csv.Error:
        raise SettingsError("holds a cell that is too long to be one", where, "tab-separated cells") from None
    instants = [name for name, field in model.model_fields.items() if "datetime" in str(field.annotation)]
    privacy.refuse(where, header, lines, instants)
    _check_header(where, header, model)
    rows, problems = [], []
    for number, line in lines:
        if None in line:
            problems.append(f"line {number}: more cells than the header has columns")
            continue
        try:
            rows.append(model.model_validate({k: v for k, v in line.items() if k and v}))
        except ValidationError as error:
            problems.append(f"line {number}: {in_words(error)}")
    if problems:
        raise SettingsError("; ".join(problems), where)
    if unique:
        _refuse_twins(where, [getattr(row, unique) for row in rows])
    return rows


def dump(header: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """Return a sheet as text, its header first.

    >>> print(dump(["node", "address"], [["hub", "0"]]).expandtabs(8), end="")
    node    address
    hub     0
    """
    out = io.StringIO()
    csv.writer(out, delimiter="\t", lineterminator="\n").writerows([header, *rows])
    return out.getvalue()


def in_words(error: ValidationError) -> str:
    """Return every problem of a row in one text."""
    return ", ".join(
        refusals.sentence(".".join(str(key) for key in problem["loc"]), problem) for problem in error.errors()
    )


def _check_header(where: str, header: list[str], model: type[Strict]) -> None:
    for name in header:
        if header.count(name) > 1:
            raise SettingsError(f"column {name} is there twice", f"{where} line 1", "each column once")
        if name not in model.model_fields:
            hint = did_you_mean(name, model.model_fields)
            raise SettingsError(f"unknown column {name}{hint}", f"{where} line 1")


def _refuse_twins(where: str, codes: list[str]) -> None:
    twins = sorted({code for code in codes if codes.count(code) > 1})
    if twins:
        raise SettingsError(f"more than one row for {', '.join(twins)}", where, "a row each")
