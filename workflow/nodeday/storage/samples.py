"""Table ``samples``: a file for each stream of a node, and the one way to read and write these files.

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
from nodeday.storage import provenance, tables
from nodeday.storage.row_groups import Filters, Group

if TYPE_CHECKING:
    from nodeday.layouts import Kind

ENDS = {"value": "", "raw": "_raw", "quality": "_quality"}
"""Names of a channel's columns where it is read alone, and what they end in in the table."""


def table_of(kind: Kind) -> Table:
    """Return the contract of a stream's files: a column of each sort for each of its channels."""
    return TABLES["samples"].for_channels({channel.name: channel.unit for channel in kind.channels})


def folder(results: Path, session: str) -> Path:
    """Return the folder of a session's files."""
    return results / "samples" / f"session={session}"


def path(session_folder: Path, node: str, kind: Kind) -> Path:
    """Return the file of a node's stream in a session's folder."""
    return session_folder / f"{node}.{kind.stream}.parquet"


@contextmanager
def writing(results: Path, session: str) -> Iterator[Path]:
    """Yield an empty folder that replaces the session's folder where the block ends well.

    Files of an earlier run go with the folder that is replaced. Where the block fails, the new folder is
    removed.
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
    """Return samples of a node's stream as :func:`tables.read` does, none where no frame of it was received.

    Of a ``channel`` its own columns alone, named ``value``, ``raw`` and ``quality`` in ``columns`` and in
    the frame. Rows are in order of time within each boot, and boots may overlap by as much as their clocks
    are uncertain. Raises ContractError where the session has no samples, or has those of another layout.
    """
    declared, source = table_of(kind), path(folder(results, session), node, kind)
    stored = {name: f"{channel}{end}" for name, end in ENDS.items()} if channel else {}
    if channel and columns is None:
        columns = [*TABLES["samples"].names, *stored]
    wanted = [stored.get(name, name) for name in columns] if columns else declared.names
    if _was_not_written(source):
        rows = tables.empty(declared)[wanted]
    else:
        rows = tables.read(source, declared, wanted, filters)
    return rows.rename(columns={column: name for name, column in stored.items()})


def edges(results: Path, session: str, node: str, kind: Kind) -> tuple[int, int] | None:
    """Return the first and the last instant of a node's stream; None where no frame of it was received.

    They come from the statistics of its file. Raises ContractError as :func:`read` does.
    """
    source = path(folder(results, session), node, kind)
    if _was_not_written(source):
        return None
    spans = tables.groups(source, "utc_ns")
    return (min(span.least for span in spans), max(span.most for span in spans)) if spans else None


def pieces(
    results: Path,
    session: str,
    node: str,
    kind: Kind,
    columns: list[str],
    first: int = 0,
    last: int | None = None,
) -> Iterator[arrow.Table]:
    """Yield some columns of rows [first, last) of a node's stream, as :func:`tables.pieces` does."""
    source = path(folder(results, session), node, kind)
    if not _is_absent(source):
        yield from tables.pieces(source, table_of(kind), columns, first, last)


def groups(results: Path, session: str, node: str, kind: Kind) -> list[Group]:
    """Return the row groups of a node's stream, with the first and the last instant of each.

    There are none where no frame of the stream was received.
    """
    source = path(folder(results, session), node, kind)
    return [] if _is_absent(source) else tables.groups(source, "utc_ns")


def _was_not_written(source: Path) -> bool:
    """Return whether a session has samples, but none of this stream."""
    return source.parent.is_dir() and _is_absent(source)


def _is_absent(source: Path) -> bool:
    """Return whether a stream has no file; raise ContractError where its stage wrote one."""
    if source.exists():
        return False
    provenance.refuse_changed(source)
    return True
