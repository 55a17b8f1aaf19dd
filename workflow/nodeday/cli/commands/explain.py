"""`nodeday explain`: what a word in the tables means, wherever it stands."""

from __future__ import annotations

import argparse
import difflib
from collections import defaultdict

from nodeday.core.errors import GOOD, SettingsError
from nodeday.schemas import FEATURE, TABLES


def explain(options: argparse.Namespace) -> int:
    """Print the meaning of a code, feature, column or table; all codes where none is named.

    Raises SettingsError, with the nearest words, for what the tables do not know.
    """
    print("\n".join(_meanings(options.word) if options.word else _all_codes()))
    return GOOD


def words() -> list[str]:
    """Everything that can be explained."""
    return sorted({*_codes(), *_others()})


def _meanings(word: str) -> list[str]:
    found = _codes().get(word, []) + _others().get(word, [])
    if not found:
        near = difflib.get_close_matches(word, [*_codes(), *_others()], 3, 0.5)
        hint = f"Did you mean {', '.join(near)}?" if near else "`nodeday explain` lists every code."
        raise SettingsError(f"no code, feature, column or table {word}", remedy=hint)
    return [f"{word}", *found]


def _codes() -> dict[str, list[str]]:
    """For each code its meaning and the columns that use it in that meaning."""
    where: dict[tuple[str, str], list[str]] = defaultdict(list)
    for table in TABLES.values():
        for column in (*table.columns, *table.template):
            if column.codes and column.name != "feature":
                for code, meaning in column.codes.items():
                    where[code, meaning].append(f"{table.name}.{column.name}")
    found: dict[str, list[str]] = defaultdict(list)
    for (code, meaning), columns in where.items():
        found[code].append(f"  {meaning} (code of {', '.join(columns)})")
    return found


def _others() -> dict[str, list[str]]:
    """The same for features, columns and tables."""
    found: dict[str, list[str]] = defaultdict(list)
    for one in FEATURE.values():
        found[one.name].append(f"  {one.meaning}, in {one.unit} (feature of epochs)")
        found[one.name] += [f"  formula: {one.formula}", f"  needs: {one.needs}", f"  source: {one.source}"]
    for table in TABLES.values():
        found[table.name].append(f"  one row is {table.row} (table)")
        for column in table.columns:
            unit = f", in {column.unit}" if column.unit else ""
            found[column.name].append(f"  {column.meaning}{unit} (column of {table.name})")
        for column in table.template:
            word = column.name.removeprefix("{channel}").lstrip("_") or "channel"
            found[word].append(f"  {column.meaning} (column {column.name} of {table.name})")
    return found


def _all_codes() -> list[str]:
    codes = _codes()
    width = max(len(code) for code in codes)
    return [f"{code:<{width}}{line.removeprefix(' ')}" for code in sorted(codes) for line in codes[code]]
