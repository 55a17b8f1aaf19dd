"""Stretches mixed so that together they give the context better than each of them does.

::

    context      ..../\\_           what stretch 1 leaves   ++--
    stretch 1    .../\\__           what stretch 2 leaves   --++     half of each leaves next to nothing
    stretch 2    ...../\\

The weights that rebuild a point from its neighbours are those of locally linear embedding (Roweis and Saul
2000, Science 290:2323, from memory). Here each neighbour is held to the weight that its own likeness gives
it, more firmly where no stretch comes near the context: what they leave there is noise, and noise must not be
rebuilt.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from nodeday.core.arrays import Bools, Floats, Ints, Singles

LONGEST_S = 0.25
"""No longer gap is filled from its context."""
CONTEXT_S = 0.35
"""Looked at on each side of a gap."""
TAPER_S, LONGER = (0.04, 0.07), 0.08
"""So far before and behind the gap a sample's weight has fallen to 1/e: ST and T behind a QRS tell its time
better than the P wave before it. Before it the distance grows by such a share of the gap: beside a short one
the flank of the QRS tells, beside a long one the P wave."""
AMPLITUDE = (0.9, 1.1)


@dataclass(frozen=True)
class Context:
    """What surrounds gaps, (g, s), with level and slope taken out; ``total`` (g, 1) is its mean square.

    ``weight`` sums to 1 a row and is 0 inside the gap and where nothing is known; under it ``ramp`` has
    mean 0 and mean square 1.
    """

    weight: Singles
    ramp: Singles
    value: Singles
    total: Singles

    @staticmethod
    def of(
        value: Singles, known: NDArray[np.generic], offset: Ints, length: Ints | int, rate_hz: float
    ) -> Context:
        """``value`` and the share ``known`` of it (g, s) at samples ``offset`` from the start of a gap."""
        distance = np.maximum(np.maximum(-offset, offset - length + 1), 0)
        near = (distance > 0) & (distance <= CONTEXT_S * rate_hz)
        before, behind = TAPER_S
        taper = np.where(offset < 0, before * rate_hz + LONGER * length, behind * rate_hz)
        weight = np.where(near, np.exp(-distance / taper), 0.0) * known
        weight /= np.maximum(weight.sum(axis=1, keepdims=True), 1e-12)
        ramp = offset - (weight * offset).sum(axis=1, keepdims=True)
        ramp /= np.sqrt(np.maximum((weight * ramp * ramp).sum(axis=1, keepdims=True), 1e-12))
        rest = value - (weight * value).sum(axis=1, keepdims=True)
        rest -= (weight * ramp * rest).sum(axis=1, keepdims=True) * ramp
        total = (weight * rest * rest).sum(axis=1, keepdims=True)
        return Context(*(each.astype(np.float32) for each in (weight, ramp, rest, total)))

    @property
    def rows(self) -> tuple[Singles, Singles, Singles]:
        """What to multiply a stretch by for its level, its slope and its covariance with the context."""
        return self.weight, self.weight * self.ramp, self.weight * self.value


def misfit(
    total: Singles, square: Singles, level: Singles, slope: Singles, cross: Singles
) -> tuple[Singles, Singles, Singles]:
    """Of a context's ``total`` the share that a stretch leaves at its best amplitude within limits, that
    amplitude, and the correlation.

    ``square`` is the stretch's weighted mean square; ``level``, ``slope`` and ``cross`` are its products
    with :attr:`Context.rows`.
    """
    least, low, high = (np.float32(value) for value in (1e-9, *AMPLITUDE))
    own = np.maximum(square - level * level - slope * slope, least)
    total = np.maximum(total, least)
    amplitude = np.clip(cross / own, low, high)
    left = np.maximum(1 - amplitude * (2 * cross - amplitude * own) / total, np.float32(0))
    return left, amplitude, cross / np.sqrt(own * total)


HOLD, HOLD_NOISE = 0.0005, 0.1
"""How firmly: a share of the context's mean square, and of what the nearest stretch leaves of it. Choices of
this project; a third or three times as much hardly changes what is found."""


def in_common(
    context: Context, piece: Singles, amplitude: Floats, level: Floats, slope: Floats, cross: Floats
) -> Floats:
    """What two stretches both leave of the context, as a share of its mean square: (g, places, places), on
    whose diagonal stands what :func:`nodeday.stages.repair.blend.misfit` says of each.

    ``piece`` (g, places, s) lies over the context (g, s); the others (g, places) are its fit.
    """
    total = np.maximum(context.total.astype(np.float64), 1e-9)[:, :, None]
    both = ((piece * context.weight[:, None]) @ piece.transpose(0, 2, 1)).astype(np.float64)
    both -= level[:, :, None] * level[:, None] + slope[:, :, None] * slope[:, None]
    own = amplitude * cross
    both *= amplitude[:, :, None] * amplitude[:, None]
    return np.asarray(1 + (both - own[:, :, None] - own[:, None]) / total, np.float64)


def blend(share: Floats, common: Floats, least: Floats) -> Floats:
    """Weights (g, places) of sum 1, some of which may be negative, near ``share`` (g, places) and 0 where
    that is 0; ``least`` (g,) is what the nearest stretch leaves.
    """
    root = np.sqrt(share)
    hold = HOLD + HOLD_NOISE * least
    pulled = root[:, :, None] * common * root[:, None]
    pulled += hold[:, None, None] * np.eye(share.shape[1])
    weight = root * np.linalg.solve(pulled, root[..., None])[..., 0]
    return np.asarray(weight / np.maximum(weight.sum(axis=1, keepdims=True), 1e-12), np.float64)


FLOOR, POWER = 0.01, 4.5
"""A stretch that leaves the share e of its context's mean square weighs as (e + FLOOR) ** -POWER: near what
made the stretches whose R peak was right likeliest, on five records."""
SURE_S = 0.1
"""A gap no longer than that hardly hides a whole QRS: its rest beside the gap tells, and no vote is held."""
TOGETHER_S = 0.024
"""Beats no further apart agree."""
STEEP, STEP_S = 0.25, 0.012
"""A QRS is where the signal moves by such a share of its largest movement over so short a time."""
WIDTH_S, MARGIN_S = 0.1, 0.02
"""A beat lies where this much of the signal moves most, in the gap or so near beside it."""
MOVED = 0.5
"""How much of the way to the party's mean instant a stretch is moved: its own context is half the truth."""


