"""Heart and motion together: what the heart did while a node walked, and while it was still.

Quantities of this project, chosen for being plain; they fit nothing and predict nothing.
"""

from __future__ import annotations

import numpy as np

from nodeday.core.arrays import Bools, Floats
from nodeday.stages.features.stream import FeatureValues
from nodeday.stages.features.windows import HAS_VALUE, NOT_THIS_MOVEMENT

MOSTLY, STILL_MAD_MG = 0.8, 15.0
"""An epoch is of walking when so much of it walks, and still below this MAD. Choices of this project."""


def features_of(features: list[FeatureValues]) -> list[FeatureValues]:
    """Joint features (heart rate of each ECG node by the movement of each accelerometer node)."""
    hearts = [one for one in features if one.name == "heart_rate_bpm"]
    moved = {(one.node.node, one.channel, one.name): one for one in features}
    found: list[FeatureValues] = []
    for walking in (one for one in features if one.name == "walking_share"):
        mad = moved[walking.node.node, walking.channel, "mad_mg"]
        cadence = moved[walking.node.node, walking.channel, "cadence_step_min"]
        for heart in hearts:
            walks, still = walking.value >= MOSTLY, (mad.value < STILL_MAD_MG) & (walking.value == 0)
            with np.errstate(invalid="ignore"):
                per_step = heart.value / cadence.value
            found += [
                _where("walking_heart_rate_bpm", heart.value, walks, walking, heart),
                _where("still_heart_rate_bpm", heart.value, still, walking, heart),
                _where("beats_per_step", per_step, walks, walking, heart),
            ]
    return found


def _where(
    name: str, value: Floats, when: Bools, motion: FeatureValues, heart: FeatureValues
) -> FeatureValues:
    """``value`` (count,) where the movement is the one meant; else the reason of whichever is lacking,
    and its coverage that of the lesser of both.
    """
    reason = np.where(when, HAS_VALUE, NOT_THIS_MOVEMENT)
    for one in (motion, heart):
        reason = np.where(one.reason != HAS_VALUE, one.reason, reason)
    kept = np.where(reason == HAS_VALUE, value, np.nan)
    cover = np.minimum(motion.coverage, heart.coverage)
    return FeatureValues(motion.node, heart.node.node, name, kept, cover, reason)
