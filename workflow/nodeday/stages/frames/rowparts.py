"""Rows of one stream as integers by role and counts, and frames of rows that are samples."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from nodeday.core.arrays import Bools, Ints
from nodeday.layouts import Kind


@dataclass(frozen=True)
class Part:
    """Rows (n,) of one stream: positions in the piece, integers by role, counts (n, samples, channels).

    ``null`` (n,) by role marks what was not measured, by the column of table ``frames`` what of a field of
    role ``other`` is not known; the integer of such a field means nothing.
    """

    at: Ints
    fields: dict[str, Ints]
    counts: Ints
    null: dict[str, Bools]

    def take(self, rows: Any) -> Part:
        fields, null = ({k: v[rows] for k, v in each.items()} for each in (self.fields, self.null))
        return Part(self.at[rows], fields, self.counts[rows], null)

    def moved(self, at: int) -> Part:
        return replace(self, at=np.full(len(self.at), at, np.int64))

    def framed(self, kind: Kind, last_row: bool) -> tuple[Part, Part, tuple[int, int, int] | None]:
        """Return complete frames of one node's rows that are samples, and the rows of an unfinished last one.

        The third value is the number, size and position of the first frame of a wrong size, if any. A frame
        that comes again right behind itself, with the same counts, is two frames. ``last_row`` is whether the
        last row of a frame has its time and ticks, or the first.
        """
        sequence, size = self.fields["sequence"], kind.samples
        edges = np.concatenate([[0], np.flatnonzero(np.diff(sequence)) + 1, [len(sequence)]])
        lengths = np.diff(edges)
        spare = int(lengths[-1] % size)
        end = len(sequence) - spare
        lengths[-1] -= spare
        for group in np.flatnonzero((lengths != size) & (lengths > 0)).tolist():
            first, rows = int(edges[group]), int(lengths[group])
            again = self.counts[first : first + rows]
            if rows % size or (again != np.resize(again[:size], again.shape)).any():
                wrong = int(sequence[first]), rows, int(self.at[first])
                return self.take(slice(0, 0)), self.take(slice(0, 0)), wrong
        last = np.arange(size - 1, end, size)
        frames = self.take(last if last_row else last - size + 1)
        counts = self.counts[:end].reshape(len(last), size, len(kind.channels))
        return replace(frames, at=self.at[last], counts=counts), self.take(slice(end, None)), None


def joined(parts: Sequence[Part]) -> Part:
    """Return parts one after the other; at least one."""
    return Part(
        np.concatenate([each.at for each in parts]),
        {name: np.concatenate([each.fields[name] for each in parts]) for name in parts[0].fields},
        np.concatenate([each.counts for each in parts]),
        {name: np.concatenate([each.null[name] for each in parts]) for name in parts[0].null},
    )
