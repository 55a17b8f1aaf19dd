"""Gaps of one length and the stretches that may fill them, laid over each other sample by sample.

Each stretch votes with the likelihood of its context. Where the gap is long enough to hide a QRS, those that
agree on whether one lies there, and when, are counted together, and only the strongest party fills, mixed as
its stretches together give the context best (:mod:`blend`)::

    stretch 1, 0.40   ___/\\____        beat at 110 ms  \\
    stretch 2, 0.25   ___/\\____        beat at 118 ms   }  0.65, this party fills the gap
    stretch 3, 0.20   _________        no beat
    stretch 4, 0.15   _____/\\__        beat at 170 ms
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from nodeday.arrays import Bools, Floats, Ints, Singles
from nodeday.repair.blend import blend, in_common
from nodeday.repair.context import CONTEXT_S, Context, misfit

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
    ``likeness`` of the strongest stretch of the party, ``steep`` and ``support`` as in ``pattern.Match``."""

    fill: Floats
    likeness: Floats
    steep: Floats
    support: Floats


@dataclass(frozen=True)
class Laid:
    """``left``, ``amplitude`` and ``likeness`` (g, places) at the best of the lags, ``stretch`` (g, places,
    samples) and ``start`` (g, places), where in it the gap would begin, ``common`` from
    :func:`blend.in_common`."""

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
    ) -> Laid:
        """Stretches of ``level`` (n,) within ``reach`` of each ``place`` (g, places) over the gaps of
        ``length`` at ``starts`` (g,). ``lost`` (n + 1,) counts the unknown samples before each."""
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
        return Laid(left, amplitude, likeness, stretch, side + lag[..., 0], common, length, rate_hz)

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
        it is as steep as a QRS inside it: (g, places)."""
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
