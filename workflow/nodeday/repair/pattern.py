"""Lost ECG from the same recording's beats that look alike on both sides of the gap.

::

    context, 350 ms   gap    context, 350 ms        the context on both sides is laid over every
    ...__/\\__.......______......._/~\\_...           stretch of the minute before and the minute
                                                    after that is whole; where it fits best, the
    ..._/\\__/\\/|_____/~\\_...  (elsewhere)           five best together fill the gap

How far two contexts differ is a weighted mean square; samples near the gap weigh most. Amplitude (within
limits) and baseline are fitted, what is left at the edges is spread over the fill as a straight line.
The search runs on means of about 20 ms first, then sample by sample around the best places.

Filling by similar stretches is a method of many fields; this form and its constants are choices of this
project, made on ten records of the MIT-BIH database (benchmarks/repair.py).
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from nodeday.arrays import Bools, Floats, Ints, Singles

LONGEST_S = 0.25
CONTEXT_S = 0.35
"""Looked at on each side of a gap."""
TAPER_S = (0.04, 0.07)
"""So far before and behind the gap a sample's weight has fallen to 1/e: the T wave behind a QRS tells its time
better than the P wave before it."""
SEARCH_S = 60.0
"""How far away a stretch may lie that a gap is filled from."""
COARSE_HZ = 50.0
PLACES, USED = 12, 5
"""Places looked at sample by sample, and how many of these a fill is made of."""
APART_S = 0.2
"""Two places nearer than that are the same beat."""
AMPLITUDE = (0.9, 1.1)
LEAST_LIKENESS, MOST_DOUBT = 0.5, 0.1
"""Below such a correlation of the contexts, or where more than such a share of the places used disagrees
with the others on whether a QRS lies in the gap, nothing is filled."""
SURE_S = 0.1
"""A gap no longer than that hardly hides a whole QRS: what is left of it beside the gap tells."""
STEEP, STEP_S = 0.25, 0.012
"""A QRS is where the signal moves by such a share of its largest movement over so short a time."""
BLOCK_S = 60.0
BATCH = 128


@dataclass(frozen=True)
class Match:
    """How the gaps (g,) were matched: ``likeness`` is the best place's correlation with the context (0
    where there is none), ``steep`` the share of the places that hold a part as steep as a QRS there."""

    likeness: Floats
    steep: Floats


def pattern(
    value: Floats, known: Bools, starts: Ints, ends: Ints, rate_hz: float
) -> tuple[list[Floats], Match]:
    """A fill for each gap [start, end) of ``value`` (n,), and how well it matched.

    ``known`` (n,) says which samples may be learnt from. The samples beside each gap must be known, and
    no gap longer than ``LONGEST_S``. A gap without any likeness has a fill of NaN. Nothing is refused
    here: see :func:`good_enough`.
    """
    if (ends - starts > LONGEST_S * rate_hz + 1).any():
        raise ValueError("a gap is longer than a pattern may fill")
    x = np.where(known, value, 0.0)
    centre = x[known].mean() if known.any() else 0.0
    level = np.where(known, x - centre, 0.0).astype(np.float32)
    fills = [np.full(end - start, np.nan) for start, end in zip(starts, ends, strict=True)]
    likeness, steep = np.zeros(len(starts)), np.zeros(len(starts))
    bins = _Bins.of(level, known, rate_hz)
    places = np.full((len(starts), PLACES), -1, np.int64)
    for which in _blocks(starts, round(BLOCK_S * rate_hz)):
        places[which] = bins.places(starts[which], ends[which])
    lost = np.concatenate([[0], np.cumsum(~known)])
    for length in np.unique(ends - starts).tolist():
        same = np.flatnonzero(ends - starts == length)
        for at in range(0, len(same), BATCH):
            which = same[at : at + BATCH]
            fine = _Fine.of(level, known, lost, starts[which], length, places[which], bins.width, rate_hz)
            shape, likeness[which], steep[which] = fine.fills(rate_hz)
            for gap, row in zip(which.tolist(), shape, strict=True):
                fills[gap] = _seamed(row, x[starts[gap] - 1] - centre, x[ends[gap]] - centre) + centre
    return fills, Match(likeness, steep)


def good_enough(match: Match, length: Ints, rate_hz: float) -> Bools:
    """Which fills (g,), of ``length`` samples, may stand."""
    agreed = np.minimum(match.steep, 1 - match.steep) <= MOST_DOUBT
    return np.asarray((match.likeness >= LEAST_LIKENESS) & (agreed | (length <= SURE_S * rate_hz)), np.bool_)


def without_qrs(match: Match) -> Bools:
    """Which gaps (g,) hold no part of a QRS, by their fills."""
    return np.asarray((match.likeness >= LEAST_LIKENESS) & (match.steep <= MOST_DOUBT), np.bool_)


def _blocks(starts: Ints, width: int) -> Iterator[Ints]:
    """Indices of gaps, in order, that begin within the same ``width`` samples."""
    block = starts // width
    edges = np.flatnonzero(np.diff(block, prepend=-1, append=-1))
    for first, last in itertools.pairwise(edges):
        yield np.arange(first, last)


def _seamed(row: Floats, before: float, after: float) -> Floats:
    """A fill with its two outer samples (L + 2,), which lie over known ones, moved onto these: (L,)."""
    share = np.linspace(0.0, 1.0, len(row))
    return np.asarray((row + (before - row[0]) * (1 - share) + (after - row[-1]) * share)[1:-1], np.float64)


def _weights(offset: Ints, length: Ints | int, known: NDArray[np.floating], rate_hz: float) -> Singles:
    """Weights (g, s) of the samples at ``offset`` from the start of a gap, sum 1 a row; none inside it."""
    distance = np.maximum(np.maximum(-offset, offset - length + 1), 0)
    near = (distance > 0) & (distance <= CONTEXT_S * rate_hz)
    taper = np.where(offset < 0, *TAPER_S) * rate_hz
    weight = np.where(near, np.exp(-distance / taper), 0.0) * known
    return np.asarray(weight / np.maximum(weight.sum(axis=-1, keepdims=True), 1e-12), np.float32)


@dataclass(frozen=True)
class _Target:
    """Contexts (g, s) of gaps, each with its level and its slope taken out, both weighted."""

    weight: Singles
    centred: Singles
    ramp: Singles
    level: Singles
    slope: Singles
    total: Singles

    @staticmethod
    def of(value: Singles, weight: Singles, offset: NDArray[np.floating]) -> _Target:
        """``offset`` (g, s) or (s,): where the samples lie, for the ramp."""
        level = (weight * value).sum(axis=1, keepdims=True)
        ramp = offset - (weight * offset).sum(axis=1, keepdims=True)
        ramp = ramp / np.sqrt(np.maximum((weight * ramp * ramp).sum(axis=1, keepdims=True), 1e-12))
        slope = (weight * ramp * value).sum(axis=1, keepdims=True)
        centred = value - level - slope * ramp
        total = (weight * centred**2).sum(axis=1, keepdims=True)
        return _Target(weight, *(np.asarray(each, np.float32) for each in (centred, ramp, level, slope, total)))


def _misfit(total: NDArray[np.floating], cross: Singles, own: Singles) -> tuple[Singles, Singles, Singles]:
    """Of a target of variance ``total`` and stretches of variance ``own`` with covariance ``cross``: the
    share of ``total`` that the best amplitude within limits leaves, that amplitude, the correlation."""
    least, low, high = (np.float32(value) for value in (1e-9, *AMPLITUDE))
    own, total = np.maximum(own, least), np.maximum(total, least)
    amplitude = np.clip(cross / own, low, high)
    left = np.maximum(1 - amplitude * (2 * cross - amplitude * own) / total, np.float32(0))
    likeness = cross / np.sqrt(own * total)
    return left.astype(np.float32), amplitude.astype(np.float32), likeness.astype(np.float32)


@dataclass(frozen=True)
class _Bins:
    """The signal as means over ``width`` samples: ``mean`` and the ``share`` of known samples, (b,)."""

    mean: Singles
    share: Singles
    width: int
    rate_hz: float

    @staticmethod
    def of(level: Singles, known: Bools, rate_hz: float) -> _Bins:
        width = max(1, round(rate_hz / COARSE_HZ))
        whole = len(level) // width * width
        count = known[:whole].reshape(-1, width).sum(axis=1)
        total = level[:whole].reshape(-1, width).sum(axis=1, dtype=np.float64)
        return _Bins((total / np.maximum(count, 1)).astype(np.float32), (count / width).astype(np.float32),
                     width, rate_hz)  # fmt: skip

    def places(self, starts: Ints, ends: Ints) -> Ints:
        """First samples (g, PLACES) of the stretches that would stand in for each gap; -1 for none."""
        side = round(CONTEXT_S * self.rate_hz / self.width)
        size = 2 * side + int(np.ceil(LONGEST_S * self.rate_hz / self.width)) + 2
        first = starts // self.width - side
        search = round(SEARCH_S * self.rate_hz / self.width)
        low, high = max(0, int(first.min()) - search), min(len(self.mean), int(first.max()) + search + size)
        if high - low < size:
            return np.full((len(starts), PLACES), -1, np.int64)
        column = first[:, None] + np.arange(size)
        there = (column >= 0) & (column < len(self.mean))
        column = np.clip(column, 0, len(self.mean) - 1)
        middle = column * self.width + self.width // 2 - starts[:, None]
        share = np.where(there, self.share[column], 0.0)
        weight = _weights(middle, (ends - starts)[:, None], share, self.rate_hz)
        left = self._misfits(_Target.of(self.mean[column], weight, middle), low, high, size)
        return self._best(left, low + side, starts)

    def _misfits(self, target: _Target, low: int, high: int, size: int) -> Singles:
        """What each stretch leaves of each target, (gaps, places); infinite where a stretch is not whole."""
        stretch = np.ascontiguousarray(sliding_window_view(self.mean[low:high], size)).T
        gone = np.concatenate([[0], np.cumsum(self.share[low:high] < 1)])
        weight = target.weight
        own = weight @ (stretch * stretch)
        own -= (weight @ stretch) ** 2
        own -= ((weight * target.ramp) @ stretch) ** 2
        left = _misfit(target.total, (weight * target.centred) @ stretch, own)[0]
        left[:, gone[size:] > gone[:-size]] = np.inf
        return left

    def _best(self, left: Singles, first: int, starts: Ints) -> Ints:
        inner = left[:, 1:-1]
        dip = np.where((inner <= left[:, :-2]) & (inner < left[:, 2:]), inner, np.float32(np.inf))
        count = min(PLACES, dip.shape[1])
        best = np.argpartition(dip, count - 1, axis=1)[:, :count]
        found = np.isfinite(np.take_along_axis(dip, best, axis=1))
        at = (first + 1 + best) * self.width + (starts % self.width)[:, None]
        out = np.full((len(starts), PLACES), -1, np.int64)
        out[:, :count] = np.where(found, at, -1)
        return out


@dataclass(frozen=True)
class _Fine:
    """Gaps of one length and their places, laid over each other sample by sample.

    ``left``, ``amplitude`` and ``likeness`` are (g, places, lags), ``stretch`` (g, places, samples);
    lag 0 begins ``lags // 2`` samples before the place.
    """

    left: Singles
    amplitude: Singles
    likeness: Singles
    stretch: Singles
    place: Ints
    side: int
    length: int

    @staticmethod
    def of(
        level: Singles, known: Bools, lost: Ints, starts: Ints, length: int, place: Ints, reach: int,
        rate_hz: float,
    ) -> _Fine:  # fmt: skip
        side, n, lags = round(CONTEXT_S * rate_hz), len(level), 2 * reach + 1
        size = 2 * side + length
        offset = np.arange(size) - side
        column = starts[:, None] + offset
        there = (column >= 0) & (column < n)
        column = np.clip(column, 0, n - 1)
        weight = _weights(offset, length, there & known[column], rate_hz)
        target = _Target.of(level[column], weight, offset)
        first = place - side - reach
        whole = (place >= 0) & (first >= 0) & (first + size + 2 * reach <= n)
        first = np.where(whole, first, 0)
        last = np.minimum(first + size + 2 * reach, n)
        whole &= lost[last] == lost[first]
        stretch = level[np.minimum(first[..., None] + np.arange(size + 2 * reach), n - 1)]
        stretch = stretch - stretch.mean(axis=2, keepdims=True)
        lagged = _lagged(weight, lags)
        mean, slope = stretch @ lagged, stretch @ _lagged(weight * target.ramp, lags)
        cross = stretch @ _lagged(weight * target.centred, lags)
        own = (stretch * stretch) @ lagged - mean * mean - slope * slope
        left, amplitude, likeness = _misfit(target.total[:, :, None], cross, own)
        left[~whole] = np.inf
        return _Fine(left, amplitude, likeness, stretch, place, side, length)

    def fills(self, rate_hz: float) -> tuple[Floats, Floats, Floats]:
        """Fills with an outer sample on each side (g, length + 2), likeness, steep share (g,)."""
        lag = self.left.argmin(axis=2)
        left, amplitude, likeness = (
            np.take_along_axis(each, lag[..., None], axis=2)[..., 0].astype(np.float64)
            for each in (self.left, self.amplitude, self.likeness)
        )
        share = _shares(left, self.place + lag, round(APART_S * rate_hz))
        at = (self.side - 1 + lag)[..., None] + np.arange(self.length + 2)
        # Level and slope are left as they are there: the seams lay any straight line onto the known samples.
        piece = amplitude[..., None] * np.take_along_axis(self.stretch, at, axis=2)
        fill = (share[..., None] * piece).sum(axis=1)
        best = np.take_along_axis(likeness, left.argmin(axis=1)[:, None], axis=1)[:, 0]
        some = share.sum(axis=1) > 0
        fill[~some] = np.nan
        steep = _steep(share, piece, self.stretch, min(round(STEP_S * rate_hz), self.length))
        return fill, np.where(some, best, 0.0), steep


def _lagged(rows: Singles, lags: int) -> Singles:
    """Each row (g, s) moved on by 0, 1, ... samples: (g, s + lags - 1, lags)."""
    g, size = rows.shape
    out = np.zeros((g, size + lags - 1, lags), np.float32)
    for lag in range(lags):
        out[:, lag : lag + size, lag] = rows
    return out


def _shares(left: Floats, at: Ints, apart: int) -> Floats:
    """Share of each place (g, places) in the fill: of the best, ``USED`` that are different beats."""
    share = np.zeros_like(left)
    rows, free = np.arange(len(left)), left.copy()
    for _ in range(min(USED, left.shape[1])):
        best = free.argmin(axis=1)
        fit = free[rows, best]
        share[rows, best] = np.where(np.isfinite(fit), 1 / (fit + 1e-3) ** 2, 0.0)
        free[np.abs(at - at[rows, best][:, None]) < apart] = np.inf
    return np.asarray(share / np.maximum(share.sum(axis=1, keepdims=True), 1e-12), np.float64)


def _steep(share: Floats, piece: Floats, stretch: Singles, step: int) -> Floats:
    """Share (g,) of the places whose ``piece`` is as steep somewhere as a QRS."""
    steepest = np.abs(stretch[..., step:] - stretch[..., :-step]).max(axis=2)
    inside = np.abs(piece[..., step:] - piece[..., :-step]).max(axis=2)
    return np.asarray((share * (inside > STEEP * steepest)).sum(axis=1), np.float64)
