"""Table ``frames``: a file for each stream of a node, and the one way out of them.

::

    results/frames/session=S01/heart.ecg.parquet     row 0 2 4 ...     node stream boot seq ticks ...
                               hub.mark.parquet      row 3 ...
                               wrist.acc.parquet     row 1 5 ...

Column ``row`` is the order of capture across all streams; within a file it rises.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol

import numpy as np
import pandas as pd
import pyarrow as arrow
from numpy.typing import NDArray
from pandas.api.types import union_categoricals

from nodeday.core.arrays import Bools, Ints
from nodeday.core.errors import ContractError
from nodeday.layouts import Kind
from nodeday.schemas import TABLES, codes
from nodeday.storage import provenance, tables
from nodeday.storage.payloads import Payloads
from nodeday.storage.row_groups import EXPECTED, Filters

Key = tuple[str, str]
"""Node and stream."""
Within = Callable[[NDArray[np.int32], Ints], Bools]
"""Which frames (n,) count, by boot and number."""
STATUS = tuple(codes.FRAME_STATUS)
ABSENT = np.iinfo(np.int64).min
"""Stands for a whole number that is absent; no counter and no instant is so small."""


class FrameColumns(Protocol):
    """Columns (f,) of the frames of one stream in order of capture, by their names in table ``frames``.

    ``status`` is the position of the code in ``codes.FRAME_STATUS``. An absent float is NaN, an absent
    whole number :data:`ABSENT`.
    """

    def __getitem__(self, name: str, /) -> NDArray[Any]: ...


def folder(results: Path, session: str) -> Path:
    """Return the folder that holds the files of a session."""
    return results / "frames" / f"session={session}"


def path(results: Path, session: str, key: Key) -> Path:
    """Return the file of a node's stream."""
    return folder(results, session) / f"{'.'.join(key)}.parquet"


def texts(column: arrow.ChunkedArray) -> tuple[NDArray[np.int32], list[str]]:
    """Return the number (n,) of each row's text, and the texts."""
    joined = column.unify_dictionaries().combine_chunks()
    joined = joined.chunk(0) if isinstance(joined, arrow.ChunkedArray) and joined.num_chunks else joined
    if not len(joined):
        return np.zeros(0, np.int32), []
    return np.asarray(joined.indices, np.int32), joined.dictionary.to_pylist()


def streams(results: Path, session: str) -> list[Key]:
    """Return node and stream of each file of a session, in order of names.

    Raises ContractError where stage ``frames`` has not written the session, or wrote other streams.
    """
    source = folder(results, session)
    if not source.is_dir():
        raise ContractError("is absent", str(source), EXPECTED, "`nodeday run` makes it.")
    provenance.refuse_other_files(source)
    names = (each.name.split(".") for each in source.glob("[!.]*.parquet"))
    return sorted((node, stream) for node, stream, _ in names)


def columns_of(results: Path, session: str) -> dict[Key, FrameColumns]:
    """Return the columns of each stream of a session, read when they are asked for.

    Raises ContractError as :func:`streams` does.
    """
    return {key: StreamColumns(path(results, session, key)) for key in streams(results, session)}


@dataclass(frozen=True)
class StreamColumns:
    """Columns of a stream, read from its file one at a time: see :class:`FrameColumns`."""

    source: Path

    def __getitem__(self, name: str, /) -> NDArray[Any]:
        column = tables.column(self.source, name)
        if name == "status":
            numbers, words = texts(column)
            return np.array([STATUS.index(word) for word in words], np.int8)[numbers]
        if column.null_count and arrow.types.is_integer(column.type):
            column = column.fill_null(ABSENT)
        return np.asarray(column.to_numpy())


def is_in(status: NDArray[np.int8], names: Collection[str]) -> Bools:
    """Return which statuses (f,) are among ``names``."""
    return np.array([name in names for name in STATUS])[status]


def first_capture(columns: FrameColumns) -> slice:
    """Return the frames of a stream that the first capture holds; those of all others come after them."""
    return slice(0, int(np.searchsorted(columns["capture"], 1)))


