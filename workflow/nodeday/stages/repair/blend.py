r"""Fill of an ECG gap by candidates: their fit to its context, their vote on the beat, their weighted sum.

A candidate is a stretch of the same recording that looks like the context, the samples on both sides of the
gap. The module has three parts, in this order:

1. Context and fit. :class:`Context` holds the weighted samples around a gap; :func:`misfit` tells how much
   of them a candidate leaves at its best amplitude.
2. Weights. :func:`blend` weights the candidates so that together they fit the context better than any of
   them alone::

       context        ..../\_           residual of 1    ++--
       candidate 1    .../\__           residual of 2    --++     their mean leaves almost nothing
       candidate 2    ...../\

   The weights that rebuild a point from its neighbours are those of locally linear embedding (Roweis and
   Saul 2000, Science 290:2323, from memory). Here each weight is held to the one that the candidate's own
   likeness gives it. It is held more firmly where no candidate comes near the context: their residual is
   noise then, and noise must not be rebuilt.
3. Vote. :class:`StackedCandidates` fits candidates to many gaps of one length at once.
   :meth:`StackedCandidates.choose` lets them vote on the beat inside the gap; the strongest party fills it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from nodeday.core.arrays import Bools, Floats, Ints, Singles
from nodeday.stages.repair.certainty import content, evidence, probability_right

# --- context and fit
LONGEST_S = 0.25
"""Longest gap that is filled from its context."""
CONTEXT_S = 0.35
"""Length of the context on each side of a gap."""
TAPER_S, TAPER_GROWTH = (0.04, 0.07), 0.08
"""Distances before and behind the gap at which a sample's weight has fallen to 1/e. ST and T behind a QRS
tell its time better than the P wave before it. The distance before the gap grows by the second value times
the length of the gap: before a short gap the flank of the QRS counts, before a long one the P wave."""
AMPLITUDE = (0.9, 1.1)
"""Limits of the factor by which a candidate is scaled."""

# --- weights
RIDGE, RIDGE_NOISE = 0.0005, 0.1
"""How firmly weights are held: a share of the context's mean square, and a share of the least residual.
Choices of this project; a third or three times as much hardly changes the fills."""

# --- vote
FLOOR, POWER = 0.01, 4.5
"""A candidate of residual e has the vote (e + FLOOR) ** -POWER. On five records these values came near to
making the candidates whose R peak was right the likeliest."""
NO_VOTE_S = 0.1
"""Longest gap without a vote: it hardly hides a complete QRS, and the context shows the rest of the QRS."""
TOGETHER_S = 0.024
"""Largest distance between beats that agree."""
STEEP, STEP_S = 0.25, 0.012
"""A QRS is where the signal moves by this share of its largest movement within this time."""
WIDTH_S, MARGIN_S = 0.1, 0.02
"""A beat is where the signal moves most over this width, inside the gap or within this margin around it."""
SHIFT = 0.5
"""Share of the way to the party's mean instant by which a candidate moves: its context is half the truth."""


@dataclass(frozen=True)
class Context:
    """Samples around gaps (g, s) without level and slope; ``total`` (g, 1) is their weighted mean square.

    Each row of ``weight`` sums to 1; it is 0 inside the gap and where no sample is known. Under ``weight``,
    ``ramp`` has mean 0 and mean square 1. ``value`` holds the samples.
    """

    weight: Singles
    ramp: Singles
    value: Singles
    total: Singles

    @staticmethod
    def of(
        value: Singles, known: NDArray[np.generic], offset: Ints, length: Ints | int, rate_hz: float
    ) -> Context:
        """Return the context of gaps of ``length`` samples.

        ``value`` (g, s) is the signal and ``known`` (g, s) the known share of each value; ``offset`` is
        their distance in samples from the start of the gap, (s,) or (g, s).
        """
        distance = np.maximum(np.maximum(-offset, offset - length + 1), 0)
        near = (distance > 0) & (distance <= CONTEXT_S * rate_hz)
        before, behind = TAPER_S
        taper = np.where(offset < 0, before * rate_hz + TAPER_GROWTH * length, behind * rate_hz)
        weight = np.where(near, np.exp(-distance / taper), 0.0) * known
        weight /= np.maximum(weight.sum(axis=1, keepdims=True), 1e-12)
        ramp = offset - (weight * offset).sum(axis=1, keepdims=True)
        ramp /= np.sqrt(np.maximum((weight * ramp * ramp).sum(axis=1, keepdims=True), 1e-12))
        rest = value - (weight * value).sum(axis=1, keepdims=True)
        rest -= (weight * ramp * rest).sum(axis=1, keepdims=True) * ramp
        total = (weight * rest * rest).sum(axis=1, keepdims=True)
        return Context(*(part.astype(np.float32) for part in (weight, ramp, rest, total)))

    @property
    def rows(self) -> tuple[Singles, Singles, Singles]:
        """Rows (g, s) whose products with a stretch are its level, slope and covariance with the context."""
        return self.weight, self.weight * self.ramp, self.weight * self.value


