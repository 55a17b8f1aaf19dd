"""R peaks of one boot of an ECG: candidates, the best sequence of them, and their exact instants.

Peaks are sought within continuous stretches only. Candidates (:mod:`.candidates`) are weighed twice over: by
their heights against what is usual around them, and by the rhythm that they make (:func:`best_sequence`).
The chosen ones set the usual heights, template and interval of the next round. Nothing is decided in order
of time, so a sudden change of amplitude is known from both of its sides. Each chosen candidate is then
refined at the full rate, to less than a sample.
"""

from __future__ import annotations

from math import log

import numpy as np
from scipy.ndimage import uniform_filter1d

from nodeday.core.arrays import Bools, Floats, Ints, Singles
from nodeday.stages.features.heart.candidates import (
    APART_S,
    REFRACTORY_S,
    WAVE_COST,
    Candidates,
    beats_by_height,
    distance,
    evidence,
    find_candidates,
    highest_apart,
    levels,
    rolling_quantile,
)
from nodeday.stages.features.heart.coarse import CoarseSignal
from nodeday.stages.features.heart.measures import matches
from nodeday.stages.features.heart.timing import Peaks, timed_peaks
from nodeday.stages.features.heart.waves import odd_t_waves

LEAST_HZ = 40.0
"""At this rate and below no peak is sought."""
ROUNDS, INTERVALS = 3, 31
"""Rounds of choosing, and intervals of the rolling quantile that defines what is usual."""
COST, SPREAD, FAR = 1.5, 0.3, 1.6
"""An interval that differs by a third or more from the usual one costs ``COST``, as does one that is
longer than ``FAR`` usual ones, however long: a pause is not filled for its length. Choices of this
project."""
CONFIRMED, QUIET, LONE, LONE_S = 0.9, 0.125, 0.5, 0.6
"""The second detector has a vote where it has nine of ten beats around, where the middle of the other maxima
is below an eighth of a beat's height, and where no other one within 0.6 s is half as high: in a burst of
noise there are such. Choices of this project."""
ACROSS = 0.5
"""Share of the cost of an interval across lost samples: beats between may be lost too."""


def find_r_peaks(
    signal: CoarseSignal, value: Singles | Floats, rate_hz: float, second_s: Floats
) -> tuple[Peaks, Floats]:
    """Return the R peaks of an ECG from its ``signal`` at the coarse rate.

    With them come the beats (b,), in seconds, that were chosen before the second detector, whose beats are
    ``second_s``, had its votes. ``value`` (n,) is the ECG in mV, sampled at ``rate_hz``. A stretch may hold
    computed samples; only trusted ones (measured, not at a rail, not flat) set a usual height.
    """
    candidates = find_candidates(signal, rate_hz)
    chosen, alone = choose(candidates, second_s)
    alone_s, stretch = candidates.at_s[alone], candidates.stretch[chosen]
    near = np.rint(candidates.at_s[chosen] * rate_hz).astype(np.int64)
    return timed_peaks(value, near, signal.starts[stretch], signal.ends[stretch], rate_hz), alone_s


def choose(candidates: Candidates, second_s: Floats) -> tuple[Ints, Ints]:
    """Return the indices of the candidates that are beats: with the second detector's votes, and without.

    ``second_s`` (b,) are the beats of the second detector. Its votes come last, so that without them the two
    detectors are independent of each other.
    """
    if not len(candidates.index):
        return np.zeros(0, np.int64), np.zeros(0, np.int64)
    beat, fit = beats_by_height(candidates)
    chosen = np.flatnonzero(beat)
    for number in range(ROUNDS):
        if len(chosen) < 2:
            return chosen, chosen
        # Early on, false beats split intervals: what is usual lies above the middle.
        before = chosen
        chosen = _sequence(candidates, beat, evidence(candidates, beat, fit), 65 if number == 0 else 50)
        if number > 0 and np.array_equal(chosen, before):
            break  # the next round would choose the same
        beat = np.zeros(len(candidates.index), np.bool_)
        beat[chosen] = True
    weights = evidence(candidates, beat, fit)
    voted = _voted(candidates, chosen, fit, weights, second_s)
    return np.union1d(chosen, voted), chosen


def _sequence(candidates: Candidates, beat: Bools, weights: Floats, percent: float) -> Ints:
    """Return the best sequence, the usual interval being that of the beats (c,) at ``percent`` around."""
    at_s = candidates.at_s[beat]
    intervals = rolling_quantile(np.diff(at_s), INTERVALS, percent)
    usual = np.interp(candidates.at_s, at_s[1:], intervals)
    return best_sequence(candidates.at_s, weights, usual, candidates.stretch)


def _voted(candidates: Candidates, chosen: Ints, fit: Bools, weights: Floats, second_s: Floats) -> Ints:
    """Return the indices of more beats, which the second detector has and only the rhythm spoke against.

    It has a vote on maxima that are nearer to a beat's height than to the others' by their ``weights`` (c,),
    where the signal is quiet, where it confirms the beats ``chosen`` around and nothing else stands out next
    to them. It then also overrules the T wave's rule, for maxima that are unlike the T waves around.
    """
    if len(chosen) < 2:
        return chosen[:0]
    at_s, height = candidates.at_s, candidates.usual
    beat = np.zeros(len(at_s), np.bool_)
    beat[chosen] = True
    backed = matches(at_s, second_s)
    share = uniform_filter1d(backed[beat].astype(np.float64), INTERVALS, mode="reflect")
    sure = np.interp(at_s, at_s[beat], share) >= CONFIRMED
    usual, noise, _ = levels(candidates, height, beat, fit)
    spared = WAVE_COST * odd_t_waves(at_s, candidates.slope, candidates.wide, beat)
    vote = backed & sure & (noise < QUIET * usual) & (weights + spared > 0) & ~beat
    vote &= _stands_out(at_s, height, beat) & (distance(at_s, at_s[beat]) >= REFRACTORY_S)
    more = np.flatnonzero(vote)
    return more[highest_apart(at_s[more], height[more], REFRACTORY_S)]


def _stands_out(at_s: Floats, height: Floats, beat: Bools) -> Bools:
    """Return which candidates (c,) are twice as high as all around that are no ``beat`` (c,)."""
    rest, near = np.where(beat, 0.0, height), np.zeros(len(at_s))
    for step in range(1, min(round(LONE_S / APART_S) + 1, len(at_s))):
        close = at_s[step:] - at_s[:-step] <= LONE_S
        near[step:] = np.maximum(near[step:], close * rest[:-step])
        near[:-step] = np.maximum(near[:-step], close * rest[step:])
    return np.asarray(near < LONE * height, np.bool_)


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