def marks_of(columns: FrameColumns) -> tuple[Ints, Ints]:
    """Return the positions (m,) of a stream's host marks whose counters and stamp fit in, and their UTC."""
    utc_ns = columns["mark_utc_ns"]
    at = np.flatnonzero(utc_ns != ABSENT)
    if len(at):
        at = at[is_in(columns["status"][at], codes.IN_PLACE)]
    return at, utc_ns[at]


def hub_runs(results: Path, session: str) -> pd.DataFrame:
    """Read table ``hub_runs`` of a session."""
    return tables.read(tables.path(results, "hub_runs", session), "hub_runs")


def table(
    results: Path, session: str, columns: list[str] | None = None, filters: Filters | None = None
) -> pd.DataFrame:
    """Read frames of all streams of a session in order of capture, as :func:`tables.read` gives them."""
    declared = TABLES["frames"]
    wanted = columns or declared.names
    needed = list(dict.fromkeys([*wanted, "row"]))
    keys = streams(results, session)
    parts = [tables.read(path(results, session, key), declared, needed, filters) for key in keys]
    parts = [each for each in parts if len(each)]
    if not parts:
        return tables.empty(declared)[wanted]
    joined = pd.concat(parts, ignore_index=True)
    for name in {"node", "stream"} & set(wanted):
        joined[name] = union_categoricals([each[name] for each in parts], sort_categories=True)
    return joined.sort_values("row", ignore_index=True)[wanted]


def pieces(results: Path, session: str, key: Key, columns: list[str], rows: int) -> Iterator[arrow.Table]:
    """Give some columns of a stream as they are stored, at most so many ``rows`` at a time."""
    yield from tables.pieces(path(results, session, key), "frames", columns, rows=rows)


@dataclass(frozen=True)
class DistinctFrames:
    """Distinct frames (f,) of one stream of a node, in order of capture.

    ``again`` says that a frame came by another copy of the capture, ``trusted`` that its counters agree with
    the others; ``samples`` is how many sample instants are in all of them.
    """

    boot: NDArray[np.int32]
    seq: Ints
    ticks: Ints
    again: Bools
    trusted: Bools
    payload: Payloads
    samples: int
    kind: NDArray[np.int32]


def distinct_frames(
    results: Path, session: str, key: Key, kind: Kind, shared: bool = False
) -> DistinctFrames:
    """Read the distinct frames of a stream, their payloads of ``kind`` when they are asked for.

    ``shared`` is whether the stream has frames of other kinds, too.
    """
    source = path(results, session, key)
    columns = StreamColumns(source)
    status = columns["status"]
    at = np.flatnonzero(is_in(status, codes.DISTINCT))
    return DistinctFrames(
        columns["boot"][at],
        columns["seq"][at],
        columns["ticks"][at],
        columns["capture"][at] > 0,
        ~is_in(status[at], ["inconsistent"]),
        Payloads(source, kind, None if len(at) == len(status) else at, shared),
        int(columns["samples"][at].sum(dtype=np.int64)),
        columns["kind"][at],
    )


@dataclass(frozen=True)
class FrameStamps:
    """Distinct frames (f,) of one stream in order of capture, and the sample instants in all of them."""

    boot: NDArray[np.int32]
    seq: Ints
    ticks: Ints
    samples: int
    kind: NDArray[np.int32]


def frame_stamps(columns: FrameColumns, within: Within | None = None) -> FrameStamps:
    """Return when the distinct frames of a stream were stamped; only those ``within``.

    They may hold no samples.
    """
    boot, seq = columns["boot"], columns["seq"]
    wanted = is_in(columns["status"], codes.DISTINCT)
    at = np.flatnonzero(wanted if within is None else wanted & within(boot, seq))
    instants = int(columns["samples"][at].sum(dtype=np.int64))
    return FrameStamps(boot[at], seq[at], columns["ticks"][at], instants, columns["kind"][at])
