"""Breaths per minute from the ECG: what breathing does to baseline, amplitude and intervals, fused.

The three modulations after Charlton et al. 2016 (Physiol. Meas. 37:610), who found the fusion of the
three best; the fusion here is the mean of their normalised spectra, a choice of this project.
"""

from __future__ import annotations

import numpy as np

from nodeday.arrays import Floats
from nodeday.features.heart.spectrum import basis, density

LOW_HZ, HIGH_HZ, STEP_HZ, EDGE = 0.1, 0.7, 0.005, 3
"""6 to 42 breaths a minute."""
AGREE_HZ, LEAST_BEATS, LEAST_SHARE = 0.04, 20, 0.25
"""At least two of three have their peak within 2.4 breaths a minute of the fused one, and so much of the
power of the mean spectrum lies there."""


def breaths_per_minute(seconds: Floats, modulations: Floats) -> float:
    """From ``modulations`` (3, b) sampled at beats at ``seconds`` (b,); NaN where fewer than two of them
    agree, or too few beats tell. Nothing is told above half the rate of the beats."""
    if len(seconds) < LEAST_BEATS:
        return float("nan")
    nyquist = 0.5 / float(np.median(np.diff(seconds)))
    frequency = np.arange(LOW_HZ, min(HIGH_HZ, 0.95 * nyquist), STEP_HZ)
    if len(frequency) <= 2 * EDGE:
        return float("nan")
    of = basis(seconds, frequency)
    spectra = density(of, _tamed(modulations), np.ones(modulations.shape))
    total = spectra.sum(axis=1, keepdims=True)
    spectra = np.divide(spectra, total, out=np.zeros_like(spectra), where=total > 0)
    fused = spectra.mean(axis=0)
    top = int(fused.argmax())
    near = np.abs(frequency - frequency[top]) <= AGREE_HZ
    agree = np.abs(frequency[spectra.argmax(axis=1)] - frequency[top]) <= AGREE_HZ
    # A peak at an edge is the flank of one beyond it.
    inside = EDGE <= top < len(frequency) - EDGE
    if not inside or agree.sum() < 2 or fused[near].sum() < LEAST_SHARE:
        return float("nan")
    before, at, after = fused[top - 1 : top + 2]
    bend = before - 2 * at + after
    shift = 0.5 * (before - after) / bend if bend < 0 else 0.0
    return float(60 * (frequency[top] + shift * STEP_HZ))


def _tamed(values: Floats) -> Floats:
    """``values`` (3, b) with outliers drawn in to three quartile deviations of the median of each, so that
    one odd beat does not make the spectrum."""
    low, middle, high = np.percentile(values, [25, 50, 75], axis=1, keepdims=True)
    reach = 3 * np.maximum(high - low, 1e-12)
    return np.asarray(np.clip(values, middle - reach, middle + reach), np.float64)
