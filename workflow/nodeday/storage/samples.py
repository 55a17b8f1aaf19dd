"""Table ``samples``: a file for each stream of a node, and the one way in and out of them.

::

    results/samples/session=S01/heart.ecg.parquet     node stream boot seq position utc_ns origin
                                                      ecg ecg_raw ecg_quality
                                wrist.acc.parquet     ... x x_raw x_quality y y_raw ... z_quality
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd
import pyarrow as arrow

from nodeday.core import atomic
from nodeday.schemas import TABLES, Table
from nodeday.storage import row_groups, tables
from nodeday.storage.row_groups import Filters

if TYPE_CHECKING:
    from nodeday.layouts import Kind

ENDS = {"value": "", "raw": "_raw", "quality": "_quality"}
"""What a channel's columns are called where it stands alone, and what its name ends in in the table."""


def table_of(kind: Kind) -> Table:
    """The contract of the files of a stream: a column of each sort for each of its channels."""
    return TABLES["samples"].for_channels({channel.name: channel.unit for channel in kind.channels})


def folder(results: Path, session: str) -> Path:
    """Where the files of a session lie."""
    return results / "samples" / f"session={session}"


def path(place: Path, node: str, kind: Kind) -> Path:
    """The file of a node's stream in ``place``, a session's folder."""
    return place / f"{node}.{kind.stream}.parquet"


@contextmanager
def writing(results: Path, session: str) -> Iterator[Path]:
    """Give an empty folder that replaces the session's own, old files with it, when the block ends well.

    Where the block raises, what the session had stays.
    """
    with atomic.folder(folder(results, session)) as partial:
        yield partial


def read(
    results: Path,
    session: str,
    node: str,
    kind: Kind,
    columns: list[str] | None = None,
    filters: Filters | None = None,
    channel: str | None = None,
) -> pd.DataFrame:
    """Samples of a node's stream as :func:`tables.read` gives them, none where it was never heard.

    Of a ``channel`` its own columns alone, named ``value``, ``raw`` and ``quality`` in ``columns`` and in
    the frame. Rows are in order of time within each boot, and boots may overlap by as much as their clocks
    are uncertain. Raises ContractError where the session has no samples, or has those of another layout.
    """
    declared, source = table_of(kind), path(folder(results, session), node, kind)
    own = {word: f"{channel}{end}" for word, end in ENDS.items()} if channel else {}
    if channel and columns is None:
        columns = [*TABLES["samples"].names, *own]
    wanted = [own.get(name, name) for name in columns] if columns else declared.names
    if source.parent.is_dir() and not source.exists():
        rows = tables.empty(declared)[wanted]
    else:
        rows = tables.read(source, declared, wanted, filters)
    return rows.rename(columns={column: word for word, column in own.items()})


def edges(results: Path, session: str, node: str, kind: Kind) -> tuple[int, int] | None:
    """First and last instant of a node's stream, from its file's statistics; None where it was never heard.

    Raises ContractError as :func:`read` does.
    """
    source = path(folder(results, session), node, kind)
    if source.parent.is_dir() and not source.exists():
        return None
    told = tables.groups(source, "utc_ns")
    return (min(each.least for each in told), max(each.most for each in told)) if told else None


def pieces(
    results: Path,
    session: str,
    node: str,
    kind: Kind,
    columns: list[str],
    first: int = 0,
    last: int | None = None,
) -> Iterator[arrow.Table]:
    """Some columns of rows [first, last) of a node's stream, a stretch after the other, as stored."""
    source = path(folder(results, session), node, kind)
    if source.exists():
        yield from tables.pieces(source, table_of(kind), columns, first, last)


def groups(results: Path, session: str, node: str, kind: Kind) -> list[row_groups.Group]:
    """The stretches in which the rows of a node's stream lie in its file, with their first and last instant;
    none where it was never heard.
    """
    source = path(folder(results, session), node, kind)
    return tables.groups(source, "utc_ns") if source.exists() else []
