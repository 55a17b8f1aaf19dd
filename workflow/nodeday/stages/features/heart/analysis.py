"""One pass over an ECG stream: its beats, the quality of its signal, and where it was lost.

Pieces are analysed apart from each other, on as many cores as there are, and joined in order.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import pandas as pd

from nodeday.core.arrays import Bools, Floats, Ints, spread
from nodeday.schemas import codes
from nodeday.stages.features.heart import quality
from nodeday.stages.features.heart.beats import Beats, PieceBeats, join_beats, piece_beats, r_peaks
from nodeday.stages.features.heart.measures import SignalMeasures, measure_signal
from nodeday.stages.features.heart.quality import quality_table
from nodeday.stages.features.heart.replay import GRID_NS, LossPattern
from nodeday.stages.features.pieces import SamplePiece, SampleRows
from nodeday.stages.features.windows import SECOND, Windows, ratio

PIECE_S, MARGIN_S = 3600.0, 60.0
"""Length of a piece, and of the margin around it that is searched as well: what is usual around a beat is
known from less than a minute. Choices of this project."""
HALF_NS = SECOND // 2
"""Windows of whole seconds around the middle of others begin on whole or half seconds."""
SHARES = ("flat", "clipped", "lead_off")


@dataclass(frozen=True)
class EcgAnalysis:
    """The result of a pass over ``samples`` samples of an ECG, of which some were ``not_received``.

    ``beats``; ``signal``, a row of quality for each ten seconds; ``received`` (h + 1,), the samples received
    before each half second from the session's start, at the stream's first rate; ``losses`` over the session.
    """

    beats: Beats
    signal: pd.DataFrame
    received: Floats
    losses: LossPattern
    samples: int
    not_received: int


@dataclass(frozen=True)
class SampleTally:
    """Counts of samples, from the start of the first of some windows on.

    All ``samples`` and those ``not_received``; the ``received`` ones of each half second (h,), and the counts
    of each of ``SHARES`` in each window (w,). Which cells (g,) of the grid of losses hold any sample
    (``seen``), any that stayed ``missing``, any that a fill ``computed``.
    """

    samples: int
    not_received: int
    received: Ints
    shares: dict[str, Floats]
    seen: Bools
    missing: Bools
    computed: Bools

    @classmethod
    def of(cls, rows: SampleRows, windows: Windows) -> SampleTally:
        """Count ``rows``, all of which lie in ``windows`` and stand in order of time."""
        length_ns, utc_ns, received = windows.count * windows.seconds * SECOND, rows.utc_ns, rows.received
        halves, cells = length_ns // HALF_NS, length_ns // GRID_NS
        since = utc_ns[~received] - windows.start_ns
        edges = windows.start_ns + np.arange(halves + 1) * HALF_NS
        per_half = np.diff(np.searchsorted(utc_ns, edges))
        per_half = per_half - np.bincount(since // HALF_NS, minlength=halves)
        grades = {name: rows.quality == list(codes.QUALITY).index(name) for name in SHARES}
        shares = {name: windows.sums(utc_ns[received & grade]) for name, grade in grades.items()}

        def cell(at_ns: Ints) -> Ints:
            return np.asarray((at_ns - windows.start_ns) // GRID_NS, np.int64)

        jump = np.flatnonzero(np.diff(utc_ns) > GRID_NS)  # no cell lies between samples that are closer
        ends = np.concatenate([[-1], jump, [len(utc_ns) - 1]])
        seen = spread(cell(utc_ns[ends[:-1] + 1]), cell(utc_ns[ends[1:]]) + 1, cells)
        missing, computed = np.zeros(cells, np.bool_), np.zeros(cells, np.bool_)
        missing[cell(utc_ns[rows.missing])] = True
        computed[cell(utc_ns[rows.computed])] = True
        return cls(len(rows), len(since), per_half, shares, seen, missing, computed)


@dataclass(frozen=True)
class PieceAnalysis:
    """The result of a piece: its beats, the measures of its signal, and counts of its samples.

    ``measures`` and ``tally`` begin with the session's window number ``first``, of those of ten seconds;
    ``measures`` is None where no stretch of signal was long enough.
    """

    beats: PieceBeats
    first: int
    measures: SignalMeasures | None
    tally: SampleTally


def analyse_piece(piece: SamplePiece, rate_hz: float, windows: Windows) -> PieceAnalysis:
    """Analyse a piece of an ECG in mV, at a rate of its own or ``rate_hz``; all of it lies in ``windows``."""
    rate_hz = piece.rate_hz or rate_hz
    core = piece.rows.part(piece.core)
    session = _quality_windows(windows)
    first, last = session.of(core.utc_ns[[0, -1]]).tolist()
    of_piece = Windows(int(session.starts_ns[first]), session.seconds, last - first + 1)
    tally, measures = SampleTally.of(core, of_piece), None
    found = r_peaks(piece.rows, rate_hz)
    if found.signal is not None:
        measures = measure_signal(
            found.signal,
            found.peaks.sample,
            found.alone_s,
            found.pacing,
            piece.rows.utc_ns,
            rate_hz,
            of_piece,
            piece.core,
        )
    return PieceAnalysis(piece_beats(piece, found.peaks, found.signal, rate_hz), first, measures, tally)


def analyse(pieces: Iterable[PieceAnalysis], rate_hz: float, windows: Windows) -> EcgAnalysis:
    """Return all that heart features need of an ECG, from its ``pieces`` in order.

    A sample at another rate counts as many as ``rate_hz`` would have taken in its time.
    """
    session, length_ns = _quality_windows(windows), windows.count * windows.seconds * SECOND
    received, samples, not_received = np.zeros(length_ns // HALF_NS), 0, 0
    sums, measures = {name: np.zeros(session.count) for name in SHARES}, SignalMeasures.zeros(session.count)
    seen, missing, computed = (np.zeros(length_ns // GRID_NS, np.bool_) for _ in range(3))
    beats = []
    for piece in pieces:
        tally, start_ns = piece.tally, piece.first * session.seconds * SECOND
        beats.append(piece.beats)
        weight = rate_hz / piece.beats.rate_hz
        samples, not_received = samples + tally.samples, not_received + tally.not_received
        # A piece's last window may reach past the session's end, where there is nothing.
        halves = received[start_ns // HALF_NS :][: len(tally.received)]
        halves += tally.received[: len(halves)] * weight
        for mask, part in ((seen, tally.seen), (missing, tally.missing), (computed, tally.computed)):
            cells = mask[start_ns // GRID_NS :][: len(part)]
            cells |= part[: len(cells)]
        for name, total in sums.items():
            total[piece.first : piece.first + len(tally.shares[name])] += tally.shares[name] * weight
        if piece.measures is not None:
            measures.add(piece.measures, piece.first)
    before = np.concatenate([[0], np.cumsum(received)])
    shares = _shares(before, sums, session, rate_hz)
    missing |= ~seen  # a cell that no sample falls into is lost too
    losses = LossPattern(windows.start_ns, missing, computed & ~missing)
    signal = quality_table(measures, shares, session)
    return EcgAnalysis(join_beats(beats), signal, before, losses, samples, not_received)


def _shares(before: Floats, sums: dict[str, Floats], windows: Windows, rate_hz: float) -> dict[str, Floats]:
    """Return coverage (w,) and the shares (w,) of ``sums`` in what was received in each window.

    ``before`` (h + 1,) are the samples received before each half second.
    """
    edges = np.minimum(np.arange(windows.count + 1) * (windows.seconds * SECOND // HALF_NS), len(before) - 1)
    received = np.diff(before[edges]).astype(np.float64)
    coverage = np.minimum(received / (rate_hz * windows.seconds), 1.0)
    return {
        "coverage": coverage,
        **{name: np.nan_to_num(ratio(total, received), nan=0.0) for name, total in sums.items()},
    }


def _quality_windows(windows: Windows) -> Windows:
    """Return the windows of ten seconds over the whole session, which ``windows`` span."""
    count = -(-windows.count * windows.seconds // quality.SECONDS)
    return Windows(windows.start_ns, quality.SECONDS, count)
