r"""The exact instants of R peaks: one deflection for all beats of one shape, to less than a sample.

A beat has a highest and a lowest point, and may have a second peak nearly as high (R and R')::

    up    _/\_/\_        Which of them is the R peak is put to a vote among the beats around, each with the
    down       \/        weight of its likeness: were it left to each beat, the beats of a wide QRS would be
                         timed now at one deflection, now at the other.

The constants are choices of this project.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import uniform_filter1d

from nodeday.core.arrays import Bools, Floats, Ints, Singles
from nodeday.stages.features.heart.candidates import REFRACTORY_S, highest_apart, rolling_quantile

REACH_S, BASE_S, SMOOTH_S = 0.06, 0.15, 0.004
"""The peak is sought within 60 ms, over the median of 300 ms, smoothed over 9 ms twice."""
LEAST_MV, LEAST = 0.05, 1e-3
"""What is smaller is noise of the converter or of the filter."""
OPPOSITE = 1.4
"""Peaks against the usual polarity around must be so much higher."""
FALL_S = 0.012
"""The steeper peak is taken, for its instant is the surer one: by the root of its height times how far the
signal falls within 12 ms of it."""
SECOND, DIP, APART_S = 0.6, 0.9, 0.015
"""A second peak has 0.6 of the height of the first, and a dip between them below 0.9 of its height."""
INTERVALS, VOTERS, LIKENESS, MOST = 31, 30, 8, 1.0
"""The usual polarity is that of 31 beats. 30 beats before and 30 behind vote on a deflection, with the weight
likeness^8, and none for more than a factor e."""
SHAPE_S, SHAPE_HZ = 0.1, 125.0
"""The shape of a beat is the signal within 100 ms, at about this rate."""
CUT_S = 0.1
"""So near to the edge of a stretch the search may have been cut off before the R peak."""
PIECE = 20_000
"""Peaks refined at once, which bounds the memory."""


@dataclass(frozen=True)
class Peaks:
    """R peaks (b,) in order of time.

    ``sample`` (b,) is the nearest sample, ``shift`` (b,) in [-0.5, 0.5] the distance from it in samples,
    ``height_mv`` (b,) the height over the signal around, negative where the peak points down, and
    ``base_mv`` (b,) the median of that signal.
    """

    sample: Ints
    shift: Floats
    height_mv: Floats
    base_mv: Floats


NONE = Peaks(np.zeros(0, np.int64), np.zeros(0), np.zeros(0), np.zeros(0))


@dataclass(frozen=True)
class Points:
    """Peaks of each beat (p,): the highest ones, up (``[:, 0]``) and down (``[:, 1]``), and a second of each.

    ``sample`` (p, 2, 2) of each, the first peak and then the second, which is the first once more where there
    is none; ``around`` (p, 2, 2, 3), the smoothed values before, at and after it over the median around, up
    positive on either side; how ``steep`` it is in mV; whether both of its sides were ``seen`` and whether
    the stretch's edge is close (``cut``), (p, 2, 2). The ``base`` (p,) and the normalised ``shape`` (p, k) of
    each beat.
    """

    sample: Ints
    around: Floats
    steep: Floats
    seen: Bools
    cut: Bools
    base: Floats
    shape: Singles

    @classmethod
    def joined(cls, parts: list[Points]) -> Points:
        """Return the points of several pieces as one."""
        return cls(*(np.concatenate([getattr(part, name) for part in parts]) for name in FIELDS))


FIELDS = tuple(Points.__dataclass_fields__)


def timed_peaks(value: Singles | Floats, near: Ints, first: Ints, last: Ints, rate_hz: float) -> Peaks:
    """Return the R peaks of the ECG ``value`` (n,) in mV near the samples ``near`` (p,).

    Each of them lies in a stretch [first, last). A peak at the very edge of a stretch is none, since its
    other side was not seen; nor is one against the usual polarity where a gap cut the search off.
    """
    if not len(near):
        return NONE
    pieces = [slice(at, at + PIECE) for at in range(0, len(near), PIECE)]
    points = Points.joined([_points(value, near[one], first[one], last[one], rate_hz) for one in pieces])
    return _refined(points, rate_hz)


def _points(value: Singles | Floats, near: Ints, first: Ints, last: Ints, rate_hz: float) -> Points:
    """Return the highest points within reach of each sample ``near`` (p,) in its stretch [first, last)."""
    reach, base = round(REACH_S * rate_hz), round(BASE_S * rate_hz)
    low, high = first, last - 1
    offsets = np.arange(-base, base + 1)
    window = value[np.clip(near[:, None] + offsets, low[:, None], high[:, None])].astype(np.float64)
    level = np.median(window, axis=1, keepdims=True)
    window = window - level
    width = 2 * round(SMOOTH_S * rate_hz) + 1
    for _ in range(2):
        window = uniform_filter1d(window, width, axis=1)
    columns = np.stack([_two_highest(side, base, reach, rate_hz) for side in (window, -window)], axis=1)
    rows = np.arange(len(near))[:, None, None, None]
    around = window[rows, columns[..., None] + np.array([-1, 0, 1])]
    fall = round(FALL_S * rate_hz)
    far = window[rows, columns[..., None] + np.array([-fall, fall])]
    around[:, 1] *= -1
    far[:, 1] *= -1
    height = around[..., 1]
    steep = np.sqrt(np.maximum(height, LEAST) * np.maximum(height - far.mean(axis=-1), LEAST))
    sample = near[:, None, None] + columns - base
    low, high = low[:, None, None], high[:, None, None]
    cut = np.minimum(sample - low, high - sample) < CUT_S * rate_hz
    every, wide = max(1, round(rate_hz / SHAPE_HZ)), round(SHAPE_S * rate_hz)
    shape = window[:, base - wide : base + wide + 1 : every]
    shape = shape - shape.mean(axis=1, keepdims=True)
    shape /= np.maximum(np.linalg.norm(shape, axis=1, keepdims=True), 1e-12)
    seen = (sample > low) & (sample < high)
    return Points(sample, around, steep, seen, cut, level[:, 0], shape.astype(np.float32))


def _two_highest(side: Floats, base: int, reach: int, rate_hz: float) -> Ints:
    """Return the columns (p, 2) of the highest and of a second peak within ``reach`` of column ``base``.

    ``side`` (p, w) are the values. Where there is no second peak, or none at all, a column comes twice.
    """
    middle = slice(base - reach, base + reach + 1)
    inner, rows, column = side[:, middle], np.arange(len(side)), np.arange(2 * reach + 1)
    # Only a true extremum: a wave that goes on past the reach is another one's flank.
    top = (inner >= side[:, base - reach - 1 : base + reach]) & (
        inner >= side[:, base - reach + 1 : base + reach + 2]
    )
    highest = np.where(top, inner, -np.inf).argmax(axis=1)
    highest = np.where(top[rows, highest], highest, reach)
    away = np.abs(column - highest[:, None]) > APART_S * rate_hz
    second = np.where(top & away, inner, -np.inf).argmax(axis=1)
    height = inner[rows, second]
    between = (column > np.minimum(highest, second)[:, None]) & (
        column < np.maximum(highest, second)[:, None]
    )
    dip = np.where(between, inner, np.inf).min(axis=1)
    real = (top & away)[rows, second] & (height > SECOND * inner[rows, highest]) & (dip < DIP * height)
    return np.stack([highest, np.where(real, second, highest)], axis=1) + base - reach


def _refined(points: Points, rate_hz: float) -> Peaks:
    """Return the peaks that were voted for, made sub-sample by a parabola, doubles removed."""
    rows = np.arange(len(points.base))
    every, heights = np.ones(len(rows)), np.maximum(points.around[..., 1], LEAST)
    up = _vote(points.shape, _ratio(heights[:, :, 0]), _ratio(points.steep[:, :, 0]), every)
    usual = rolling_quantile(np.sign(up), INTERVALS, 50)
    side = np.where(up + np.log(OPPOSITE) * usual > 0, 0, 1)
    sign = np.where(side == 0, 1.0, -1.0)
    pair = points.sample[rows, side]
    second, earlier = pair[:, 1] != pair[:, 0], np.where(pair[:, 1] < pair[:, 0], -1.0, 1.0)
    tall, steep = (earlier * _ratio(measure[rows, side]) for measure in (heights, points.steep))
    early = _vote(points.shape, tall, steep, second.astype(np.float64))
    taken = np.where(second & (early * earlier < 0), 1, 0)
    before, at, after = points.around[rows, side, taken].T
    # At a cut the R itself may be lost, and its neighbour, the Q or S, would stand in for it.
    against = points.cut[rows, side, taken] & (sign * usual < 0)
    real = points.seen[rows, side, taken] & ~against & (at >= LEAST_MV)
    top = pair[rows, taken][real]
    sign, before, at, after, base = (part[real] for part in (sign, before, at, after, points.base))
    bend = np.where((at >= before) & (at >= after), before - 2 * at + after, 0.0)
    shift = np.where(bend < 0, 0.5 * (before - after) / np.where(bend < 0, bend, -1.0), 0.0)
    shift = np.clip(shift, -0.5, 0.5)
    height = at - 0.25 * (before - after) * shift
    kept = highest_apart(top / rate_hz, height, REFRACTORY_S)
    return Peaks(top[kept], shift[kept], (sign * height)[kept], base[kept])


def _ratio(peaks: Floats) -> Floats:
    """Return the logarithm of the ratio (p,) of the first of two ``peaks`` (p, 2) to the second, bounded."""
    return np.asarray(np.clip(np.log(peaks[:, 0] / peaks[:, 1]), -MOST, MOST), np.float64)


def _vote(shape: Singles, by_itself: Floats, prefers: Floats, weight: Floats) -> Floats:
    """Return the mean (p,) of what each beat ``prefers`` (p,) over the beats around that are like it.

    A beat's vote has its ``weight`` (p,) times a power of the correlation of both ``shape`` (p, k). On itself
    a beat votes for the higher peak (``by_itself``), since noise may be steep.
    """
    votes = prefers * weight
    total, count = by_itself * weight, weight.copy()
    for step in range(1, min(VOTERS + 1, len(shape))):
        alike = np.maximum(np.einsum("ij,ij->i", shape[step:], shape[:-step]), 0.0) ** LIKENESS
        total[step:] += alike * votes[:-step]
        count[step:] += alike * weight[:-step]
        total[:-step] += alike * votes[step:]
        count[:-step] += alike * weight[step:]
    return total / np.maximum(count, 1e-9)
