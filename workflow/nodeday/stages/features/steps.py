"""A heart rate that equals the rate of steps, where beats are not alike enough to tell one from the other.

Each step may shake an electrode as a heartbeat does, at the cadence or at every second step. The
accelerometers know the cadence. A heart may keep pace with steps too, so equality alone is no fault: where
beats are as alike as those of a clean signal, it stands. Otherwise no feature of the ECG has a value in that
epoch.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd

from nodeday.core.arrays import Bools, Floats
from nodeday.schemas.heart_features import HEART
from nodeday.stages.features.stream import FeatureValues
from nodeday.stages.features.windows import HAS_VALUE, STEP_RATE, Windows, ratio

CLEAR_LIKENESS, CLEAR_SIGNS = 0.95, 5
"""A clean signal has a likeness of 0.95 and more, and all signs of a heart. A choice of this project."""
EQUAL = 0.03
"""Rates within 3 % are equal: a cadence from acceleration errs by no more (``motion/cadence.py``)."""
LEAST_WALKING = 0.5
"""Share of an epoch's time with steps from which they may have made its beats. A choice of this project."""
OF_CADENCE = (1.0, 0.5)
"""Every step, or every second one."""
NAMES = frozenset(feature.name for feature in HEART)


def clear_epochs(signal: pd.DataFrame, windows: Windows) -> Bools:
    """Return in which epochs (count,) beats are so alike that steps do not explain them.

    ``signal`` holds rows of table ``signal_quality``. An epoch takes the mean over what has beats.
    """
    with_beats = signal[signal["beats"] > 0]
    middle = (with_beats["start_ns"].to_numpy(np.int64) + with_beats["end_ns"].to_numpy(np.int64)) // 2
    inside = middle < windows.edges_ns[-1]
    middle, with_beats = middle[inside], with_beats[inside]
    count = windows.sums(middle)
    likeness, signs = (
        ratio(windows.sums(middle, with_beats[name].to_numpy(np.float64)), count)
        for name in ("likeness", "signs")
    )
    return np.asarray((likeness >= CLEAR_LIKENESS) & (signs >= CLEAR_SIGNS), np.bool_)


def without_step_rates(
    features: list[FeatureValues], clear: dict[tuple[str, str], Bools]
) -> list[FeatureValues]:
    """Return ``features`` with those of an ECG null where its rate may be that of steps.

    ``clear`` holds by node and stream of each ECG in which epochs (count,) it may not.
    """
    doubtful = {
        (rate.node.node, rate.channel): _at_steps(rate, features) & ~clear[rate.node.node, rate.channel]
        for rate in features
        if rate.name == "heart_rate_bpm"
    }
    return [
        _null(one, doubtful[key])
        if one.name in NAMES and (key := (one.node.node, one.channel)) in doubtful
        else one
        for one in features
    ]


def _at_steps(rate: FeatureValues, features: list[FeatureValues]) -> Bools:
    """Return in which epochs (count,) a heart rate equals the rate of steps of any accelerometer."""
    motion = {(one.node.node, one.channel, one.name): one.value for one in features}
    equal = np.zeros(len(rate.value), np.bool_)
    for (node, channel, name), cadence in motion.items():
        if name == "cadence_step_min":
            walks = motion[node, channel, "walking_share"] >= LEAST_WALKING
            equal |= walks & np.logical_or.reduce([_near(rate.value, part * cadence) for part in OF_CADENCE])
    return equal


def _near(rate: Floats, steps: Floats) -> Bools:
    """Return where two rates (count,) are equal; not where one is NaN."""
    return np.asarray(np.abs(rate - steps) <= EQUAL * steps, np.bool_)


def _null(feature: FeatureValues, where: Bools) -> FeatureValues:
    """Return ``feature`` null in the epochs ``where`` (count,), with the reason and without error bars."""
    where = where & (feature.reason == HAS_VALUE)
    bars = feature.bars
    if bars is not None:
        low, high, bias = (np.where(where, np.nan, part) for part in bars[:3])
        bars = low, high, bias, np.where(where, -1, bars[3])
    return replace(
        feature,
        value=np.where(where, np.nan, feature.value),
        reason=np.where(where, STEP_RATE, feature.reason),
        bars=bars,
    )
