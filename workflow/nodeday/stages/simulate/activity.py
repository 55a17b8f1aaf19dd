"""Activity of a simulated person: target heart rate, bouts of walking, instants of taps."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from nodeday.core.arrays import Floats

SETTLE_S = 60.0
"""Time in which the heart rate covers 63 % of the step to a new phase's rate (common practice, no source)."""
TAPS_S = (0.0, 0.7, 1.6)
"""Instants of three taps, unevenly spaced: shifted by one tap, they do not match."""
QUIET_S = 4.0
"""Least time between a tap and a bout of walking."""


@dataclass(frozen=True)
class Activity:
    """Phases, bouts of walking and taps of a session, in seconds since its start.

    ``edges_s`` (k + 1,) bound k phases with mean heart rate ``bpm`` (k,) and its standard
    deviation ``bpm_spread`` (k,). ``bouts_s`` (b, 2) are half-open bouts of walking with
    ``stride_hz`` (b,). ``taps_s`` (t,) are single taps.
    """

    edges_s: Floats
    bpm: Floats
    bpm_spread: Floats
    bouts_s: Floats
    stride_hz: Floats
    taps_s: Floats

    def heart_rate(self, seconds: Floats) -> Floats:
        """Return the mean heart rate (n,), beats a minute, which settles exponentially in each phase."""
        rate = np.full(seconds.shape, self.bpm[0])
        level = self.bpm[0]
        for start, end, target in zip(self.edges_s[:-1], self.edges_s[1:], self.bpm, strict=True):
            since = np.maximum(seconds - start, 0.0)
            rate = np.where(seconds >= start, target + (level - target) * np.exp(-since / SETTLE_S), rate)
            level = target + (level - target) * np.exp(-(end - start) / SETTLE_S)
        return rate

    def spread(self, seconds: Floats) -> Floats:
        """Return the standard deviation (n,) of heart rate, beats a minute, in the phase of each instant."""
        phase = np.searchsorted(self.edges_s, seconds, side="right") - 1
        return self.bpm_spread[np.clip(phase, 0, len(self.bpm) - 1)]

    def strides(self, seconds: Floats) -> Floats:
        """Return the strides (n,) since the start of the bout; NaN where the person does not walk."""
        if not len(self.bouts_s):
            return np.full(seconds.shape, np.nan)
        bout = np.clip(np.searchsorted(self.bouts_s[:, 0], seconds, side="right") - 1, 0, None)
        since = seconds - self.bouts_s[bout, 0]
        walking = (since >= 0) & (seconds < self.bouts_s[bout, 1])
        return np.where(walking, since * self.stride_hz[bout], np.nan)


def activity(
    minutes: Sequence[float],
    bpm: Sequence[float],
    spread: Sequence[float],
    gait: Sequence[float],
    cadence_spm: Sequence[float],
    taps_min: Sequence[float],
    rng: np.random.Generator,
) -> Activity:
    """Return the activity of a session with random bouts of walking.

    ``minutes``, ``bpm``, ``spread``, ``gait`` and ``cadence_spm`` hold one value a phase: its
    length, mean heart rate, standard deviation of heart rate, share of time spent walking and steps
    a minute. Bouts last 10 to 60 s. ``taps_min`` are the minutes at which three taps begin.
    """
    edges = np.concatenate([[0.0], 60.0 * np.cumsum(minutes)])
    taps = (60.0 * np.asarray(taps_min, np.float64)[:, None] + np.array(TAPS_S)).ravel()
    bouts, rates = [np.empty((0, 2))], [np.empty(0)]
    for start, end, share, cadence in zip(edges[:-1], edges[1:], gait, cadence_spm, strict=True):
        if share <= 0:
            continue
        n = int((end - start) * share / 10) + 2
        walk = rng.uniform(10, 60, n)
        rest = walk * (1 - share) / share * rng.uniform(0.5, 1.5, n)
        begin = start + np.cumsum(walk + rest) - walk
        stop = np.minimum(begin + walk, end)
        keep = (stop - begin > 5) & ~_near(begin, stop, taps)
        bouts.append(np.stack([begin, stop], axis=1)[keep])
        rates.append(cadence / 120.0 * rng.uniform(0.93, 1.07, int(keep.sum())))
    return Activity(
        edges,
        np.asarray(bpm, np.float64),
        np.asarray(spread, np.float64),
        np.concatenate(bouts),
        np.concatenate(rates),
        np.sort(taps),
    )


def _near(begin: Floats, stop: Floats, taps: Floats) -> NDArray[np.bool_]:
    inside = (taps > begin[:, None] - QUIET_S) & (taps < stop[:, None] + QUIET_S)
    return np.asarray(inside.any(axis=1), np.bool_)
