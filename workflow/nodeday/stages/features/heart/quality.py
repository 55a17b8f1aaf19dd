"""Indices of each ten seconds of an ECG, and what the signal is good for.

Two detectors agree on three beats of four in pure movement, so their agreement alone shows no heart. Five
signs are looked at. Each speaks for a heart from one limit on, and against one beyond another:

    sign          index                                                           for       against
    agreement     of two detectors, beyond what chance gives                      >= 0.8    < 0.5
    likeness      of beats to those around them                                   >= 0.85   < 0.6
    prominence    power in 5-40 Hz near beats, over that elsewhere                >= 8      < 3
    centre        mean frequency of a beat's shape                                5-18 Hz   < 4, > 20 Hz
    rhythm        share of intervals within a tenth of the one before             >= 0.5    never

The first three show that something repeats, the last two that it may be a heart. Without three signs for it,
of which centre or rhythm is one, or with one against it, the signal is not to be used. The limits are choices
of this project. They keep clear of what noise of any colour gives by itself: beats sought in it agree
by chance, have a likeness of 0.3 to 0.7 and, since the largest maxima are taken, a prominence of 1.5 to 2.5.
A QRS of two phases of 20 ms has its centre at 17 Hz, one of 60 ms at 6 Hz, a bell 140 ms wide at its foot
at 4.5 Hz; a pacing spike lies above 20 Hz. Atrial fibrillation has no rhythm: a missing one tells nothing.

Three more indices are given for the reader alone: share of power in 5-15 of 5-40 Hz (pSQI), kurtosis after
Fisher (kSQI) and share of power above 1 Hz (basSQI), as defined by Zhao and Zhang 2018.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from nodeday.core.arrays import Bools, Floats, Ints
from nodeday.schemas import codes
from nodeday.stages.features.heart.measures import MATCH_S, SignalMeasures
from nodeday.stages.features.windows import SECOND, Windows, ratio

SECONDS = 10
"""Length of a window."""
SURE_AGREEMENT, LEAST_AGREEMENT = 0.8, 0.5
SURE_LIKENESS, LEAST_LIKENESS = 0.85, 0.6
SURE_PROMINENCE, LEAST_PROMINENCE = 8.0, 3.0
SURE_HZ, LEAST_HZ = (5.0, 18.0), (4.0, 20.0)
SURE_RHYTHM = 0.5
LEAST_SIGNS = 3
SHARED, SIGNS_OF_INTERVALS = 0.9, 4
"""For intervals: agreement (bSQI >= 0.9, Li, Mark and Clifford 2008, from memory), and signs."""
LEAST_COVERAGE, MOST_DEAD, MOST_CLIPPED = 0.5, 0.5, 0.01
"""A choice of this project, as is the logic of the use."""
VARIABILITY, RATE, UNUSABLE = (list(codes.SIGNAL_USE).index(use) for use in ("variability", "rate", "none"))


def quality_table(measures: SignalMeasures, shares: dict[str, Floats], windows: Windows) -> pd.DataFrame:
    """Return a row for each window: its ``shares``, its indices and its use.

    ``shares`` (w,) are those of coverage, flat, clipped and lead_off samples. An index is NaN where it is not
    defined; ``use`` is an index into ``codes.SIGNAL_USE``.
    """
    first, second = measures.first, measures.matched + measures.extra
    agreement = ratio(measures.matched, measures.first + measures.extra)
    away = measures.high_power - measures.near_power, measures.samples - measures.near
    rows = pd.DataFrame(
        {
            "start_ns": windows.starts_ns,
            "end_ns": windows.starts_ns + windows.seconds * SECOND,
            **shares,
            "beats": measures.beats,
            "agreement": agreement,
            "beyond_chance": beyond_chance(agreement, first, second, shares["coverage"] * windows.seconds),
            "likeness": ratio(measures.likeness, measures.beats),
            "prominence": ratio(ratio(measures.near_power, measures.near), np.maximum(ratio(*away), 1e-12)),
            "centre_hz": ratio(measures.centre_hz, measures.beats),
            "regular_share": ratio(measures.steady, measures.beats),
            "qrs_power": np.minimum(ratio(measures.qrs_power, measures.high_power), 1.0),
            "kurtosis": _kurtosis(measures),
            "pacing_spikes": measures.pacing,
            "steadiness": 1 - np.minimum(ratio(measures.slow_power, measures.moment2), 1.0),
        }
    )
    signs, heart = signs_of_heart(rows)
    return rows.assign(signs=signs, use=_use(rows, signs, heart))


def beyond_chance(agreement: Floats, first: Floats, second: Floats, seconds: Floats) -> Floats:
    """Return the ``agreement`` (w,) of two detectors beyond chance: 0 is what chance gives, 1 is all.

    (agreement - chance) / (1 - chance), as Cohen's kappa is. Chance: the beats that match, of the union,
    where ``first`` and ``second`` (w,) beats lie at random in ``seconds`` (w,) of signal. Two such trains of
    a and b beats per second have a b / (a + b) (1 - exp(-2 (a + b) d)) pairs per second that are each other's
    nearest within d: the integral of a b exp(-2 (a + b) x) over the distance x, both ways.
    """
    both = first + second
    per_s = np.divide(both, seconds, out=np.zeros(len(both)), where=seconds > 0)
    matched = np.nan_to_num(ratio(first * second, both)) * (1 - np.exp(-2 * MATCH_S * per_s))
    chance = np.nan_to_num(ratio(matched, both - matched))
    return np.asarray((agreement - chance) / (1 - chance), np.float64)


def _kurtosis(measures: SignalMeasures) -> Floats:
    """Return the kurtosis (w,) after Fisher of the signal, from the sums of its powers."""
    mean, second, third, fourth = (
        ratio(moment, measures.samples)
        for moment in (measures.moment1, measures.moment2, measures.moment3, measures.moment4)
    )
    variance = second - mean**2
    central = fourth - 4 * mean * third + 6 * mean**2 * second - 3 * mean**4
    return ratio(central, np.where(variance > 1e-12, variance**2, 0.0)) - 3.0


def signs_of_heart(rows: pd.DataFrame) -> tuple[Ints, Bools]:
    """Return the count of signs for a heart (w,), and whether they show one (w,).

    An index that is not defined counts as one against.
    """
    centre, rhythm = rows["centre_hz"].to_numpy(np.float64), rows["regular_share"].to_numpy(np.float64)
    of_heart = [(centre >= SURE_HZ[0]) & (centre <= SURE_HZ[1]), rhythm >= SURE_RHYTHM]
    held, signs = [(centre >= LEAST_HZ[0]) & (centre <= LEAST_HZ[1])], list(of_heart)
    for name, sure, least in (
        ("beyond_chance", SURE_AGREEMENT, LEAST_AGREEMENT),
        ("likeness", SURE_LIKENESS, LEAST_LIKENESS),
        ("prominence", SURE_PROMINENCE, LEAST_PROMINENCE),
    ):
        value = rows[name].to_numpy(np.float64)
        signs.append(value >= sure)
        held.append(value >= least)
    count = np.sum(signs, axis=0)
    return count, np.logical_and.reduce(held) & np.logical_or(*of_heart) & (count >= LEAST_SIGNS)


def _use(rows: pd.DataFrame, signs: Ints, heart: Bools) -> Ints:
    """Return the use (w,) of windows, from their indices.

    Unusable without signal or without a heart. Good for variability where detectors share their beats, beats
    are alike, hardly a sample is clipped, and four signs speak for a heart. Slow wander alone bars nothing:
    peaks are sought above 2.5 Hz.
    """
    values = {name: rows[name].to_numpy(np.float64) for name in rows.columns}
    dead = (values["coverage"] < LEAST_COVERAGE) | (values["flat"] + values["lead_off"] > MOST_DEAD)
    unusable = dead | ~heart
    good = (values["agreement"] >= SHARED) & (values["likeness"] >= SURE_LIKENESS)
    good &= (values["clipped"] <= MOST_CLIPPED) & (signs >= SIGNS_OF_INTERVALS)
    return np.where(unusable, UNUSABLE, np.where(good, VARIABILITY, RATE))
