"""What numbers show of themselves: the step they are written in, their unit of time, a nominal rate."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from nodeday.core.arrays import Floats

MOST_DECIMALS = 9
SHARE = 0.02
"""Part of a step by which a number may be off it: float noise. Less than what the stage frames refuses, a
twentieth; a choice of this project."""
COUNTS = 2.0**31 - 1
"""The greatest count that table ``samples`` holds."""
ROOM = 4.0
"""Values may become so many times as large as the greatest one measured. A choice of this project."""
NOMINAL = 5e-4
"""A crystal keeps its rate within this share: 500 ppm, several times what is common practice (no source)."""
EPOCHS = (("s", 1e9), ("ms", 1e12), ("us", 1e15), ("ns", 1e18))
"""Units in which times since 1970 are of this order from 2001 to 2128."""


class StepFound(NamedTuple):
    """The step of numbers: ``exact`` where each is a whole multiple, else ``worst`` is the rounding error."""

    size: float
    exact: bool
    worst: float = 0.0


def decimals_of(values: Floats) -> int | None:
    """Return the fewest decimals that write ``values`` (n,) exactly, up to nine; None where more are needed.

    >>> decimals_of(np.array([0.25, -1.5])), decimals_of(np.array([np.pi, 1.0]))
    (2, None)
    """
    for decimals in range(MOST_DECIMALS + 1):
        scaled = values * 10.0**decimals
        noise = np.abs(scaled) * 1e-15
        if (np.abs(scaled - np.rint(scaled)) <= np.minimum(1e-6 + noise, SHARE)).all():
            return decimals
    for decimals in range(MOST_DECIMALS + 1):  # single precision: the noise of its last digit
        scaled = values * 10.0**decimals
        if (np.abs(scaled - np.rint(scaled)) <= np.minimum(np.abs(scaled) * 1.2e-7, SHARE)).all():
            return decimals
    return None


def step_of(values: Floats, decimals: int | None, most: float) -> StepFound:
    """Return the step in which ``values`` (n,), up to ``most`` in size, can be kept.

    Decimals first, then a step of a converter; where there is neither, the finest decimal step of which
    32 bits hold enough.
    """
    fits = ROOM * most / COUNTS
    if decimals is not None and 10.0**-decimals >= fits:
        return StepFound(10.0**-decimals if decimals else 1.0, True)
    converter = _converter_step(values)
    if converter is not None and converter >= fits:
        return StepFound(converter, True)
    size = 10.0 ** np.ceil(np.log10(fits)) if fits else 1.0
    size = float(f"{size:.0e}")
    return StepFound(size, False, float(np.abs(values - np.rint(values / size) * size).max(initial=0.0)))


def _converter_step(values: Floats) -> float | None:
    """Return the step of which all values are whole multiples, by their least difference; else None."""
    different = np.unique(np.concatenate([[0.0], values]))
    gaps = np.diff(different)
    gaps = gaps[gaps > 1e-6 * np.abs(different).max(initial=0.0)]
    if len(gaps) < 2:
        return None
    step, largest = float(gaps.min()), float(np.abs(different).max())
    for reach in np.geomspace(4 * step, max(largest, 4 * step), 12):  # further out, the step is known better
        near = different[(np.abs(different) <= reach * 1.001) & (different != 0)]
        count = np.rint(near / step)
        if (np.abs(near / step - count) > SHARE + 0.2).any() or not count.any():
            return None
        step = float((near * count).sum() / (count * count).sum())
    if largest / step > 2.0**24:
        return None
    shorter = (float(f"{size:.{digits}g}") for size in (step, float(gaps.min())) for digits in range(1, 18))
    return next((size for size in shorter if _keeps(different, size)), None)


def _keeps(values: Floats, size: float) -> bool:
    """Whether whole multiples of a step are ``values`` (n,) again, in single precision as in the tables."""
    count = np.rint(values / size)
    near = np.abs(values / size - count) <= SHARE
    return bool((near & ((count * size).astype(np.float32) == values.astype(np.float32))).all())


def epoch_unit(values: Floats) -> str | None:
    """Return the unit in which numbers (n,) count since 1970; None where they are no such numbers."""
    middle = float(np.median(values))
    for unit, order in EPOCHS:
        if order <= middle < 5 * order and float(values.min()) > 0.5 * order:
            return unit
    return None


def nominal(rate: float, error: float) -> float:
    """Return the rate of fewest digits within what a crystal may be off, or within the share ``error``.

    >>> nominal(249.998, 0), nominal(31.2497, 0), nominal(128.003, 0)
    (250.0, 31.25, 128.0)
    """
    for digits in range(1, 7):
        short = float(f"{rate:.{digits}g}")
        if abs(short - rate) <= max(NOMINAL, error) * rate:
            return short
    return float(f"{rate:.7g}")
