"""What no recording can hold: times and counters so far off that a row was damaged, not late."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from nodeday.core.arrays import Bools, Ints
from nodeday.core.errors import ContractError
from nodeday.schemas.columns import YEAR_1969, YEAR_2200
from nodeday.stages.frames.rowfile import RowBatch

CENTURY_NS = 100 * 366 * 86_400 * 1_000_000_000
WEEK_NS = 7 * 86_400 * 1_000_000_000
"""A pause within one recording is shorter; a longer one would be two sessions. A choice of this project."""
MOST_FRAMES = 1 << 27
"""A counter steps by fewer from row to row: at 200 a second these are lost in a week. A choice of this
project, since memory grows with what is lost."""


@dataclass
class RowLimits:
    """The last time, and the last number of each node's stream, carried from piece to piece."""

    last_ns: int | None = None
    last: dict[tuple[int, int], int] = field(default_factory=dict)

    def check_times(self, rows: RowBatch, name: str, at: Ints, utc: bool) -> None:
        """Raise ContractError for a time (n,) that no recording has, or that is a week off the one before."""
        low, high = (YEAR_1969, YEAR_2200) if utc else (-CENTURY_NS, CENTURY_NS)
        expected = "an instant between 1969 and 2200" if utc else "a time within a century"
        _refuse(rows, name, (at < low) | (at > high), expected)
        before = int(at[0]) if self.last_ns is None else self.last_ns
        off = np.abs(np.diff(at, prepend=before)) > WEEK_NS
        _refuse(rows, name, off, "a time within a week of the row before it", "Longer pauses part sessions.")
        self.last_ns = int(at[-1])

    def check_counter(self, rows: RowBatch, name: str, slot: int, address: Ints, number: Ints) -> None:
        """Raise ContractError where a stream's counter (n,) jumps further than frames can be lost."""
        for node in np.unique(address).tolist():
            own = np.flatnonzero(address == node)
            before = self.last.get((node, slot), int(number[own[0]]))
            far = np.zeros(len(number), np.bool_)
            far[own] = np.abs(np.diff(number[own], prepend=before)) > MOST_FRAMES
            _refuse(rows, name, far, f"a number within {MOST_FRAMES:,} of the one before it")
            self.last[node, slot] = int(number[own[-1]])


def _refuse(rows: RowBatch, name: str, wrong: Bools, expected: str, remedy: str = "") -> None:
    if wrong.any():
        row = int(np.argmax(wrong))
        raise ContractError(f"{name} is {rows.value(name, row)}", rows.where(row), expected, remedy)