def misfit(
    total: Singles, square: Singles, level: Singles, slope: Singles, cross: Singles
) -> tuple[Singles, Singles, Singles]:
    """Return the residual of stretches, their best amplitude within ``AMPLITUDE``, and their correlation.

    The residual is the share of the context's ``total`` that a stretch leaves at that amplitude: 0 is best.
    ``square`` is the weighted mean square of the stretch; ``level``, ``slope`` and ``cross`` are its
    products with :attr:`Context.rows`. All arrays have shapes that broadcast.
    """
    least, low, high = (np.float32(value) for value in (1e-9, *AMPLITUDE))
    power = np.maximum(square - level * level - slope * slope, least)
    total = np.maximum(total, least)
    amplitude = np.clip(cross / power, low, high)
    residual = np.maximum(1 - amplitude * (2 * cross - amplitude * power) / total, np.float32(0))
    return residual, amplitude, cross / np.sqrt(power * total)


def residual_products(
    context: Context, piece: Singles, amplitude: Floats, level: Floats, slope: Floats, cross: Floats
) -> Floats:
    """Return the products (g, c, c) of the residuals of each two of c candidates, by the mean square.

    On the diagonal is the residual of each candidate, as from :func:`misfit`. ``piece`` (g, c, s) lies over
    the context (g, s); the other arrays (g, c) are its fit.
    """
    total = np.maximum(context.total.astype(np.float64), 1e-9)[:, :, None]
    product = ((piece * context.weight[:, None]) @ piece.transpose(0, 2, 1)).astype(np.float64)
    product -= level[:, :, None] * level[:, None] + slope[:, :, None] * slope[:, None]
    fitted = amplitude * cross
    product *= amplitude[:, :, None] * amplitude[:, None]
    return np.asarray(1 + (product - fitted[:, :, None] - fitted[:, None]) / total, np.float64)


def blend(share: Floats, products: Floats, least: Floats) -> Floats:
    """Return weights (g, c) near ``share`` (g, c) that sum to 1; some may be negative.

    A weight is 0 where its share is 0. ``products`` (g, c, c) are from :func:`residual_products`, ``least``
    (g,) is the least residual of the candidates of each gap.
    """
    root = np.sqrt(share)
    ridge = RIDGE + RIDGE_NOISE * least
    matrix = root[:, :, None] * products * root[:, None]
    matrix += ridge[:, None, None] * np.eye(share.shape[1])
    weight = root * np.linalg.solve(matrix, root[..., None])[..., 0]
    return np.asarray(weight / np.maximum(weight.sum(axis=1, keepdims=True), 1e-12), np.float64)


@dataclass(frozen=True)
class Choice:
    """Fill of gaps (g,) by the strongest party of their candidates.

    ``fill`` (g, length + 2) has an outer sample on each side, and still lacks the straight line that joins
    it to its neighbours. ``likeness`` is the correlation of the leading candidate of the party with the
    context; ``steep`` and ``support`` are as in :class:`~nodeday.stages.repair.pattern.PatternMatch`.
    ``content`` and ``evidence`` are what :func:`~nodeday.stages.repair.certainty.probability_right` needs.
    """

    fill: Floats
    likeness: Floats
    steep: Floats
    support: Floats
    content: Ints
    evidence: Floats

    @property
    def probability(self) -> Floats:
        """Probability (g,) that the fill is right, 0 without a candidate."""
        some = np.isfinite(self.fill).all(axis=1)
        return np.where(some, probability_right(self.content, self.evidence), 0.0)


