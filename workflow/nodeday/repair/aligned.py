"""Table ``aligned``: the grid's values of each stream as they come, then all channels side by side."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO

import numpy as np
import pyarrow as arrow

from nodeday import columnar, tables
from nodeday.repair.align import MISSING, Aligned, grid
from nodeday.repair.quality import NOT_MEASURED
from nodeday.schemas import TABLES, Table

WINDOW = 500_000
"""Instants of the grid held in memory at a time."""


@dataclass
class _Part:
    """Where in the scratch file a stretch of a stream's grid lies."""

    first: int
    count: int
    offset: int


@dataclass
class Sheet:
    """One grid of a session while its streams are being worked on; values wait in a scratch file."""

    rate_hz: float
    scratch: IO[bytes]
    streams: dict[tuple[str, ...], list[_Part]] = field(default_factory=dict)
    units: dict[str, str] = field(default_factory=dict)

    def add(self, units: Mapping[str, str], part: Aligned) -> None:
        """Keep a stretch of a stream; ``units`` are those of its channels, by their names in the table."""
        self.units.update(units)
        parts = self.streams.setdefault(tuple(units), [])
        if not len(part.value):
            return
        parts.append(_Part(part.first, len(part.value), self.scratch.tell()))
        for each in (part.value, part.quality, part.origin):
            self.scratch.write(np.ascontiguousarray(each.T).tobytes())

    def _read(self, part: _Part, channels: int, first: int, last: int) -> Aligned:
        """Its instants [first, last) of those in the scratch file."""
        n = last - first
        value, quality = (np.empty((n, channels), dtype, order="F") for dtype in (np.float32, np.int8))
        origin = np.empty((n, 1), np.int8)
        at = part.offset
        for into in (value, quality, origin):
            for column in range(into.shape[1]):
                self.scratch.seek(at + (first - part.first) * into.itemsize)
                into[:, column] = np.frombuffer(self.scratch.read(n * into.itemsize), into.dtype)
                at += part.count * into.itemsize
        return Aligned(first, value, origin[:, 0], quality)

    def window(self, columns: tuple[str, ...], first: int, last: int) -> Aligned:
        """The stream at the instants [first, last). Where a node restarted, the maps of two boots may
        overlap by their uncertainty; the later one counts where it has a value."""
        n, channels = last - first, len(columns)
        out = Aligned(first, np.full((n, channels), np.nan, np.float32, order="F"),
                      np.full(n, MISSING, np.int8),
                      np.full((n, channels), NOT_MEASURED, np.int8, order="F"))  # fmt: skip
        for part in self.streams[columns]:
            low, high = max(part.first, first), min(part.first + part.count, last)
            if low < high:
                some = self._read(part, channels, low, high)
                place = slice(low - first, high - first)
                fresh = bool((out.origin[place] == MISSING).all())
                there = slice(None) if fresh else np.flatnonzero(some.origin != MISSING)
                for name in ("value", "origin", "quality"):
                    getattr(out, name)[place][there] = getattr(some, name)[there]
        return out


@contextmanager
def sheet(results: Path, rate_hz: float) -> Iterator[Sheet]:
    """An empty grid; its scratch file is gone when the block ends."""
    results.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryFile(dir=results) as scratch:
        yield Sheet(rate_hz, scratch)


def write(target: Path, one: Sheet) -> None:
    """Write the grid that covers all streams."""
    table = TABLES["aligned"].for_channels(one.units)
    spans = [(part.first, part.first + part.count) for parts in one.streams.values() for part in parts]
    with tables.writer(target, table) as out:
        if not spans:  # a session shorter than one period still has its table
            out.write(tables.empty(table))
        else:
            start, end = min(low for low, _ in spans), max(high for _, high in spans)
            for first in range(start, end, WINDOW):
                out.write_columns(_columns(one, table, first, min(first + WINDOW, end)))


def _columns(one: Sheet, table: Table, first: int, last: int) -> dict[str, arrow.Array]:
    columns: dict[str, arrow.Array] = {"utc_ns": columnar.column(grid(first, last, one.rate_hz))}
    for names in one.streams:
        part = one.window(names, first, last)
        there = columnar.bitmap(part.origin != MISSING)
        origin = columnar.coded(part.origin, table[f"{names[0]}_origin"])
        for index, name in enumerate(names):
            columns[name] = columnar.column(part.value[:, index], there)
            columns[f"{name}_origin"] = origin
            columns[f"{name}_quality"] = columnar.coded(part.quality[:, index], table[f"{name}_quality"])
    return columns
