"""Frames of a capture as plain columns, for what compares captures."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pyarrow as arrow
from numpy.typing import NDArray

from nodeday.arrays import Bools, Ints
from nodeday.frames.copies import Marks, contents
from nodeday.frames.states import STATUS, States
from nodeday.settings import HUB

Words = NDArray[np.str_]

_PLAIN = ("boot", "seq_raw", "seq", "ticks_raw", "ticks", "hub_ns")


@dataclass(frozen=True)
class Frames:
    """Frames of one capture in its order, (n,) each. ``node`` and ``stream`` are numbers that mean
    the same in all captures; ``content`` stands for the payload: see :func:`contents`."""

    node: Ints
    stream: Ints
    boot: Ints
    seq_raw: Ints
    seq: Ints
    ticks_raw: Ints
    ticks: Ints
    hub_ns: Ints
    content: Marks
    status: States

    def __len__(self) -> int:
        return len(self.node)

    @classmethod
    def of(cls, rows: arrow.Table, hub_range_ns: int) -> Frames:
        """Rows of table ``frames`` whose nodes and streams have the same dictionaries in all captures.

        Two hubs send marks of their own under one name; a hub's are told by the stamps they carry,
        which wrap at ``hub_range_ns``.
        """
        plain = {name: rows[name].to_numpy().astype(np.int64) for name in _PLAIN}
        coded = {name: rows[name].combine_chunks() for name in ("node", "stream", "status")}
        named = {name: coded[name].indices.to_numpy().astype(np.int64) for name in ("node", "stream")}
        content = contents(rows["payload"])
        nodes = coded["node"].dictionary.to_pylist()
        own = named["node"] == (nodes.index(HUB) if HUB in nodes else -1)
        content[own] += (plain["hub_ns"][own] % hub_range_ns).astype(np.uint64) * np.uint64(
            0x9E3779B97F4A7C15
        )
        return cls(
            **named, **plain, content=content, status=coded["status"].indices.to_numpy().astype(np.int8)
        )

    @property
    def words(self) -> Words:
        """Statuses in words, (n,)."""
        return np.array(STATUS)[self.status]

    def take(self, rows: Ints | Bools | slice) -> Frames:
        return Frames(*(values[rows] for values in vars(self).values()))


def joined(parts: Sequence[Frames]) -> Frames:
    """Pieces of a capture, one after the other; at least one."""
    return Frames(*(np.concatenate(each) for each in zip(*(vars(p).values() for p in parts), strict=True)))
