"""A channel's samples in pieces that overlap, so that memory does not grow with the day.

Each piece has a core, the rows that are its own, and a margin of its neighbours' rows::

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
    list(codes.ORIGIN).index(origin) for origin in ("measured", "recovered", "interpolated", "missing")
)
GOOD = list(codes.QUALITY).index("good")
ROWS = ["utc_ns", "value", "origin", "quality", "fill_probability"]
"""Columns of a channel that stands alone."""


@dataclass(frozen=True)
class SampleRows:
    """Samples (n,) of one channel and boot, in order.

    ``value`` is NaN where missing; ``origin`` and ``quality`` are indices into ``codes.ORIGIN`` and
    ``codes.QUALITY``; ``fill_probability`` is NaN but on fills that state one.
    """

    boot: int
    utc_ns: Ints
    value: Singles
    origin: NDArray[np.int8]
    quality: NDArray[np.int8]
    fill_probability: Singles

    def __len__(self) -> int:
        return len(self.utc_ns)

    @property
    def missing(self) -> Bools:
        """Mask (n,) of the samples that are missing."""
        return np.asarray(self.origin == MISSING)

    @property
    def computed(self) -> Bools:
        """Mask (n,) of the samples that a fill computed."""
        return np.asarray(self.origin == INTERPOLATED)

    @property
    def received(self) -> Bools:
        """Mask (n,) of the samples that were measured or recovered."""
        return np.asarray((self.origin == MEASURED) | (self.origin == RECOVERED))

    def part(self, rows: slice) -> SampleRows:
        """Return some of the rows, as views."""
        return SampleRows(
            self.boot,
            self.utc_ns[rows],
            self.value[rows],
            self.origin[rows],
            self.quality[rows],
            self.fill_probability[rows],
        )


@dataclass(frozen=True)
class Cut:
    """The rows of a piece in its stream.

    Rows [low, high), of which [start, end) are its core; its boot begins with row ``first``, or the part of
    its boot that was sampled at ``rate_hz``, where the stream has several rates.
    """

    boot: int
    first: int
    low: int
    start: int
    end: int
    high: int
    rate_hz: float | None = None


@dataclass(frozen=True)
class SamplePiece:
    """A piece of a channel: ``rows``, of which ``core`` are its own and the others its neighbours'.

    ``first`` is the number of the first row within the boot, or within the part of it at ``rate_hz``, where
    the stream has several rates; that part or boot begins with row ``began`` of the stream.
    """

    rows: SampleRows
    core: slice
    first: int
    rate_hz: float | None = None
    began: int = 0


def cuts(stored: Iterable[arrow.Table], size: int, margin: int, rate_hz: float | None = None) -> list[Cut]:
    """Return the pieces of a stream, in order, with a core of ``size`` rows each and margins of ``margin``.

    ``stored`` are stretches of the column ``boot`` in order, however long. A piece lies in one boot; the core
    of a boot's last piece may be longer by up to a margin. Of a stream of several rates, ``stored`` has the
    columns ``seq`` and ``rate_hz``, too: a piece is of one rate, with no number left out, and as long in time
    as ``size`` rows at ``rate_hz``.
    """
    pieces: list[Cut] = []
    for boot, rate, first, last in _parts(stored):
        scale = rate / rate_hz if rate and rate_hz else 1.0
        core, more, start = round(size * scale), round(margin * scale), first
        while last > start + core + more:
            end = start + core
            pieces.append(Cut(boot, first, max(start - more, first), start, end, end + more, rate))
            start = end
        pieces.append(Cut(boot, first, max(start - more, first), start, last, last, rate))
    return pieces


def _parts(stored: Iterable[arrow.Table]) -> list[tuple[int, float | None, int, int]]:
    """Return the boot, the rate and the rows [first, last) of each part that nothing breaks off."""
    parts: list[tuple[int, float | None, int, int]] = []
    rows, seq_before = 0, 0
    for table in stored:
        number, several = table["boot"].to_numpy(), "rate_hz" in table.column_names
        border = np.diff(number) != 0
        if several:
            seq, rate = table["seq"].to_numpy(), table["rate_hz"].to_numpy()
            border |= (np.diff(seq) > 1) | (np.diff(rate) != 0)
        for start, end in pairwise([0, *(np.flatnonzero(border) + 1).tolist(), len(number)]):
            if start == end:
                continue
            part = int(number[start]), float(rate[start]) if several else None
            goes_on = not start and bool(parts) and parts[-1][:2] == part
            goes_on &= not (several and seq[0] > seq_before + 1)
            parts.append((*part, parts.pop()[2] if goes_on else rows + start, rows + end))
        rows += len(number)
        seq_before = int(seq[-1]) if several and len(number) else seq_before
    return parts


def grouped(pieces: Iterable[Cut], rows: int) -> list[list[Cut]]:
    """Return the pieces in groups that follow each other, each of as many as lie within ``rows``, or of one.

    So that a file is not opened for each of many short boots.
    """
    groups: list[list[Cut]] = []
    for piece in pieces:
        if groups and piece.high - groups[-1][0].low <= rows:
            groups[-1].append(piece)
        else:
            groups.append([piece])
    return groups


def pieces_of(stored: Iterable[arrow.Table], group: list[Cut]) -> Iterator[SamplePiece]:
    """Yield the pieces of a ``group``.

    ``stored`` are the columns ``ROWS`` of a channel, in stretches from the group's first row on.
    """
    first, n = group[0].low, group[-1].high - group[0].low
    value, fill_probability = np.empty((2, n), np.float32)
    origin, quality = np.empty((2, n), np.int8)
    all_rows = SampleRows(group[0].boot, np.empty(n, np.int64), value, origin, quality, fill_probability)
    at = 0
    for table in stored:
        rows = all_rows.part(slice(at, at + len(table)))
        rows.utc_ns[:], rows.value[:] = table["utc_ns"].to_numpy(), table["value"].to_numpy()
        rows.origin[:] = code_indices(table["origin"], list(codes.ORIGIN))
        rows.quality[:] = code_indices(table["quality"], list(codes.QUALITY))
        rows.fill_probability[:] = table["fill_probability"].to_numpy()
        at += len(table)
    for cut in group:
        rows = replace(all_rows.part(slice(cut.low - first, cut.high - first)), boot=cut.boot)
        core = slice(cut.start - cut.low, cut.end - cut.low)
        yield SamplePiece(rows, core, cut.low - cut.first, cut.rate_hz, cut.first)


def code_indices(column: arrow.ChunkedArray, known: list[str]) -> NDArray[np.int8]:
    """Return the index into ``known`` of each code of a dictionary column, (n,)."""
    parts = [np.zeros(0, np.int8)]
    for chunk in column.chunks:
        index = np.array([known.index(code) for code in chunk.dictionary.to_pylist()], np.int8)
        parts.append(index[chunk.indices.to_numpy()])
    return np.concatenate(parts)
