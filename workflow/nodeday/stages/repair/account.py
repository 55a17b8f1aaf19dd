"""What a stream is made of while it is repaired, and the account of its samples."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from nodeday.config.models import Fill
from nodeday.core.arrays import Bools, Ints
from nodeday.layouts import Kind
from nodeday.schemas import codes
from nodeday.stages.repair.stream import BootSamples, SampleStretch
from nodeday.storage.frames import Key
from nodeday.storage.ledger import Entry
from nodeday.storage.session_cut import SessionCut


@dataclass(frozen=True)
class Repaired:
    """A repaired stretch: ``value``, ``quality`` (n, channels); ``origin``, ``fill_probability`` (n,)."""

    stretch: SampleStretch
    value: NDArray[np.float32]
    origin: NDArray[np.int8]
    quality: NDArray[np.int8]
    fill_probability: NDArray[np.float32]


@dataclass(frozen=True)
class PlacedStream:
    """A stream of a node with the boots that have a map from ticks to UTC.

    Counts of sample instants in frames of the session: ``received`` and ``lost`` in all boots, ``unplaced``
    the expected and the received ones in boots without a map.
    """

    key: Key
    kind: Kind
    boots: list[BootSamples]
    fill: Fill
    received: int
    lost: int
    unplaced: tuple[int, int]
    cut: SessionCut | None


@dataclass
class Counted:
    """Samples of a stream as they are written, by ``origin``.

    Two counts each, of expected and of received samples: ``before`` are written samples of frames that lie
    outside of the session, and ``outside`` those of frames in it that are not written. An edge of the session
    may cut a frame in two::

        frames    |. . . .|. . . .|. . . .|
        session         [. . . . . . . [             one of `before`, one of `outside`
    """

    stream: PlacedStream
    origin: Ints
    before: Ints
    outside: Ints

    @classmethod
    def of(cls, stream: PlacedStream) -> Counted:
        """Begin with no sample."""
        return cls(stream, *(np.zeros(count, np.int64) for count in (len(codes.ORIGIN), 2, 2)))

    def add(self, part: Repaired, boot: int, inside: slice) -> None:
        """Count the samples of a stretch that are written, ``inside``, and those of its core that are not."""
        self.origin += np.bincount(part.origin[inside], minlength=len(self.origin))
        cut, core = self.stream.cut, part.stretch.core
        if cut is None:
            return
        seq, received = part.stretch.seq[core], part.stretch.present[core]
        of_session = cut.of(self.stream.key).hold(np.full(len(seq), boot, np.int64), seq)
        written = np.zeros(len(seq), np.bool_)
        written[inside.start - core.start : inside.stop - core.start] = True
        self.before += _both(written & ~of_session, received)
        self.outside += _both(of_session & ~written, received)

    def entries(self) -> list[Entry]:
        """Return the ledger's entries: expected by frames and gaps, parts by the rows written."""
        one, scope = self.stream, "/".join(self.stream.key)
        written = dict(zip(codes.ORIGIN, self.origin.tolist(), strict=True))
        kept = {origin: written[origin] for origin in ("measured", "recovered")}
        entered = np.array([one.received + one.lost, one.received]) + self.before
        apart = [{"no_clock": count} for count in one.unplaced]
        if one.cut is not None:
            apart = [{"outside": count} for count in self.outside.tolist()]
        return [
            Entry("samples", scope, int(entered[0]), written | apart[0]),
            Entry("samples received", scope, int(entered[1]), kept | apart[1]),
        ]


def _both(which: Bools, received: Bools) -> Ints:
    """Return how many samples (n,) are of a sort, and how many of these were received."""
    return np.array([which.sum(), (which & received).sum()], np.int64)