@dataclass(frozen=True)
class Choice:
    """For gaps (g,): ``fill`` with an outer sample on each side (g, length + 2), but for a straight line;
    ``likeness`` of the strongest stretch of the party, ``steep`` and ``support`` as in ``pattern.Match``.
    """

    fill: Floats
    likeness: Floats
    steep: Floats
    support: Floats


@dataclass(frozen=True)
class StackedCandidates:
    """``left``, ``amplitude`` and ``likeness`` (g, places) at the best of the lags, ``stretch`` (g, places,
    samples) and ``start`` (g, places), where in it the gap would begin, ``common`` from
    :func:`blend.in_common`.
    """

    left: Floats
    amplitude: Floats
    likeness: Floats
    stretch: Singles
    start: Ints
    common: Floats
    length: int
    rate_hz: float

    @staticmethod
    def of(
        level: Singles,
        known: Bools,
        lost: Ints,
        starts: Ints,
        length: int,
        place: Ints,
        reach: int,
        rate_hz: float,
    ) -> StackedCandidates:
        """Stretches of ``level`` (n,) within ``reach`` of each ``place`` (g, places) over the gaps of
        ``length`` at ``starts`` (g,). ``lost`` (n + 1,) counts the unknown samples before each.
        """
        side, n = round(CONTEXT_S * rate_hz), len(level)
        size = 2 * side + length
        offset = np.arange(size) - side
        column = starts[:, None] + offset
        there = (column >= 0) & (column < n)
        column = np.clip(column, 0, n - 1)
        context = Context.of(level[column], there & known[column], offset, length, rate_hz)
        first = place - side - reach
        whole = (place >= 0) & (first >= 0) & (first + size + 2 * reach <= n)
        first = np.where(whole, first, 0)
        last = np.minimum(first + size + 2 * reach, n)
        whole &= lost[last] == lost[first]
        stretch = level[np.minimum(first[..., None] + np.arange(size + 2 * reach), n - 1)]
        stretch -= stretch.mean(axis=2, keepdims=True)
        rows = [_lagged(row, 2 * reach + 1) for row in context.rows]
        told = np.split(stretch @ np.concatenate(rows, axis=2), 3, axis=2)
        fit = misfit(context.total[:, :, None], (stretch * stretch) @ rows[0], *told)
        fit[0][~whole] = np.inf
        lag = fit[0].argmin(axis=2)[..., None]
        left, amplitude, likeness, *product = (
            np.take_along_axis(each, lag, axis=2)[..., 0].astype(np.float64) for each in (*fit, *told)
        )
        piece = np.take_along_axis(stretch, lag + np.arange(size), axis=2)
        common = in_common(context, piece, amplitude, *product)
        return StackedCandidates(
            left, amplitude, likeness, stretch, side + lag[..., 0], common, length, rate_hz
        )

    def chosen(self) -> Choice:
        """What the strongest party of the stretches says; NaN and zeros where there is none."""
        share = np.where(np.isfinite(self.left), (self.left + FLOOR) ** -POWER, 0.0)
        share /= np.maximum(share.sum(axis=1, keepdims=True), 1e-12)
        beat, steep = self._beats()
        agree, rows = self._agree(beat, steep), np.arange(len(share))
        support = (agree @ share[..., None])[..., 0]
        leader = np.where(share > 0, support + 1e-6 * share, -1.0).argmax(axis=1)
        party = share * agree[rows, leader]
        party = blend(party, self.common, np.where(share > 0, self.left, 1.0).min(axis=1))
        at = self.start[..., None] - 1 + np.arange(self.length + 2)
        if self._votes:
            mean = (party * beat).sum(axis=1, keepdims=True)
            at += np.where(steep & (party > 0), np.rint(MOVED * (beat - mean)), 0).astype(np.int64)[..., None]
        piece = np.take_along_axis(self.stretch, np.clip(at, 0, self.stretch.shape[2] - 1), axis=2)
        fill = ((party * self.amplitude)[:, None] @ piece)[:, 0]
        some = share.any(axis=1)
        fill[~some] = np.nan
        return Choice(
            fill,
            np.where(some, self.likeness[rows, leader], 0.0),
            (share * steep).sum(axis=1),
            support[rows, leader],
        )

    @property
    def _votes(self) -> bool:
        return self.length > SURE_S * self.rate_hz

    def _agree(self, beat: Floats, steep: Bools) -> Bools:
        """Which stretches of a gap say the same, (g, places, places)."""
        if not self._votes:
            return np.ones((*steep.shape, steep.shape[1]), np.bool_)
        apart = np.abs(beat[:, :, None] - beat[:, None, :])
        both, same = steep[:, :, None] & steep[:, None, :], steep[:, :, None] == steep[:, None, :]
        return np.asarray(np.where(both, apart <= TOGETHER_S * self.rate_hz, same), np.bool_)

    def _beats(self) -> tuple[Floats, Bools]:
        """Where, in samples from the gap's start, each stretch moves most in or beside the gap, and whether
        it is as steep as a QRS inside it: (g, places).
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
    """Each row (g, s) moved on by 0, 1, ... samples: (g, s + lags - 1, lags)."""
    g, size = rows.shape
    out = np.zeros((g, size + lags - 1, lags), np.float32)
    for lag in range(lags):
        out[:, lag : lag + size, lag] = rows
    return out
