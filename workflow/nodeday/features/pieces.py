"""A channel's samples in pieces that overlap, so that memory does not grow with the day::

rows of a boot   .............................................
first piece      [=== core ===]margin
second piece           margin[=== core ===]margin
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import groupby, pairwise

import numpy as np
import pyarrow as arrow
from numpy.typing import NDArray

from nodeday.arrays import Bools, Ints, Singles
from nodeday.schemas import codes

MEASURED, RECOVERED, INTERPOLATED, MISSING = (
    list(codes.ORIGIN).index(each) for each in ("measured", "recovered", "interpolated", "missing")
)
ROWS = ["boot", "utc_ns", "value", "origin", "quality"]
"""Columns of a channel that stands alone."""
GOOD = list(codes.QUALITY).index("good")


@dataclass(frozen=True)
class Rows:
    """Samples (n,) of one channel and boot, in order: ``value`` is NaN where missing; ``origin`` and
    ``quality`` are places in their lists of codes."""

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

    def part(self, rows: slice) -> Rows:
        """Those of ``rows``."""
        return Rows(self.boot, self.utc_ns[rows], self.value[rows], self.origin[rows], self.quality[rows])

    @classmethod
    def joined(cls, parts: list[Rows]) -> Rows:
        """Stretches of one boot end to end."""
        if len(parts) == 1:
            return parts[0]
        columns = ([getattr(part, name) for part in parts] for name in ROWS[1:])
        return cls(parts[0].boot, *(np.concatenate(column) for column in columns))


@dataclass(frozen=True)
class Piece:
    """``core`` are the rows that are this piece's own, the others its neighbours'; ``first`` is the number of
    the first of ``rows`` within the boot."""

    rows: Rows
    core: slice
    first: int


def rows_of(table: arrow.Table) -> Iterator[Rows]:
    """The columns ``ROWS`` of a channel, boot by boot."""
    boots = table["boot"].to_numpy()
    borders = [0, *(np.flatnonzero(np.diff(boots)) + 1).tolist(), len(boots)]
    utc, value = table["utc_ns"].to_numpy(), table["value"].to_numpy().astype(np.float32, copy=False)
    places = (places_of(table[name], list(known)) for name, known in (("origin", codes.ORIGIN),
                                                                    ("quality", codes.QUALITY)))  # fmt: skip
    origin, quality = places
    for start, end in pairwise(borders):
        if start < end:
            yield Rows(int(boots[start]), utc, value, origin, quality).part(slice(start, end))


def places_of(column: arrow.ChunkedArray, known: list[str]) -> NDArray[np.int8]:
    """Places in ``known`` of a column of codes."""
    parts = [np.zeros(0, np.int8)]
    for chunk in column.chunks:
        place = np.array([known.index(word) for word in chunk.dictionary.to_pylist()], np.int8)
        parts.append(place[chunk.indices.to_numpy()])
    return np.concatenate(parts)


def cut(parts: Iterable[Rows], size: int, margin: int) -> Iterator[Piece]:
    """Pieces of ``size`` rows of one boot, its last one of fewer, with up to ``margin`` rows on each side.

    ``parts`` are stretches of rows in order, however long.
    """
    for _, own in groupby(parts, lambda part: part.boot):
        yield from _cut(own, size, margin)


def _cut(parts: Iterable[Rows], size: int, margin: int) -> Iterator[Piece]:
    """The same for the stretches of one boot."""
    held: list[Rows] = []
    first = start = count = 0
    for part in parts:
        held.append(part)
        count += len(part)
        while count > start + size + margin:
            rows, end = Rows.joined(held), start + size
            yield Piece(rows.part(slice(0, end + margin)), slice(start, end), first)
            drop = max(end - margin, 0)
            held = [rows.part(slice(drop, None))]
            first, start, count = first + drop, end - drop, count - drop
    yield Piece(Rows.joined(held), slice(start, count), first)
