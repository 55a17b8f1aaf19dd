"""95 % intervals from replayed errors: conformal prediction with normalised residuals.

A window's own error is one more draw of what its losses do; replays have drawn others. Errors of a window,
less its mean and over its spread, are alike in all windows, so they are pooled, and their quantiles scaled
back. Conformal prediction: Vovk, Gammerman and Shafer, "Algorithmic Learning in a Random World", 2005;
normalised residuals: Papadopoulos, Gammerman and Vovk, "Normalized nonconformity measures for regression
conformal prediction", AIA 2008, and Lei et al., "Distribution-free predictive inference for regression",
JASA 113, 2018; lower and upper quantiles apart: Linusson, Johansson and Lofstrom, "Signed-error conformal
regression", PAKDD 2014. All from memory. What they promise holds for exchangeable errors; replays near in
time are alike, so coverage is measured (``benchmarks/``), not proven.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from nodeday.core.arrays import Bools, Floats

LEAST_REPLAYS = 10
"""Of one window, for its mean and spread. A choice of this project."""
SHARE = 0.95
LEAST_SCORES = 39
"""With fewer, (n + 1) (1 - SHARE) / 2 is less than one, and no finite interval holds 95 % (Lei et al.
2018)."""
STEADY = 0.1
"""So much of the mean spread is added to each, or a window that its few replays left unchanged would get an
interval of no width (after Papadopoulos et al.; its size a choice of this project)."""
Scale = Literal["ratio", "difference", "angle"]
"""On which scale errors do not depend on the value: what scales with the spread of the intervals errs by a
ratio, a heart rate by a difference, a share by its arc sine (Anscombe 1948, from memory)."""


@dataclass(frozen=True)
class Interval:
    """Intervals [``low``, ``high``] and ``bias``, (w,) each; NaN where replays are too few.

    The bias is what losses add to the value in the middle.
    """

    low: Floats
    high: Floats
    bias: Floats


def scaled(value: Floats, scale: Scale) -> Floats:
    """Return ``value`` on the scale on which errors are taken, NaN where it has none."""
    if scale == "difference":
        return value
    if scale == "angle":
        return np.asarray(np.arcsin(np.sqrt(np.clip(value / 100, 0, 1))), np.float64)
    return np.log(value, out=np.full(np.shape(value), np.nan), where=value > 0)


def unscaled(value: Floats, scale: Scale) -> Floats:
    """Return the value that :func:`scaled` took, limited to 0 to 100 % on the scale of a share."""
    if scale == "difference":
        return value
    if scale == "angle":
        return np.asarray(100 * np.sin(np.clip(value, 0, np.pi / 2)) ** 2, np.float64)
    return np.exp(value)


def interval(value: Floats, lossy: Floats, true: Floats, scale: Scale) -> Interval:
    """Return the 95 % interval of each ``value`` (w,) from its replays.

    Each replay left the values ``lossy`` (r, w) of values that were ``true`` (r, w); NaN in either means
    that a replay tells nothing of the window.
    """
    factor = np.where(value == 0, 0.0, 1.0) if scale == "ratio" else np.ones(len(value))  # 0 x any ratio = 0
    base = scaled(np.where(factor == 0, 1.0, value), scale)
    low, middle, high = _quantiles(scaled(lossy, scale) - scaled(true, scale), np.isfinite(base))
    ends = [factor * unscaled(base - error, scale) for error in (high, middle, low)]
    return Interval(ends[0], ends[2], value - ends[1])


def _quantiles(error: Floats, wanted: Bools) -> tuple[Floats, Floats, Floats]:
    """Return the lower quantile, median and upper quantile (w,) of the errors (r, w) of each window.

    NaN where a window is not ``wanted`` (w,) or has too few errors.
    """
    count = np.isfinite(error).sum(axis=0)
    enough = np.flatnonzero(wanted & (count >= LEAST_REPLAYS))
    low, middle, high = (np.full(error.shape[1], np.nan) for _ in range(3))
    if count[enough].sum() < LEAST_SCORES:
        return low, middle, high
    used = error[:, enough]
    mean, size, score = _normalised(used)
    ends = [(1 - SHARE) / 2, (1 + SHARE) / 2]
    # The (n + 1) q-th of n scores, which is the conformal quantile.
    below, above = np.quantile(score[np.isfinite(score)], ends, method="weibull")
    low[enough], high[enough] = mean + size * below, mean + size * above
    middle[enough] = np.nanmedian(used, axis=0)
    return low, middle, high


def _normalised(error: Floats) -> tuple[Floats, Floats, Floats]:
    """Return mean and spread (w,) of the errors (r, w) of each window, and the scores (r, w).

    A score is an error less the mean and over the spread of the other errors of its window, as the error
    that the interval must hold is not among them either.
    """
    count = np.isfinite(error).sum(axis=0)
    mean = np.nanmean(error, axis=0)
    off = error - mean
    square = np.nansum(off**2, axis=0)
    spread = np.sqrt(square / (count - 1))
    steady = STEADY * spread.mean() + np.finfo(np.float64).tiny
    others = np.sqrt(np.maximum(square - off**2 * count / (count - 1), 0) / (count - 2))
    return mean, spread + steady, off * count / (count - 1) / (others + steady)
