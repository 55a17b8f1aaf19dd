"""Payloads of a stream's frames, read from its file a few row groups at a time."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path

import numpy as np
import pyarrow as arrow

from nodeday.core.arrays import Bytes, Ints
from nodeday.layouts import Kind
from nodeday.layouts.codec import payload_matrix
from nodeday.storage import tables

CACHED_GROUPS = 4
"""Row groups of payloads kept in memory for each stream that is read: about 6 MB."""


@dataclass
class Payloads:
    """Payloads of one kind in a stream: ``at`` are those that count, by their positions in its file.

    ``shared`` is whether frames of other kinds stand between them; those may not be asked for.
    A few row groups are in memory at a time, so that reading in order reads each of them once.
    """

    source: Path
    kind: Kind
    at: Ints | None = None
    shared: bool = False
    _groups: dict[int, Bytes] = field(default_factory=dict, init=False)

    def __getitem__(self, wanted: Ints) -> Bytes:
        """Return the payloads (k, bytes) at ``wanted`` (k,), counted among those that count.

        Raises ContractError where a payload has another length than its kind's.
        """
        rows = wanted if self.at is None else self.at[wanted]
        number = np.searchsorted(self._firsts, rows, side="right") - 1
        out = np.empty((len(rows), self.kind.payload_bytes), np.uint8)
        for each in np.unique(number).tolist():
            own = number == each
            out[own] = self._group(each)[rows[own] - self._firsts[each]]
        return out

    @cached_property
    def _firsts(self) -> Ints:
        return np.array([each.first for each in tables.groups(self.source, "row")], np.int64)

    def _group(self, number: int) -> Bytes:
        if number in self._groups:
            self._groups[number] = self._groups.pop(number)  # the one used last goes last
        else:
            rows = tables.row_group(self.source, number, ["payload", "kind"] if self.shared else ["payload"])
            where = f"table frames, {self.source.name.removesuffix('.parquet')}"
            if self.shared:
                own = rows["kind"].to_numpy() == self.kind.kind
                matrix = np.zeros((len(rows), self.kind.payload_bytes), np.uint8)
                payload = rows["payload"].filter(arrow.array(own))
                matrix[own] = payload_matrix(payload, self.kind.payload_bytes, where)
            else:
                matrix = payload_matrix(rows["payload"], self.kind.payload_bytes, where)
            self._groups[number] = matrix
            if len(self._groups) > CACHED_GROUPS:
                del self._groups[next(iter(self._groups))]
        return self._groups[number]
