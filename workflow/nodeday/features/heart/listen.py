"""One pass over an ECG stream: its beats, the quality of its signal, and where it was lost."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from nodeday.arrays import Bools, Floats, Ints
from nodeday.features.heart import quality
from nodeday.features.heart.beats import Beats, examine
from nodeday.features.heart.replay import GRID_NS, Pattern
from nodeday.features.pieces import Piece, Rows
from nodeday.features.windows import AT_ONCE, SECOND, Windows, ratio
from nodeday.schemas import codes

PIECE_S, MARGIN_S = 3600.0, 60.0
"""So much is searched for beats at once, and so much around it is looked at: what is usual around a beat is
told from less than a minute. Choices of this project."""
HALF_NS = SECOND // 2
"""Windows of whole seconds around the middle of others begin on whole or half seconds."""
SHARES = ("flat", "clipped", "lead_off")


@dataclass(frozen=True)
class Listened:
    """What a pass over ``samples`` samples leaves: beats, the quality of each ten seconds (a row each), the
    samples received before each half second from the session's start (h + 1,), and the losses."""

    beats: Beats
    signal: pd.DataFrame
    received: Ints
    losses: Pattern
    samples: int
    not_received: int


@dataclass
class Tally:
    """Counts what goes through: by half second, by window of ``ruler``, by cell of the grid of losses."""

    windows: Windows
    ruler: Windows
    samples: int = 0
    not_received: int = 0
    shares: dict[str, Floats] = field(init=False)

    def __post_init__(self) -> None:
        length_ns = self.windows.count * self.windows.seconds * SECOND
        self.shares = {name: np.zeros(self.ruler.count) for name in SHARES}
        self.got = np.zeros(length_ns // HALF_NS, np.int64)
        self.seen, self.missing, self.computed = (np.zeros(length_ns // GRID_NS, np.bool_) for _ in range(3))

    def through(self, pieces: Iterable[Piece]) -> Iterator[Piece]:
        """The same pieces, each counted once."""
        for piece in pieces:
            for start in range(piece.core.start, piece.core.stop, AT_ONCE):
                self._add(piece.rows.part(slice(start, min(start + AT_ONCE, piece.core.stop))))
            yield piece

    def _add(self, rows: Rows) -> None:
        since, got = rows.utc_ns - self.windows.start_ns, rows.received
        self.samples += len(rows)
        self.not_received += int((~got).sum())
        self.got += np.bincount(since[got] // HALF_NS, minlength=len(self.got))
        for name, total in self.shares.items():
            those = got & (rows.quality == list(codes.QUALITY).index(name))
            total += self.ruler.sums(rows.utc_ns[those])
        cell = since // GRID_NS
        self.seen[cell] = True
        self.missing[cell[rows.missing]] = True
        self.computed[cell[rows.computed]] = True

    @property
    def received(self) -> Ints:
        """Samples received before each half second."""
        return np.concatenate([[0], np.cumsum(self.got)])

    @property
    def losses(self) -> Pattern:
        """A cell that no sample falls into is lost too."""
        missing: Bools = self.missing | ~self.seen
        return Pattern(self.windows.start_ns, missing, self.computed & ~missing)


def listen(pieces: Iterable[Piece], rate_hz: float, windows: Windows) -> Listened:
    """Everything that heart features need of an ECG in mV, whose samples all lie in ``windows``."""
    ruler = Windows(windows.start_ns, quality.SECONDS, -(-windows.count * windows.seconds // quality.SECONDS))
    tally = Tally(windows, ruler)
    beats, measures = examine(tally.through(pieces), rate_hz, ruler)
    received = tally.received
    edges = np.minimum(np.arange(ruler.count + 1) * (ruler.seconds * SECOND // HALF_NS), len(received) - 1)
    held = np.diff(received[edges]).astype(np.float64)
    shares = {"coverage": np.minimum(held / (rate_hz * ruler.seconds), 1.0)}
    shares |= {name: np.nan_to_num(ratio(each, held), nan=0.0) for name, each in tally.shares.items()}
    signal = quality.table(measures or quality.Measures.none(ruler.count), shares, ruler)
    return Listened(beats, signal, received, tally.losses, tally.samples, tally.not_received)
