"""Table ``cut``: which frames a session takes of a capture that lasts longer than the session.

::

    frames     | | | | | | | | | | | | | |
    session          [start      end)
    inside           | | | | | |
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from nodeday.core.arrays import Bools, Ints
from nodeday.storage import tables
from nodeday.storage.frames import Key


@dataclass(frozen=True)
class BootNumbers:
    """Numbers [first, stop) of the frames of each ``boot`` of a stream, (b,) each, boots in order."""

    boot: Ints
    first: Ints
    stop: Ints

    @classmethod
    def received(cls, boot: NDArray[np.integer], seq: Ints) -> BootNumbers:
        """Take all numbers from the first to the last frame of each boot, of frames (n,) in order of both."""
        heads = np.flatnonzero(np.diff(boot, prepend=-1))
        tails = np.append(heads[1:], len(boot)) - 1
        return cls(boot[heads].astype(np.int64), seq[heads], seq[tails] + 1)

    def limits(self, boot: NDArray[np.integer]) -> tuple[Ints, Ints]:
        """Return the first number and one past the last of each of ``boot`` (n,), (n,) each.

        Of a boot that is not among them both are 0.
        """
        if not len(self.boot):
            return np.zeros(len(boot), np.int64), np.zeros(len(boot), np.int64)
        at = np.searchsorted(self.boot, boot).clip(max=len(self.boot) - 1)
        known = self.boot[at] == boot
        return np.where(known, self.first[at], 0), np.where(known, self.stop[at], 0)

    def hold(self, boot: NDArray[np.integer], seq: Ints) -> Bools:
        """Return which frames (n,) have a number among them."""
        first, stop = self.limits(boot)
        return np.asarray((seq >= first) & (seq < stop), np.bool_)


NOTHING = BootNumbers(*(np.empty(0, np.int64) for _ in range(3)))


@dataclass(frozen=True)
class SessionCut:
    """A session [start_ns, end_ns) in UTC, and the numbers of its frames by stream.

    An edge that is None is that of the capture. Streams without a number in the session are absent.
    """

    start_ns: int | None
    end_ns: int | None
    numbers: Mapping[Key, BootNumbers]

    def of(self, key: Key) -> BootNumbers:
        """Return the numbers of a stream."""
        return self.numbers.get(key, NOTHING)

    def rows_of(self, utc_ns: Ints, core: slice) -> slice:
        """Return which of the instants (n,) of a ``core`` lie in the session; they are in order."""
        low, high = core.start, core.stop
        if self.start_ns is not None:
            low += int(np.searchsorted(utc_ns[core], self.start_ns))
        if self.end_ns is not None:
            high = core.start + int(np.searchsorted(utc_ns[core], self.end_ns))
        return slice(low, max(low, high))


def read(results: Path, session: str, written: bool) -> SessionCut | None:
    """Return how a session is cut out of its capture; None where it takes all of it.

    ``written`` is whether the sheet gives a start or an end: without either no table is needed. Raises
    ContractError where stage ``clock`` has not written the table.
    """
    if not written:
        return None
    rows = tables.read(tables.path(results, "cut", session), "cut")
    return of_rows(rows) if len(rows) else None


def of_rows(rows: pd.DataFrame) -> SessionCut:
    """Return the cut that rows of the table describe, one or more."""
    start_ns, end_ns = (
        None if pd.isna(rows[name].iloc[0]) else int(rows[name].iloc[0]) for name in ("start_ns", "end_ns")
    )
    numbers = {}
    for (node, stream), own in rows[rows["seq_from"] < rows["seq_to"]].groupby(
        ["node", "stream"], observed=True
    ):
        columns = (own[name].to_numpy(np.int64) for name in ("boot", "seq_from", "seq_to"))
        numbers[str(node), str(stream)] = BootNumbers(*columns)
    return SessionCut(start_ns, end_ns, numbers)
