"""Tab-separated sheets into typed rows, with the file, line and nearest known column in every complaint."""

from __future__ import annotations

import csv
import difflib
from pathlib import Path
from typing import TypeVar

from pydantic import ValidationError

from nodeday.core import privacy
from nodeday.core.errors import SettingsError
from nodeday.core.yaml_io import RULES, Strict

Row = TypeVar("Row", bound=Strict)


def load(path: Path, model: type[Row], unique: str | None = None) -> list[Row]:
    """Rows of a sheet; raise SettingsError that lists every problem with its line."""
    try:
        # Spreadsheets put a byte order mark in front; utf-8-sig reads both.
        with path.open(encoding="utf-8-sig", newline="") as file:
            reader = csv.DictReader(file, delimiter="\t")
            header, lines = list(reader.fieldnames or ()), [(reader.line_num, line) for line in reader]
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        reason = "no such file" if isinstance(error, FileNotFoundError) else f"cannot be read ({error})"
        raise SettingsError(reason, str(path)) from None
    instants = [name for name, each in model.model_fields.items() if "datetime" in str(each.annotation)]
    privacy.refuse(str(path), header, lines, instants)
    _header(path, header, model)
    rows, found = [], []
    for number, line in lines:
        if None in line:
            found.append(f"line {number}: more cells than the header has columns")
            continue
        try:
            rows.append(model.model_validate({k: v for k, v in line.items() if k and v}))
        except ValidationError as error:
            found.append(f"line {number}: {in_words(error)}")
    if found:
        raise SettingsError("; ".join(found), str(path))
    if unique:
        _no_twins(path, [getattr(row, unique) for row in rows])
    return rows


def _header(path: Path, header: list[str], model: type[Strict]) -> None:
    for name in header:
        if header.count(name) > 1:
            raise SettingsError(f"column {name} is there twice", f"{path} line 1", "each column once")
        if name not in model.model_fields:
            near = difflib.get_close_matches(name, model.model_fields, n=1)
            hint = f" (did you mean {near[0]}?)" if near else ""
            raise SettingsError(f"unknown column {name}{hint}", f"{path} line 1")


def in_words(error: ValidationError) -> str:
    """All that is wrong with a row."""
    parts = []
    for each in error.errors():
        name = ".".join(str(key) for key in each["loc"])
        if each["type"] == "string_pattern_mismatch":
            parts.append(f"{name} is {each['input']!r}, not {RULES[each['ctx']['pattern']]}")
        elif each["type"] == "missing":
            parts.append(f"{name} is missing")
        else:
            parts.append(f"{name}: {str(each['msg']).removeprefix('Value error, ')}")
    return ", ".join(parts)


def _no_twins(path: Path, codes: list[str]) -> None:
    twins = sorted({code for code in codes if codes.count(code) > 1})
    if twins:
        raise SettingsError(f"more than one row for {', '.join(twins)}", str(path), "a row each")
