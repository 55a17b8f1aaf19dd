"""Heart and motion together: what the heart did while a person walked, and while a node was still.

Quantities of this project, chosen for being plain; they fit nothing and predict nothing.
"""

from __future__ import annotations

import numpy as np

from nodeday.core.arrays import Bools, Floats
from nodeday.stages.features.stream import FeatureValues
from nodeday.stages.features.windows import HAS_VALUE, NOT_THIS_MOVEMENT

MOSTLY, STILL_MAD_MG = 0.8, 15.0
"""Share of walking from which an epoch is one of walking, and MAD below which it is still. Choices of this
project."""


def features_of(features: list[FeatureValues]) -> list[FeatureValues]:
    """Return the joint features: heart rate of each ECG node by the movement of each accelerometer node."""
    rates = [one for one in features if one.name == "heart_rate_bpm"]
    motion = {(one.node.node, one.channel, one.name): one for one in features}
    joint: list[FeatureValues] = []
    for walking in (one for one in features if one.name == "walking_share"):
        mad = motion[walking.node.node, walking.channel, "mad_mg"]
        cadence = motion[walking.node.node, walking.channel, "cadence_step_min"]
        for rate in rates:
            walks, still = walking.value >= MOSTLY, (mad.value < STILL_MAD_MG) & (walking.value == 0)
            with np.errstate(invalid="ignore"):
                per_step = rate.value / cadence.value
            joint += [
                _where("walking_heart_rate_bpm", rate.value, walks, walking, rate),
                _where("still_heart_rate_bpm", rate.value, still, walking, rate),
                _where("beats_per_step", per_step, walks, walking, rate),
            ]
    return joint


def _where(
    name: str, value: Floats, when: Bools, motion: FeatureValues, heart: FeatureValues
) -> FeatureValues:
    """Return ``value`` (e,) as a feature, null where the movement is not the one meant, ``when`` (e,).

    The reason is that of the heart rate or of the motion where one has no value; coverage is the lesser.
    """
    reason = np.where(when, HAS_VALUE, NOT_THIS_MOVEMENT)
    for one in (motion, heart):
        reason = np.where(one.reason != HAS_VALUE, one.reason, reason)
    kept = np.where(reason == HAS_VALUE, value, np.nan)
    cover = np.minimum(motion.coverage, heart.coverage)
    return FeatureValues(motion.node, heart.node.node, name, kept, cover, reason)
