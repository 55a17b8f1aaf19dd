"""The only way to a CSV file: text that a spreadsheet would run as a formula is made plain text.

A cell that begins with ``=``, ``+``, ``-``, ``@``, tab or carriage return is a formula to a spreadsheet,
whatever quotes stand around it; a single quote in front makes it text (OWASP, CSV Injection). Line feed and
the full-width forms of the four signs are treated alike. Numbers stay as they are, also those in text.
"""

from __future__ import annotations

import csv
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from nodeday import atomic

if TYPE_CHECKING:
    import pandas as pd

TRIGGERS = ("=", "+", "-", "@", "\t", "\r", "\n", "\uff1d", "\uff0b", "\uff0d", "\uff20")


def plain(text: str) -> str:
    """A cell of text that no spreadsheet takes for a formula.

    >>> plain("=1+1"), plain("-5.2e3"), plain("mV"), plain("-cmd")
    ("'=1+1", '-5.2e3', 'mV', "'-cmd")
    """
    return f"'{text}" if text.startswith(TRIGGERS) and not _number(text) else text


def _number(text: str) -> bool:
    # float() takes spaces, underscores and other digits as well, which a spreadsheet reads otherwise.
    if not set(text) <= set("+-.0123456789eE"):
        return False
    try:
        float(text)
    except ValueError:
        return False
    return True


def write(target: Path, pieces: Iterable[pd.DataFrame]) -> None:
    """Frames with the same columns, one below the other: UTF-8, commas, a header, an empty field for a null.
    The file appears under its name only when whole."""
    with atomic.whole(target) as partial, partial.open("w", encoding="utf-8", newline="") as out:
        for number, frame in enumerate(pieces):
            made, returns = _plain(frame)
            # Python's writer before 3.13 leaves a lone carriage return bare, which ends the row for a reader.
            quoting: Literal[0, 2] = csv.QUOTE_NONNUMERIC if returns else csv.QUOTE_MINIMAL
            made.to_csv(out, index=False, header=not number, lineterminator="\n", quoting=quoting)


def _plain(frame: pd.DataFrame) -> tuple[pd.DataFrame, bool]:
    """The frame with its text made plain (the same frame where nothing had to be), and whether any text
    holds a carriage return."""
    import pandas as pd

    changed: dict[str, pd.Series] = {}
    returns = False
    for name, column in frame.items():
        if isinstance(column.dtype, pd.CategoricalDtype):
            words = list(column.cat.categories)
        elif pd.api.types.is_object_dtype(column.dtype) or pd.api.types.is_string_dtype(column.dtype):
            words = list(column.dropna().unique())
        else:
            continue
        named = {each: plain(each) for each in words if isinstance(each, str)}
        returns = returns or any("\r" in each for each in named)
        if any(before != after for before, after in named.items()):
            changed[str(name)] = column.astype(object).map(lambda cell, named=named: named.get(cell, cell))
    return (frame.assign(**changed) if changed else frame), returns
