"""R peaks of one boot of an ECG: candidates, the best sequence of them, and their exact instants.

Peaks are sought within continuous stretches only. Candidates (:mod:`.candidates`) are weighed twice over: by
their heights against what is usual around them, and by the rhythm that they make (:func:`best_sequence`).
The chosen ones set the usual heights, template and interval of the next round. Nothing is decided in order
of time, so a sudden change of amplitude is known from both of its sides. Each chosen candidate is then
refined at the full rate, to less than a sample.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import log

import numpy as np
from scipy.ndimage import uniform_filter1d

from nodeday.core.arrays import Bools, Floats, Ints, Singles
from nodeday.stages.features.heart.candidates import (
    REFRACTORY_S,
    Candidates,
    beats_by_height,
    evidence,
    find_candidates,
    highest_apart,
    rolling_quantile,
)
from nodeday.stages.features.heart.coarse import CoarseSignal

LEAST_HZ = 40.0
"""At this rate and below no peak is sought."""
ROUNDS, INTERVALS = 3, 31
"""Rounds of choosing, and intervals of the rolling quantile that defines what is usual."""
COST, SPREAD, FAR = 1.5, 0.3, 1.6
"""An interval that differs by a third or more from the usual one costs ``COST``, as does one that is
longer than ``FAR`` usual ones, however long: a pause is not filled for its length. Choices of this
project."""
ACROSS = 0.5
"""Share of the cost of an interval across lost samples: beats between may be lost too."""
REACH_S, BASE_S, SMOOTH_S = 0.06, 0.15, 0.004
"""The peak is sought within 60 ms, over the median of 300 ms, smoothed over 9 ms twice. This project's
choice."""
LEAST_MV = 0.05
"""What is smaller is noise of the converter or of the filter. A choice of this project."""
OPPOSITE = 1.4
"""A peak against the usual polarity around it must be so much higher. A choice of this project."""
SHARPER = 1.25
"""Of two peaks of about one height, as a wide QRS has, the sharper one is taken, or beats of one shape would
be timed now at one, now at the other. A choice of this project."""
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


def find_r_peaks(signal: CoarseSignal, value: Singles | Floats, rate_hz: float) -> Peaks:
    """Return the R peaks of an ECG from its ``signal`` at the coarse rate.

    ``value`` (n,) is the ECG in mV, sampled at ``rate_hz``. A stretch may hold computed samples; only trusted
    ones (measured, not at a rail, not flat) set a usual height. A peak at the very edge of a stretch is none,
    since its other side was not seen; nor is one against the usual polarity where a gap cut the search off.
    """
    candidates = find_candidates(signal, rate_hz)
    chosen = _choose(candidates)
    if not len(chosen):
        return NONE
    near = np.rint(candidates.at_s[chosen] * rate_hz).astype(np.int64)
    first, last = (edges[candidates.stretch[chosen]] for edges in (signal.starts, signal.ends))
    pieces = [slice(at, at + PIECE) for at in range(0, len(near), PIECE)]
    extrema = [_extrema(value, near[piece], first[piece], last[piece], rate_hz) for piece in pieces]
    sample, seen, cut, around, base = (np.concatenate(part) for part in zip(*extrema, strict=True))
    return _refine(sample, seen, cut, around, base, rate_hz)


def _choose(candidates: Candidates) -> Ints:
    """Return the indices of the candidates that are beats."""
    if not len(candidates.index):
        return np.zeros(0, np.int64)
    beat, fit = beats_by_height(candidates)
    chosen = np.flatnonzero(beat)
    for number in range(ROUNDS):
        if len(chosen) < 2:
            break
        # Early on, false beats split intervals: what is usual lies above the middle.
        percent = 65 if number == 0 else 50
        at_s = candidates.at_s[chosen]
        intervals = rolling_quantile(np.diff(at_s), INTERVALS, percent)
        usual = np.interp(candidates.at_s, at_s[1:], intervals)
        before = chosen
        weights = evidence(candidates, beat, fit)
        chosen = best_sequence(candidates.at_s, weights, usual, candidates.stretch)
        if number > 0 and np.array_equal(chosen, before):
            break  # the next round would choose the same
        beat = np.zeros(len(candidates.index), np.bool_)
        beat[chosen] = True
    return chosen


def best_sequence(at_s: Floats, evidence: Floats, usual_s: Floats, stretch: Ints) -> Ints:
    """Return the indices of the sequence of candidates with the largest sum, by dynamic programming.

    The sum is the ``evidence`` (c,) of each candidate, less what unusual intervals cost. ``at_s`` (c,) rises;
    ``usual_s`` (c,) is the usual interval around each candidate, ``stretch`` (c,) the number of its stretch.
    Intervals below the refractory time do not occur.
    """
    worth = np.flatnonzero(evidence > -2 * COST)  # no rhythm can make up for less
    times, usual, value, stretches = (part[worth].tolist() for part in (at_s, usual_s, evidence, stretch))
    best, before = [0.0] * len(worth), [-1] * len(worth)
    top, top_at, far = -np.inf, -1, 0
    for i, now in enumerate(times):
        while far < i and times[far] <= now - FAR * usual[i]:
            if best[far] > top:
                top, top_at = best[far], far
            far += 1
        most, most_at = (top, top_at) if top > 0 else (0.0, -1)
        most -= COST
        for j in range(i - 1, far - 1, -1):
            interval = now - times[j]
            if interval < REFRACTORY_S:
                continue
            odd = log(interval / usual[i]) / SPREAD
            cost = COST * (min(odd * odd, 1.0) if stretches[i] == stretches[j] else ACROSS)
            if best[j] - cost > most:
                most, most_at = best[j] - cost, j
        best[i], before[i] = most + value[i], most_at
    chain = []
    at = int(np.argmax(best)) if best and max(best) > 0 else -1
    while at >= 0:
        chain.append(at)
        at = before[at]
    return np.asarray(worth[np.array(chain[::-1], np.int64)], np.int64)


def _extrema(
    value: Singles | Floats, near: Ints, first: Ints, last: Ints, rate_hz: float
) -> tuple[Ints, Bools, Bools, Floats, Floats]:
    """Return the highest and the lowest point within reach of each sample ``near`` (p,).

    Each sample lies in a stretch [first, last). Returns, highest first: the sample of each point, whether
    both of its sides were seen, whether the stretch's edge is close, (p, 2) each; the smoothed values before,
    at and after it, (p, 2, 3), over the median around; and that median (p,).
    """
    reach, base = round(REACH_S * rate_hz), round(BASE_S * rate_hz)
    offsets = np.arange(-base, base + 1)
    low, high = first, last - 1
    window = value[np.clip(near[:, None] + offsets, low[:, None], high[:, None])].astype(np.float64)
    level = np.median(window, axis=1, keepdims=True)
    window = window - level
    width = 2 * round(SMOOTH_S * rate_hz) + 1
    for _ in range(2):
        window = uniform_filter1d(window, width, axis=1)
    middle = slice(base - reach, base + reach + 1)
    rows = np.arange(len(near))
    points = []
    for side in (window, -window):
        inner = side[:, middle]
        # Only a true extremum: a wave that goes on past the reach is another one's flank.
        top = (inner >= side[:, base - reach - 1 : base + reach]) & (
            inner >= side[:, base - reach + 1 : base + reach + 2]
        )
        column = np.where(top, inner, -np.inf).argmax(axis=1)
        column = np.where(top[rows, column], column, reach)
        sample = near + column - reach
        seen = (sample > low) & (sample < high)
        around = window[rows[:, None], (column + base - reach)[:, None] + np.array([-1, 0, 1])]
        cut = np.minimum(sample - low, high - sample) < CUT_S * rate_hz
        points.append((sample, seen, cut, around))
    sample, seen, cut, around = (np.stack(part, axis=1) for part in zip(*points, strict=True))
    return sample, seen, cut, around, level[:, 0]


def _refine(sample: Ints, seen: Bools, cut: Bools, around: Floats, base: Floats, rate_hz: float) -> Peaks:
    """Return the peaks of the usual polarity, made sub-sample by a parabola, doubles removed.

    All but the rate are as :func:`_extrema` returns them.
    """
    high, deep = around[:, 0, 1], -around[:, 1, 1]
    usual = rolling_quantile(np.sign(high * SHARPER ** _sharper(around) - deep), INTERVALS, 50)
    points_up = np.where(usual >= 0, high * OPPOSITE >= deep, high > deep * OPPOSITE)
    rows, side = np.arange(len(sample)), np.where(points_up, 0, 1)
    sign = np.where(points_up, 1.0, -1.0)
    before, at, after = (sign[:, None] * around[rows, side]).T
    # At a cut the R itself may be lost, and its neighbour, the Q or S, would stand in for it.
    real = seen[rows, side] & ~(cut[rows, side] & (sign * usual < 0)) & (at >= LEAST_MV)
    top = sample[rows, side]
    top, sign, before, at, after, base = (part[real] for part in (top, sign, before, at, after, base))
    bend = np.where((at >= before) & (at >= after), before - 2 * at + after, 0.0)
    shift = np.where(bend < 0, 0.5 * (before - after) / np.where(bend < 0, bend, -1.0), 0.0)
    shift = np.clip(shift, -0.5, 0.5)
    height = at - 0.25 * (before - after) * shift
    kept = highest_apart(top / rate_hz, height, REFRACTORY_S)
    return Peaks(top[kept], shift[kept], (sign * height)[kept], base[kept])


def _sharper(around: Floats) -> Floats:
    """Return 1 where the highest point bends more for its height than the lowest one, else -1 or 0, (p,).

    ``around`` (p, 2, 3) are the smoothed values before, at and after the highest and the lowest point.
    """
    before, at, after = np.moveaxis(np.abs(around), 2, 0)
    bend = np.divide(2 * at - before - after, at, out=np.zeros(at.shape), where=at > 0)
    return np.asarray(np.sign(bend[:, 0] - bend[:, 1]), np.float64)
