"""Look-up of the one row that a person names: words to a key, a key to conditions, conditions to a row."""

from __future__ import annotations

from typing import Any

import pandas as pd

from nodeday.core.errors import SettingsError, did_you_mean
from nodeday.schemas import Table
from nodeday.storage.row_groups import Filter

Row = Any
"""A row of a table: its values by the names of the columns."""


def parse_key(words: list[str]) -> dict[str, str]:
    """Return ``NAME=VALUE`` words as a key; raise SettingsError for a word of another form."""
    for word in words:
        if "=" not in word:
            raise SettingsError(f"key {word}", expected="NAME=VALUE, such as session=S01 node=heart")
    return dict(word.split("=", 1) for word in words)


def conditions(table: Table, key: dict[str, str]) -> list[Filter]:
    """Return ``key`` as conditions on the table's columns, each value in its column's type.

    Raises SettingsError for a column that the table has not, and for text where a number belongs.
    """
    found: list[Filter] = []
    for name, text in key.items():
        if name not in table.names:
            hint = did_you_mean(name, table.names)
            raise SettingsError(f"table {table.name} has no column {name}{hint}")
        dtype = table[name].dtype
        try:
            value: object = int(text) if "int" in dtype else float(text) if "float" in dtype else text
        except ValueError:
            raise SettingsError(f"{name} is {text}", f"table {table.name}", "a number") from None
        found.append((name, "==", value))
    return found


def single_row(table: Table, rows: pd.DataFrame, key: dict[str, str]) -> Row:
    """Return the only one of ``rows``, which meet ``key``.

    Raises SettingsError where there is none, or several, with the columns in which those differ.
    """
    words = ", ".join(f"{name} {value}" for name, value in key.items())
    if not len(rows):
        raise SettingsError(f"no row with {words}", f"table {table.name}", "values that stand in the table")
    if len(rows) > 1:
        open_ = [name for name in table.key if name not in key]
        values = {name: list(map(str, rows[name].unique()[:4])) for name in open_}
        hint = "; ".join(f"{name} (such as {', '.join(some)})" for name, some in values.items())
        raise SettingsError(f"{len(rows)} rows with {words}", f"table {table.name}", f"also {hint}")
    return rows.iloc[0]


def more(name: str, session: str, row: Row, key: tuple[str, ...]) -> dict[str, str]:
    """Return the command that traces a row of table ``name`` further."""
    words = " ".join(f"{column}={row[column]}" for column in key)
    return {"more": f"nodeday trace {name} session={session} {words}"}
