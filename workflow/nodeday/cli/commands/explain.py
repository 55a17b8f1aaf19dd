"""`nodeday explain`: what a word in the tables means, in every table that uses it."""

from __future__ import annotations

import argparse
from collections import defaultdict

from nodeday.core.errors import GOOD, SettingsError, did_you_mean

HELP = "what a code, feature, column or table means"
EXAMPLES = "nodeday explain hub_outage"


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the word."""
    parser.add_argument("word", nargs="?", metavar="WORD", help="all codes where there is none")


def run(options: argparse.Namespace) -> int:
    """Print the meaning of a code, feature, column or table; all codes where none is named.

    Raises SettingsError, with the nearest word, for what the tables do not know.
    """
    print("\n".join(_meanings(options.word) if options.word else _all_codes()))
    return GOOD


def known_words() -> list[str]:
    """Return every word that can be explained, sorted."""
    return sorted({*_codes(), *_features_columns_tables()})


def _meanings(word: str) -> list[str]:
    meanings = _codes().get(word, []) + _features_columns_tables().get(word, [])
    if not meanings:
        raise SettingsError(
            f"no code, feature, column or table {word}{did_you_mean(word, known_words())}",
            remedy="`nodeday explain` lists every code.",
        )
    return [word, *meanings]


def _codes() -> dict[str, list[str]]:
    """Return for each code its meanings, with the columns that use it in that meaning."""
    from nodeday.schemas import TABLES

    columns_of: dict[tuple[str, str], list[str]] = defaultdict(list)
    for table in TABLES.values():
        for column in (*table.columns, *table.template):
            if column.codes and column.name != "feature":
                for code, meaning in column.codes.items():
                    columns_of[code, meaning].append(f"{table.name}.{column.name}")
    lines: dict[str, list[str]] = defaultdict(list)
    for (code, meaning), columns in columns_of.items():
        lines[code].append(f"  {meaning} (code of {', '.join(columns)})")
    return lines


def _features_columns_tables() -> dict[str, list[str]]:
    """Return for each feature, column and table its meanings, with where it stands."""
    from nodeday.schemas import FEATURE, TABLES

    lines: dict[str, list[str]] = defaultdict(list)
    for feature in FEATURE.values():
        lines[feature.name] += [
            f"  {feature.meaning}, in {feature.unit} (feature of epochs)",
            f"  formula: {feature.formula}",
            f"  needs: {feature.needs}",
            f"  source: {feature.source}",
        ]
    for table in TABLES.values():
        lines[table.name].append(f"  one row is {table.row} (table)")
        for column in table.columns:
            unit = f", in {column.unit}" if column.unit else ""
            lines[column.name].append(f"  {column.meaning}{unit} (column of {table.name})")
        for column in table.template:
            word = column.name.replace("{channel}", "").replace("{field}", "").strip("_") or "channel"
            lines[word].append(f"  {column.meaning} (column {column.name} of {table.name})")
    return lines


def _all_codes() -> list[str]:
    codes = _codes()
    width = max(len(code) for code in codes)
    return [f"{code:<{width}}{line.removeprefix(' ')}" for code in sorted(codes) for line in codes[code]]
