"""One pass over an ECG stream: its beats, the quality of its signal, and where it was lost.

Pieces are heard apart from each other, on as many cores as there are, and joined in order.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import pandas as pd

from nodeday.core.arrays import Bools, Floats, Ints, spread
from nodeday.schemas import codes
from nodeday.stages.features.heart import quality
from nodeday.stages.features.heart.beats import Beats, FoundBeats, beats_in, found_in, peaks_of
from nodeday.stages.features.heart.quality import SignalMeasures, measure, second_opinion
from nodeday.stages.features.heart.replay import GRID_NS, Pattern
from nodeday.stages.features.pieces import SamplePiece, SampleRows
from nodeday.stages.features.windows import SECOND, Windows, ratio

PIECE_S, MARGIN_S = 3600.0, 60.0
"""So much is searched for beats at once, and so much around it is looked at: what is usual around a beat is
told from less than a minute. Choices of this project."""
HALF_NS = SECOND // 2
"""Windows of whole seconds around the middle of others begin on whole or half seconds."""
SHARES = ("flat", "clipped", "lead_off")


@dataclass(frozen=True)
class EcgAnalysis:
    """What a pass over ``samples`` samples leaves: beats, the quality of each ten seconds (a row each), the
    samples received before each half second from the session's start (h + 1,), and the losses.
    """

    beats: Beats
    signal: pd.DataFrame
    received: Ints
    losses: Pattern
    samples: int
    not_received: int


@dataclass(frozen=True)
class Tally:
    """Counts of samples in order of time from the start of a window of ``ruler`` on: in all, those not
    received, the received ones by half second (h,) and of each of ``SHARES`` by window (w,), and which cells
    (g,) of the grid of losses hold any sample, any that stayed missing, any that a fill replaced.
    """

    samples: int
    not_received: int
    got: Ints
    shares: dict[str, Floats]
    seen: Bools
    missing: Bools
    computed: Bools

    @classmethod
    def of(cls, rows: SampleRows, ruler: Windows) -> Tally:
        """That of ``rows``, all of which lie in the windows of ``ruler``."""
        length_ns, utc, got = ruler.count * ruler.seconds * SECOND, rows.utc_ns, rows.received
        halves, cells = length_ns // HALF_NS, length_ns // GRID_NS
        since = utc[~got] - ruler.start_ns
        edges = ruler.start_ns + np.arange(halves + 1) * HALF_NS
        held = np.diff(np.searchsorted(utc, edges)) - np.bincount(since // HALF_NS, minlength=halves)
        shares = {
            name: ruler.sums(utc[got & (rows.quality == list(codes.QUALITY).index(name))]) for name in SHARES
        }

        def place(at: Ints) -> Ints:
            return np.asarray((at - ruler.start_ns) // GRID_NS, np.int64)

        jump = np.flatnonzero(np.diff(utc) > GRID_NS)  # no cell lies between samples that are closer
        ends = np.concatenate([[-1], jump, [len(utc) - 1]])
        seen = spread(place(utc[ends[:-1] + 1]), place(utc[ends[1:]]) + 1, cells)
        missing, computed = np.zeros(cells, np.bool_), np.zeros(cells, np.bool_)
        missing[place(utc[rows.missing])] = True
        computed[place(utc[rows.computed])] = True
        return cls(len(rows), len(since), held, shares, seen, missing, computed)


@dataclass(frozen=True)
class PieceAnalysis:
    """What is left of a piece: beats, measures of the signal in windows of ten seconds, and counts, both from
    window ``first`` of the session on.
    """

    found: FoundBeats
    first: int
    measures: SignalMeasures | None
    tally: Tally


def analyse_piece(piece: SamplePiece, rate_hz: float, windows: Windows) -> PieceAnalysis:
    """A piece of an ECG in mV, whose samples all lie in ``windows``."""
    core = piece.rows.part(piece.core)
    ruler = _ruler(windows)
    first, last = ruler.of(core.utc_ns[[0, -1]]).tolist()
    own = Windows(int(ruler.starts_ns[first]), ruler.seconds, last - first + 1)
    tally, measures = Tally.of(core, own), None
    peaks, signal = peaks_of(piece.rows, rate_hz)
    if signal is not None:
        second = second_opinion(signal, rate_hz)
        measures = measure(signal, peaks.sample, second, piece.rows.utc_ns, rate_hz, own, piece.core)
    return PieceAnalysis(found_in(piece, peaks, rate_hz), first, measures, tally)


def analyse(heard: Iterable[PieceAnalysis], rate_hz: float, windows: Windows) -> EcgAnalysis:
    """Everything that heart features need of an ECG, from its pieces in order."""
    ruler, length_ns = _ruler(windows), windows.count * windows.seconds * SECOND
    got, samples, not_received = np.zeros(length_ns // HALF_NS, np.int64), 0, 0
    sums, measures = {name: np.zeros(ruler.count) for name in SHARES}, SignalMeasures.none(ruler.count)
    seen, missing, computed = (np.zeros(length_ns // GRID_NS, np.bool_) for _ in range(3))
    found = []
    for each in heard:
        tally, start_ns = each.tally, each.first * ruler.seconds * SECOND
        found.append(each.found)
        samples, not_received = samples + tally.samples, not_received + tally.not_received
        # A piece's last window may reach past the session's end, where there is nothing.
        own = got[start_ns // HALF_NS :][: len(tally.got)]
        own += tally.got[: len(own)]
        for mask, part in ((seen, tally.seen), (missing, tally.missing), (computed, tally.computed)):
            cells = mask[start_ns // GRID_NS :][: len(part)]
            cells |= part[: len(cells)]
        for name, total in sums.items():
            total[each.first : each.first + len(tally.shares[name])] += tally.shares[name]
        if each.measures is not None:
            measures.add(each.measures, each.first)
    received = np.concatenate([[0], np.cumsum(got)])
    edges = np.minimum(np.arange(ruler.count + 1) * (ruler.seconds * SECOND // HALF_NS), len(received) - 1)
    held = np.diff(received[edges]).astype(np.float64)
    shares = {"coverage": np.minimum(held / (rate_hz * ruler.seconds), 1.0)}
    shares |= {name: np.nan_to_num(ratio(each, held), nan=0.0) for name, each in sums.items()}
    missing |= ~seen  # a cell that no sample falls into is lost too
    losses = Pattern(windows.start_ns, missing, computed & ~missing)
    signal = quality.table(measures, shares, ruler)
    return EcgAnalysis(beats_in(found, rate_hz), signal, received, losses, samples, not_received)


def _ruler(windows: Windows) -> Windows:
    """Windows of ten seconds over the whole session."""
    count = -(-windows.count * windows.seconds // quality.SECONDS)
    return Windows(windows.start_ns, quality.SECONDS, count)
