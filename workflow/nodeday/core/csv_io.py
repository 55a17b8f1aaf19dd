"""The only way to a CSV file: text that a spreadsheet would run as a formula becomes plain text.

A cell that begins with ``=``, ``+``, ``-``, ``@``, tab or carriage return is a formula to a spreadsheet,
even inside quotes; a single quote in front makes it text (OWASP, CSV Injection). A line feed and the
full-width forms of the four signs are treated in the same way. Numbers do not change, also those in text.
"""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING

from nodeday.core import atomic

if TYPE_CHECKING:
    import pandas as pd

TRIGGERS = ("=", "+", "-", "@", "\t", "\r", "\n", "\uff1d", "\uff0b", "\uff0d", "\uff20")


def plain(text: str) -> str:
    """Return ``text`` as a cell that no spreadsheet takes for a formula.

    >>> plain("=1+1"), plain("-5.2e3"), plain("mV"), plain("-cmd")
    ("'=1+1", '-5.2e3', 'mV', "'-cmd")
    """
    return f"'{text}" if text.startswith(TRIGGERS) and not _number(text) else text


def _number(text: str) -> bool:
    # float() also takes spaces, underscores and other digits, which a spreadsheet reads as text.
    if not set(text) <= set("+-.0123456789eE"):
        return False
    try:
        float(text)
    except ValueError:
        return False
    return True


def write(target: Path, pieces: Iterable[pd.DataFrame]) -> None:
    """Write frames with the same columns, one below the other; the file appears only when complete.

    UTF-8, commas, a header, text in quotes, an empty field for a null, bytes as hexadecimal digits.
    """
    import pyarrow as arrow
    from pyarrow import csv

    with atomic.replacing(target) as partial, partial.open("wb") as out:
        for number, frame in enumerate(pieces):
            rows = arrow.Table.from_pandas(_plain(frame), preserve_index=False)
            csv.write_csv(rows, out, csv.WriteOptions(include_header=not number))


def _plain(frame: pd.DataFrame) -> pd.DataFrame:
    """Return the frame with its text plain and its bytes as text; ``frame`` itself where nothing changes."""
    import pandas as pd

    changed: dict[str, pd.Series] = {}
    for name, column in frame.items():
        if isinstance(column.dtype, pd.CategoricalDtype):
            words = list(column.cat.categories)
        elif pd.api.types.is_object_dtype(column.dtype) or pd.api.types.is_string_dtype(column.dtype):
            words = column.dropna().unique().tolist()
        elif isinstance(column.dtype, pd.ArrowDtype) and column.dtype.type is bytes:
            changed[str(name)] = column.astype(object).map(bytes.hex, na_action="ignore")
            continue
        else:
            continue
        words = [word for word in words if isinstance(word, str) and word.startswith(TRIGGERS)]
        if new := {word: plain(word) for word in words}:
            changed[str(name)] = column.astype(object).map(lambda cell, new=new: new.get(cell, cell))
    return frame.assign(**changed) if changed else frame
