"""How hard the heart works, against what the person's age and rest let expect.

Individuals differ from an age-predicted maximum by about 10 bpm (standard deviation, from memory), which
is why these are for groups and trends, and never a limit for a person.
"""

from __future__ import annotations

import numpy as np

from nodeday.features.stream import Feature
from nodeday.features.windows import HAS_VALUE, NO_PARTICIPANT_FACTS
from nodeday.sections import Participant


def predicted_maximum(age_years: float) -> float:
    """208 - 0.7 age, in bpm: Tanaka, Monahan and Seals 2001."""
    return 208.0 - 0.7 * age_years


def reserve_pct(rate_bpm: float, rest_bpm: float, most_bpm: float) -> float:
    """Share of the heart-rate reserve in use, %: 100 (rate - rest) / (maximum - rest); Karvonen 1957."""
    return 100.0 * (rate_bpm - rest_bpm) / (most_bpm - rest_bpm)


def of_reserve(rate: Feature, person: Participant | None) -> list[Feature]:
    """Share of the predicted maximum and of the reserve, from the heart rate and with its bars."""
    age = None if person is None else person.age_years
    rest = None if person is None else person.resting_bpm
    most = None if age is None else predicted_maximum(age)
    fits = most is not None and rest is not None and rest < most
    return [
        _scaled(rate, "heart_rate_max_pct", 0.0, most),
        _scaled(rate, "heart_rate_reserve_pct", rest, most if fits else None),
    ]


def _scaled(rate: Feature, name: str, zero: float | None, full: float | None) -> Feature:
    if zero is None or full is None:
        reason = np.where(rate.reason == HAS_VALUE, NO_PARTICIPANT_FACTS, rate.reason)
        return Feature(rate.node, rate.channel, name, np.full(len(reason), np.nan), rate.coverage, reason)
    scale = 100.0 / (full - zero)
    value = (rate.value - zero) * scale
    one = Feature(rate.node, rate.channel, name, value, rate.coverage, rate.reason)
    if rate.bars is None:
        return one
    low, high, bias, how = rate.bars
    return one.with_bars((low - zero) * scale, (high - zero) * scale, bias * scale, how)
