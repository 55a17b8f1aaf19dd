"""`nodeday dictionary`: every table, column, unit and code, as Markdown."""

from __future__ import annotations

import argparse

from nodeday.core.errors import GOOD, SettingsError, did_you_mean

HELP = "every table, column, unit and code"
EXAMPLES = "nodeday dictionary gaps"


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the table."""
    parser.add_argument("table", nargs="?", metavar="TABLE", help="all of them where there is none")


def run(options: argparse.Namespace) -> int:
    """Print the data dictionary; raise SettingsError for a table that is none."""
    from nodeday.schemas import TABLES
    from nodeday.schemas.dictionary import markdown

    table = options.table
    if table and table not in TABLES:
        raise SettingsError(
            f"no table {table}{did_you_mean(table, TABLES)}", expected=f"one of {', '.join(TABLES)}"
        )
    print(markdown(table), end="")
    return GOOD