@dataclass(frozen=True)
class StackedCandidates:
    """The candidates of gaps of one ``length``, fitted to the context at the best of their lags.

    ``residual``, ``amplitude`` and ``likeness`` (g, c) are from :func:`misfit`; ``residual`` is infinite for
    a candidate that cannot be used. ``start`` (g, c) is where in ``stretch`` (g, c, samples) the gap would
    begin. ``products`` (g, c, c) are from :func:`residual_products`.
    """

    residual: Floats
    amplitude: Floats
    likeness: Floats
    stretch: Singles
    start: Ints
    products: Floats
    length: int
    rate_hz: float

    @staticmethod
    def of(
        level: Singles,
        known: Bools,
        lost: Ints,
        starts: Ints,
        length: int,
        candidate: Ints,
        reach: int,
        rate_hz: float,
    ) -> StackedCandidates:
        """Fit the stretches of ``level`` (n,) within ``reach`` of each ``candidate`` (g, c) to the gaps.

        Gaps begin at ``starts`` (g,) and hold ``length`` samples. A ``candidate`` is the sample that would
        be the first one of the gap, -1 for none. ``lost`` (n + 1,) counts the unknown samples before each.
        """
        side, n = round(CONTEXT_S * rate_hz), len(level)
        size = 2 * side + length
        offset = np.arange(size) - side
        column = starts[:, None] + offset
        inside = (column >= 0) & (column < n)
        column = np.clip(column, 0, n - 1)
        context = Context.of(level[column], inside & known[column], offset, length, rate_hz)
        first = candidate - side - reach
        complete = (candidate >= 0) & (first >= 0) & (first + size + 2 * reach <= n)
        first = np.where(complete, first, 0)
        last = np.minimum(first + size + 2 * reach, n)
        complete &= lost[last] == lost[first]
        stretch = level[np.minimum(first[..., None] + np.arange(size + 2 * reach), n - 1)]
        stretch -= stretch.mean(axis=2, keepdims=True)
        rows = [_lagged(row, 2 * reach + 1) for row in context.rows]
        by_lag = np.split(stretch @ np.concatenate(rows, axis=2), 3, axis=2)  # level, slope, covariance
        fit = misfit(context.total[:, :, None], (stretch * stretch) @ rows[0], *by_lag)
        fit[0][~complete] = np.inf
        lag = fit[0].argmin(axis=2)[..., None]
        residual, amplitude, likeness, *at_lag = (
            np.take_along_axis(values, lag, axis=2)[..., 0].astype(np.float64) for values in (*fit, *by_lag)
        )
        piece = np.take_along_axis(stretch, lag + np.arange(size), axis=2)
        products = residual_products(context, piece, amplitude, *at_lag)
        start = side + lag[..., 0]
        return StackedCandidates(residual, amplitude, likeness, stretch, start, products, length, rate_hz)

    def choose(self) -> Choice:
        """Return the fill by the strongest party; NaN with zeros for a gap without a candidate."""
        share = np.where(np.isfinite(self.residual), (self.residual + FLOOR) ** -POWER, 0.0)
        share /= np.maximum(share.sum(axis=1, keepdims=True), 1e-12)
        beat, steep = self._beats()
        agree, rows = self._agree(beat, steep), np.arange(len(share))
        support = (agree @ share[..., None])[..., 0]
        leader = np.where(share > 0, support + 1e-6 * share, -1.0).argmax(axis=1)
        party = share * agree[rows, leader]
        centre = (party * beat).sum(axis=1) / np.maximum(party.sum(axis=1), 1e-12)
        least = np.where(share > 0, self.residual, 1.0).min(axis=1)
        party = blend(party, self.products, least)
        at = self.start[..., None] - 1 + np.arange(self.length + 2)
        if self._votes:
            mean = (party * beat).sum(axis=1, keepdims=True)
            at += np.where(steep & (party > 0), np.rint(SHIFT * (beat - mean)), 0).astype(np.int64)[..., None]
        piece = np.take_along_axis(self.stretch, np.clip(at, 0, self.stretch.shape[2] - 1), axis=2)
        fill = ((party * self.amplitude)[:, None] @ piece)[:, 0]
        some = share.any(axis=1)
        fill[~some] = np.nan
        return Choice(
            fill,
            np.where(some, self.likeness[rows, leader], 0.0),
            (share * steep).sum(axis=1),
            support[rows, leader],
            content(centre, steep[rows, leader], self.length),
            evidence(self.length / self.rate_hz, least, share),
        )

    @property
    def _votes(self) -> bool:
        """Whether the candidates vote on a beat."""
        return self.length > NO_VOTE_S * self.rate_hz

    def _agree(self, beat: Floats, steep: Bools) -> Bools:
        """Return which candidates of a gap agree with each other on the beat, (g, c, c)."""
        if not self._votes:
            return np.ones((*steep.shape, steep.shape[1]), np.bool_)
        apart = np.abs(beat[:, :, None] - beat[:, None, :])
        both, same = steep[:, :, None] & steep[:, None, :], steep[:, :, None] == steep[:, None, :]
        return np.asarray(np.where(both, apart <= TOGETHER_S * self.rate_hz, same), np.bool_)

    def _beats(self) -> tuple[Floats, Bools]:
        """Return where each candidate moves most, and whether it is as steep as a QRS, both (g, c).

        The first is in samples from the start of the gap, at most ``MARGIN_S`` outside it; the second looks
        at the gap alone.
        """
        step, wide, margin = (max(round(s * self.rate_hz), 1) for s in (STEP_S, WIDTH_S, MARGIN_S))
        move = np.abs(self.stretch[..., step:] - self.stretch[..., :-step])
        first = -margin - (wide + step) // 2
        at = self.start[..., None] + first + np.arange(self.length + 2 * margin + wide)
        near = np.take_along_axis(move, np.clip(at, 0, move.shape[2] - 1), axis=2)
        total = np.cumsum(near * near, axis=2, dtype=np.float64)
        beat = (total[..., wide:] - total[..., :-wide]).argmax(axis=2) - margin
        inside = near[..., wide // 2 + margin :][..., : self.length]
        steep = inside.max(axis=2) > STEEP * move.max(axis=2)
        return beat.astype(np.float64), np.asarray(steep, np.bool_)


def _lagged(rows: Singles, lags: int) -> Singles:
    """Return each row (g, s) moved on by 0, 1, ... samples: (g, s + lags - 1, lags)."""
    g, size = rows.shape
    out = np.zeros((g, size + lags - 1, lags), np.float32)
    for lag in range(lags):
        out[:, lag : lag + size, lag] = rows
    return out
