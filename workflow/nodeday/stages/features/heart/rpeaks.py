"""R peaks of one boot of an ECG, found within continuous stretches only.

Candidates (:mod:`~nodeday.stages.features.heart.candidates`) are weighed twice over: by their heights against
what is usual around them, and by the rhythm they make (:mod:`~nodeday.stages.features.heart.rpeaks`). What
is chosen sets the usual heights, template and interval of the next round. Nothing is decided in
order of time, so a sudden change of amplitude is known from both of its sides.
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
    apart,
    candidates,
    evidence,
    first_choice,
    rolling,
)
from nodeday.stages.features.heart.coarse import Coarse, coarse

COST, SPREAD, FAR = 1.5, 0.3, 1.6
"""An interval that differs by a third or more from the usual one costs ``COST``, as does one that is
longer than ``FAR`` usual ones, however long: a pause is not filled for its length. Choices of this
project."""
ACROSS = 0.5
"""Share of the cost of an interval across lost samples: beats between may be lost too."""


def likeliest(at_s: Floats, evidence: Floats, usual_s: Floats, stretch: Ints) -> Ints:
    """Indices of the sequence of candidates with the largest sum, by dynamic programming.

    ``at_s`` (c,) rises; ``usual_s`` (c,) is the usual interval around each candidate. Intervals below
    the refractory time do not occur.
    """
    worth = np.flatnonzero(evidence > -2 * COST)  # no rhythm can make up for less
    times, usual, value, own = (each[worth].tolist() for each in (at_s, usual_s, evidence, stretch))
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
            apart = now - times[j]
            if apart < REFRACTORY_S:
                continue
            odd = log(apart / usual[i]) / SPREAD
            cost = COST * (min(odd * odd, 1.0) if own[i] == own[j] else ACROSS)
            if best[j] - cost > most:
                most, most_at = best[j] - cost, j
        best[i], before[i] = most + value[i], most_at
    chain = []
    at = int(np.argmax(best)) if best and max(best) > 0 else -1
    while at >= 0:
        chain.append(at)
        at = before[at]
    return np.asarray(worth[np.array(chain[::-1], np.int64)], np.int64)


ROUNDS, INTERVALS = 3, 31
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
LEAST_HZ = 40.0
PIECE = 20_000
"""Peaks refined at once, which bounds the memory."""


@dataclass(frozen=True)
class Peaks:
    """R peaks in order: ``sample`` (b,) nearest index, ``shift`` (b,) in [-0.5, 0.5] samples from it,
    ``height_mv`` (b,) over the signal around, negative where the peak points down, and that signal's
    median ``base_mv`` (b,).
    """

    sample: Ints
    shift: Floats
    height_mv: Floats
    base_mv: Floats


NONE = Peaks(np.zeros(0, np.int64), np.zeros(0), np.zeros(0), np.zeros(0))


def r_peaks(value: Singles | Floats, present: Bools, trusted: Bools, rate_hz: float) -> Peaks:
    """R peaks of ``value`` (n,) in mV, sampled at ``rate_hz``.

    A stretch is a run of ``present`` samples; it may hold computed ones. Only ``trusted``
    samples (measured, not at a rail, not flat) set a usual height. Stretches below 0.3 s
    are not searched. A peak at the very edge of a stretch is none, since its other side was not seen;
    nor is one against the usual polarity where a gap cut the search off.
    """
    signal = coarse(value, present, trusted, rate_hz) if rate_hz > LEAST_HZ else None
    return NONE if signal is None else peaks_in(signal, value, rate_hz)


def peaks_in(signal: Coarse, value: Singles | Floats, rate_hz: float) -> Peaks:
    """R peaks of ``value`` (n,) from its ``signal`` at the coarse rate."""
    found = candidates(signal, rate_hz)
    chosen = _chosen(found)
    if not len(chosen):
        return NONE
    near = np.rint(found.at_s[chosen] * rate_hz).astype(np.int64)
    first, last = (edges[found.stretch[chosen]] for edges in (signal.starts, signal.ends))
    pieces = [slice(at, at + PIECE) for at in range(0, len(near), PIECE)]
    tops = [_tops(value, near[piece], first[piece], last[piece], rate_hz) for piece in pieces]
    place, seen, cut, around, base = (np.concatenate(part) for part in zip(*tops, strict=True))
    return _refined(place, seen, cut, around, base, rate_hz)


def _chosen(found: Candidates) -> Ints:
    """Indices of the candidates that are beats."""
    if not len(found.place):
        return np.zeros(0, np.int64)
    beat, fit = first_choice(found)
    chosen = np.flatnonzero(beat)
    for number in range(ROUNDS):
        if len(chosen) < 2:
            break
        # Early on, false beats split intervals: what is usual lies above the middle.
        share = 65 if number == 0 else 50
        intervals = rolling(np.diff(found.at_s[chosen]), INTERVALS, share)
        usual = np.interp(found.at_s, found.at_s[chosen[1:]], intervals)
        before, chosen = chosen, likeliest(found.at_s, evidence(found, beat, fit), usual, found.stretch)
        if number > 0 and np.array_equal(chosen, before):
            break  # the next round would choose the same
        beat = np.zeros(len(found.place), np.bool_)
        beat[chosen] = True
    return chosen


def _tops(
    value: Singles | Floats, near: Ints, first: Ints, last: Ints, rate_hz: float
) -> tuple[Ints, Bools, Bools, Floats, Floats]:
    """For each place ``near`` (p,) of a stretch [first, last), of its highest and of its lowest point within
    reach, (p, 2): where it is, whether both of its sides were seen, whether the stretch's edge is close,
    and the smoothed values at it and its neighbours, (p, 2, 3), over the last, their median (p,).
    """
    reach, base = round(REACH_S * rate_hz), round(BASE_S * rate_hz)
    span = np.arange(-base, base + 1)
    low, high = first, last - 1
    window = value[np.clip(near[:, None] + span, low[:, None], high[:, None])].astype(np.float64)
    level = np.median(window, axis=1, keepdims=True)
    window = window - level
    width = 2 * round(SMOOTH_S * rate_hz) + 1
    for _ in range(2):
        window = uniform_filter1d(window, width, axis=1)
    middle = slice(base - reach, base + reach + 1)
    rows = np.arange(len(near))
    found = []
    for side in (window, -window):
        inner = side[:, middle]
        # Only a true extremum: a wave that goes on past the reach is another one's flank.
        top = (inner >= side[:, base - reach - 1 : base + reach]) & (
            inner >= side[:, base - reach + 1 : base + reach + 2]
        )
        at = np.where(top, inner, -np.inf).argmax(axis=1)
        at = np.where(top[rows, at], at, reach)
        place = near + at - reach
        seen = (place > low) & (place < high)
        around = window[rows[:, None], (at + base - reach)[:, None] + np.array([-1, 0, 1])]
        cut = np.minimum(place - low, high - place) < CUT_S * rate_hz
        found.append((place, seen, cut, around))
    place, seen, cut, around = (np.stack(part, axis=1) for part in zip(*found, strict=True))
    return place, seen, cut, around, level[:, 0]


def _refined(place: Ints, seen: Bools, cut: Bools, around: Floats, base: Floats, rate_hz: float) -> Peaks:
    """Peaks at the top of the usual polarity, made sub-sample by a parabola, doubles removed."""
    high, deep = around[:, 0, 1], -around[:, 1, 1]
    usual = rolling(np.sign(high * SHARPER ** _sharper(around) - deep), INTERVALS, 50)
    points_up = np.where(usual >= 0, high * OPPOSITE >= deep, high > deep * OPPOSITE)
    rows, side = np.arange(len(place)), np.where(points_up, 0, 1)
    sign = np.where(points_up, 1.0, -1.0)
    before, at, after = (sign[:, None] * around[rows, side]).T
    # At a cut the R itself may be lost, and its neighbour, the Q or S, would stand in for it.
    real = seen[rows, side] & ~(cut[rows, side] & (sign * usual < 0)) & (at >= LEAST_MV)
    top = place[rows, side]
    top, sign, before, at, after, base = (each[real] for each in (top, sign, before, at, after, base))
    bend = np.where((at >= before) & (at >= after), before - 2 * at + after, 0.0)
    shift = np.where(bend < 0, 0.5 * (before - after) / np.where(bend < 0, bend, -1.0), 0.0)
    shift = np.clip(shift, -0.5, 0.5)
    height = at - 0.25 * (before - after) * shift
    kept = apart(top / rate_hz, height, REFRACTORY_S)
    return Peaks(top[kept], shift[kept], (sign * height)[kept], base[kept])


def _sharper(around: Floats) -> Floats:
    """1 where the highest point bends more for its height than the lowest one, -1 where it is the other way
    round, (p,), from the smoothed values at them and beside them, (p, 2, 3).
    """
    before, at, after = np.moveaxis(np.abs(around), 2, 0)
    bend = np.divide(2 * at - before - after, at, out=np.zeros(at.shape), where=at > 0)
    return np.asarray(np.sign(bend[:, 0] - bend[:, 1]), np.float64)
