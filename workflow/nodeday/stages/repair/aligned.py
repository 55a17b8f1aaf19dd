"""Table ``aligned``: all channels of a session on one grid.

Values of each stream wait in a scratch file as they come; then all streams are written together.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pyarrow as arrow

from nodeday.schemas import TABLES, Table
from nodeday.stages.repair.align import Aligned, grid
from nodeday.stages.repair.quality import MISSING, NOT_MEASURED
from nodeday.storage import contract, tables
from nodeday.storage.session_cut import SessionCut

WINDOW = 500_000
"""Instants of the grid held in memory at a time."""


@dataclass(frozen=True)
class _Part:
    """A stretch of ``count`` instants from multiple ``first`` on, at ``offset`` in the scratch file."""

    first: int
    count: int
    offset: int

    @property
    def end(self) -> int:
        return self.first + self.count


@dataclass
class Track:
    """One stream on one grid; its values wait in the file ``scratch``.

    ``units`` are those of its channels, by their names in the table.
    """

    scratch: Path
    rate_hz: float
    units: dict[str, str]
    parts: list[_Part] = field(default_factory=list)

    def add(self, part: Aligned, cut: SessionCut | None = None) -> None:
        """Append what a session takes of a stretch to the scratch file."""
        if cut is not None and len(part.value):
            at_ns = grid(part.first, part.first + len(part.value), self.rate_hz)
            part = part.take(cut.rows_of(at_ns, slice(0, len(at_ns))))
        if not len(part.value):
            return
        with self.scratch.open("ab") as file:
            self.parts.append(_Part(part.first, len(part.value), file.tell()))
            for array in (part.value, part.quality, part.origin):
                file.write(np.ascontiguousarray(array.T).data)

    def _read(self, part: _Part, first: int, last: int) -> Aligned:
        """Return the instants [first, last) of a stretch in the scratch file."""
        n, channels = last - first, len(self.units)
        value, quality = (np.empty((n, channels), dtype, order="F") for dtype in (np.float32, np.int8))
        origin = np.empty((n, 1), np.int8)
        at = part.offset
        with self.scratch.open("rb", buffering=0) as file:
            for into in (value, quality, origin):
                for column in range(into.shape[1]):
                    file.seek(at + (first - part.first) * into.itemsize)
                    file.readinto(into[:, column].data)
                    at += part.count * into.itemsize
        return Aligned(first, value, origin[:, 0], quality)

    def window(self, first: int, last: int) -> Aligned:
        """Return the stream at the instants [first, last).

        Where a node restarted, the maps of two boots may overlap by their uncertainty; the later one counts
        where it has a value.
        """
        n, channels = last - first, len(self.units)
        out = Aligned(
            first,
            np.full((n, channels), np.nan, np.float32, order="F"),
            np.full(n, MISSING, np.int8),
            np.full((n, channels), NOT_MEASURED, np.int8, order="F"),
        )
        for part in self.parts:
            low, high = max(part.first, first), min(part.end, last)
            if low < high:
                later = self._read(part, low, high)
                span = slice(low - first, high - first)
                fresh = bool((out.origin[span] == MISSING).all())
                use = slice(None) if fresh else np.flatnonzero(later.origin != MISSING)
                for name in ("value", "origin", "quality"):
                    getattr(out, name)[span][use] = getattr(later, name)[use]
        return out


def write(target: Path, tracks: Sequence[Track]) -> None:
    """Write the table ``target`` from the first instant of any stream to the last."""
    table = TABLES["aligned"].for_channels({name: unit for one in tracks for name, unit in one.units.items()})
    parts = [part for one in tracks for part in one.parts]
    with tables.writer(target, table) as out:
        if not parts:  # a session shorter than one period still has its table
            out.write(tables.empty(table))
            return
        start, end = min(part.first for part in parts), max(part.end for part in parts)
        for first in range(start, end, WINDOW):
            out.write_columns(_columns(tracks, table, first, min(first + WINDOW, end)))


def _columns(tracks: Sequence[Track], table: Table, first: int, last: int) -> dict[str, arrow.Array]:
    """Return the columns of the table at the instants [first, last)."""
    columns: dict[str, arrow.Array] = {"utc_ns": contract.number_column(grid(first, last, tracks[0].rate_hz))}
    for one in tracks:
        part = one.window(first, last)
        valid = contract.validity(part.origin != MISSING)
        origin = contract.code_column(part.origin, table[f"{next(iter(one.units))}_origin"])
        for index, name in enumerate(one.units):
            columns[name] = contract.number_column(part.value[:, index], valid)
            columns[f"{name}_origin"] = origin
            columns[f"{name}_quality"] = contract.code_column(
                part.quality[:, index], table[f"{name}_quality"]
            )
    return columns
