"""Models and measures of how losses cluster."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from nodeday.core.arrays import Bools, Ints, runs

GMIN = 16
"""Losses with fewer received frames between them belong to one burst: the value that RFC 3611,
section 4.7.2, recommends. The RFCs' definitions here are from memory."""


@dataclass(frozen=True)
class Gilbert:
    """Gilbert's two states, nan where a stream never left one; lower ``p`` and higher ``r`` are better.

    ``p`` = n01 / n0 is the chance that a loss follows a received frame, ``r`` = n10 / n1 that a received
    frame follows a loss.
    """

    p: float
    r: float

    @property
    def loss(self) -> float:
        """Share lost in the long run, p / (p + r)."""
        return self.p / (self.p + self.r)

    @property
    def mean_burst(self) -> float:
        """Mean run of losses in frames, 1 / r."""
        return 1.0 / self.r


def gilbert(lost: Bools) -> Gilbert:
    """Gilbert model of one stretch, (n,) flags in order of sequence, by counts of transitions."""
    before, after = lost[:-1], lost[1:]
    return gilbert_from(*(int((before == a).astype(int) @ (after == b)) for a in (0, 1) for b in (0, 1)))


def gilbert_from(n00: int, n01: int, n10: int, n11: int) -> Gilbert:
    """Gilbert model from counts of transitions; 1 is lost. Ends of stretches have no transition."""
    return Gilbert(_ratio(n01, n00 + n01), _ratio(n10, n10 + n11))


def _ratio(part: float, whole: float) -> float:
    return part / whole if whole else float("nan")


def interval(count: int, of: int, level: float = 0.95) -> tuple[float, float]:
    """Clopper-Pearson interval of a share ``count`` / ``of``, nan without any.

    Exact, so never narrower than ``level`` promises. C. J. Clopper and E. S. Pearson, Biometrika 26
    (1934), by quantiles of the beta distribution.
    """
    if not of:
        return float("nan"), float("nan")
    from scipy.special import betaincinv

    tail = (1 - level) / 2
    low = float(betaincinv(count, of - count + 1, tail)) if count else 0.0
    high = float(betaincinv(count + 1, of - count, 1 - tail)) if count < of else 1.0
    return low, high


def burst_ratio(lost: Bools) -> float:
    """Mean run of losses over that of independent losses, mean run x (1 - L).

    1 is independent, more is burstier. After McGowan's burst ratio, in the stream its tests name. nan
    without loss.
    """
    runs = int((lost & ~np.concatenate([[False], lost[:-1]])).sum())
    if not runs:
        return float("nan")
    return float(lost.sum() / runs * (1.0 - lost.mean()))


@dataclass(frozen=True)
class Stretches:
    """Numbers that were counted on without a break, [start, end) each (s,), and the losses in them.

    Runs of losses are [first, stop) each (k,), in order. An outage or a restart ends a stretch.
    """

    start: Ints
    end: Ints
    first: Ints
    stop: Ints

    @classmethod
    def of(cls, lost: Bools) -> Stretches:
        """One stretch of flags (n,)."""
        ends = np.array([0], np.int64), np.array([len(lost)], np.int64)
        return cls(*ends, *runs(lost))

    @property
    def expected(self) -> int:
        return int((self.end - self.start).sum())

    @property
    def lost(self) -> int:
        return int((self.stop - self.first).sum())

    @property
    def home(self) -> Ints:
        """The stretch that holds each run, (k,)."""
        return np.searchsorted(self.start, self.first, side="right") - 1

    def transitions(self) -> tuple[int, int, int, int]:
        """Received to received, received to lost, lost to received, lost to lost."""
        into = int((self.first > self.start[self.home]).sum())
        out = int((self.stop < self.end[self.home]).sum())
        inside = self.lost - len(self.first)
        steps = self.expected - int((self.end > self.start).sum())
        return steps - into - out - inside, into, out, inside


@dataclass(frozen=True)
class BurstGap:
    """RFC 3611 section 4.7.2 and RFC 6958 of a stream, in frames; nan where there is none of a kind.

    ``lengths`` are the expected frames of each burst (b,). Lower densities, shorter bursts and
    longer gaps are better.
    """

    lengths: Ints
    burst_lost: int
    gap_frames: int
    gap_lost: int
    gaps: int

    @property
    def burst_density(self) -> float:
        """Share lost within bursts."""
        return _ratio(self.burst_lost, int(self.lengths.sum()))

    @property
    def gap_density(self) -> float:
        """Share lost within gaps, at most 1 / (Gmin + 1)."""
        return _ratio(self.gap_lost, self.gap_frames)

    @property
    def burst_frames(self) -> float:
        """Mean duration of a burst."""
        return _ratio(int(self.lengths.sum()), len(self.lengths))

    @property
    def burst_sd_frames(self) -> float:
        """Standard deviation of the durations, as RFC 6958 derives it from sum and sum of squares."""
        return float(self.lengths.std()) if len(self.lengths) else float("nan")

    @property
    def mean_gap_frames(self) -> float:
        """Mean duration of a gap."""
        return _ratio(self.gap_frames, self.gaps)


def bursts(within: Stretches, gmin: int = GMIN) -> tuple[Ints, Ints, Ints]:
    """First, one past the last, and losses of each group of RFC 3611, (b,) each.

    Losses of a stretch with fewer than ``gmin`` received frames between them share a group. A group
    of one loss is no burst: its loss belongs to the gap around it (appendix A.2 there)::

        ..X...................XX..X..............X......       gmin = 8
          1 alone             |3 of 5|            1 alone
    """
    first, stop, home = within.first, within.stop, within.home
    if not len(first):
        return first, stop, np.empty(0, np.int64)
    cut = np.flatnonzero((first[1:] - stop[:-1] >= gmin) | (np.diff(home) != 0)) + 1
    head, tail = np.concatenate([[0], cut]), np.concatenate([cut, [len(first)]]) - 1
    return first[head], stop[tail], np.add.reduceat(stop - first, head)


def burst_gap(within: Stretches, gmin: int = GMIN) -> BurstGap:
    """Bursts and gaps of a stream.

    Every stretch counts as preceded and followed by ``gmin`` received frames, as the RFC assumes of a
    session.
    """
    first, stop, lost = bursts(within, gmin)
    real = lost > 1
    first, stop = first[real], stop[real]
    home = np.searchsorted(within.start, first, side="right") - 1
    # A gap before, between and after the bursts of a stretch, save where a burst lies at its edge.
    stretches = int((within.end > within.start).sum())
    edges = int((first == within.start[home]).sum() + (stop == within.end[home]).sum())
    lengths = stop - first
    return BurstGap(
        lengths,
        int(lost[real].sum()),
        within.expected - int(lengths.sum()),
        int((~real).sum()),
        stretches + len(first) - edges,
    )
