"""A channel's samples in pieces that overlap, so that memory does not grow with the day::

rows of a boot   .............................................
first piece      [=== core ===]margin
second piece           margin[=== core ===]margin
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
import pyarrow as arrow
from numpy.typing import NDArray

from nodeday.core.arrays import Bools, Ints, Singles
from nodeday.schemas import codes

MEASURED, RECOVERED, INTERPOLATED, MISSING = (
    list(codes.ORIGIN).index(each) for each in ("measured", "recovered", "interpolated", "missing")
)
ROWS = ["utc_ns", "value", "origin", "quality"]
"""Columns of a channel that stands alone."""
GOOD = list(codes.QUALITY).index("good")


@dataclass(frozen=True)
class SampleRows:
    """Samples (n,) of one channel and boot, in order: ``value`` is NaN where missing; ``origin`` and
    ``quality`` are places in their lists of codes.
    """

    boot: int
    utc_ns: Ints
    value: Singles
    origin: NDArray[np.int8]
    quality: NDArray[np.int8]

    def __len__(self) -> int:
        return len(self.utc_ns)

    @property
    def missing(self) -> Bools:
        return np.asarray(self.origin == MISSING)

    @property
    def computed(self) -> Bools:
        return np.asarray(self.origin == INTERPOLATED)

    @property
    def received(self) -> Bools:
        return np.asarray((self.origin == MEASURED) | (self.origin == RECOVERED))

    def part(self, rows: slice) -> SampleRows:
        """Those of ``rows``."""
        return SampleRows(
            self.boot, self.utc_ns[rows], self.value[rows], self.origin[rows], self.quality[rows]
        )


@dataclass(frozen=True)
class Cut:
    """Where a piece lies in its stream: rows [low, high), of which [start, end) are its own; its boot begins
    with row ``first``.
    """

    boot: int
    first: int
    low: int
    start: int
    end: int
    high: int


@dataclass(frozen=True)
class SamplePiece:
    """``core`` are the rows that are this piece's own, the others its neighbours'; ``first`` is the number of
    the first of ``rows`` within the boot.
    """

    rows: SampleRows
    core: slice
    first: int


def cuts(stored: Iterable[arrow.Table], size: int, margin: int) -> list[Cut]:
    """Pieces of ``size`` rows of one boot, its last one of up to a margin more, with up to ``margin`` rows on
    each side; ``stored`` are stretches of the column ``boot`` in order, however long.
    """
    found: list[Cut] = []
    for boot, first, last in _boots(stored):
        start = first
        while last > start + size + margin:
            end = start + size
            found.append(Cut(boot, first, max(start - margin, first), start, end, end + margin))
            start = end
        found.append(Cut(boot, first, max(start - margin, first), start, last, last))
    return found


def _boots(stored: Iterable[arrow.Table]) -> list[tuple[int, int, int]]:
    """Number and rows [first, last) of each boot."""
    found: list[tuple[int, int, int]] = []
    at = 0
    for table in stored:
        number = table["boot"].to_numpy()
        borders = [0, *(np.flatnonzero(np.diff(number)) + 1).tolist(), len(number)]
        for start, end in pairwise(borders):
            if start == end:
                continue
            boot, first = int(number[start]), at + start
            if found and found[-1][0] == boot:
                first = found.pop()[1]
            found.append((boot, first, at + end))
        at += len(number)
    return found


def together(pieces: Iterable[Cut], rows: int) -> list[list[Cut]]:
    """The pieces in groups that follow each other, each of one piece or of as many as lie within ``rows``:
    of many short boots, a file is not opened for each.
    """
    found: list[list[Cut]] = []
    for piece in pieces:
        if found and piece.high - found[-1][0].low <= rows:
            found[-1].append(piece)
        else:
            found.append([piece])
    return found


def pieces_of(stored: Iterable[arrow.Table], own: list[Cut]) -> Iterator[SamplePiece]:
    """The pieces ``own``, from the columns ``ROWS`` of a channel in stretches from the first row of the first
    of them on.
    """
    first, n = own[0].low, own[-1].high - own[0].low
    whole = SampleRows(
        own[0].boot, np.empty(n, np.int64), np.empty(n, np.float32), *np.empty((2, n), np.int8)
    )
    at = 0
    for table in stored:
        rows = whole.part(slice(at, at + len(table)))
        rows.utc_ns[:], rows.value[:] = table["utc_ns"].to_numpy(), table["value"].to_numpy()
        rows.origin[:] = places_of(table["origin"], list(codes.ORIGIN))
        rows.quality[:] = places_of(table["quality"], list(codes.QUALITY))
        at += len(table)
    for each in own:
        rows = replace(whole.part(slice(each.low - first, each.high - first)), boot=each.boot)
        yield SamplePiece(rows, slice(each.start - each.low, each.end - each.low), each.low - each.first)


def places_of(column: arrow.ChunkedArray, known: list[str]) -> NDArray[np.int8]:
    """Places in ``known`` of a column of codes."""
    parts = [np.zeros(0, np.int8)]
    for chunk in column.chunks:
        place = np.array([known.index(word) for word in chunk.dictionary.to_pylist()], np.int8)
        parts.append(place[chunk.indices.to_numpy()])
    return np.concatenate(parts)
